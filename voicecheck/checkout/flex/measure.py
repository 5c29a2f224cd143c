"""
What a steady tone shows while the cord is flexed, the hook pressed, the handset tapped.

Three things are looked for: dropouts (the tone is gone for a while), level steps (it comes back
at another level and stays), bursts (noise beside the tone). Each is tied to the beat it follows.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from voicecheck.checkout.flex import FlexOptions
from voicecheck.checkout.signals import (
    average,
    check_sound,
    demodulate,
    find_spans,
    find_tone_hz,
    is_coded,
    join_spans,
    lower_rate,
    mean_square,
)
from voicecheck.errors import RecordingError
from voicecheck.fourier import keep_awake
from voicecheck.records import FlexCheck, FlexEvent, Problem, Recording
from voicecheck.records.arrays import Array

FRAME_S = 0.001
DROPOUT_DB = 6.0
SHORTEST_DROPOUT_S, JOIN_S = 0.004, 0.006
STEP_DB, STEP_NOISE = 0.35, 8.0
STEP_SIDE_S, STEP_GAP_S = 0.08, 0.03
BURST_OVER_DB, BURST_LEAST_DB = 12.0, -45.0
BURST_FRAME_S = 0.004
CLICK_S = 0.015
"""Dropouts and steps click at their edges; a burst this near to an edge is that click."""
ANSWER_S = 0.5
"""A movement is answered at once or not at all."""
MOST_CONFIDENT = 3.0
"""With no event in n minutes the rate is below 3 / n at 95 % (Poisson)."""
CHI2_95_HALF = (3.00, 4.74, 6.30, 7.75, 9.15, 10.51, 11.84, 13.15, 14.43, 15.71, 16.96)
"""Upper 95 % limit of a Poisson mean for 0, 1, ... 10 events (half of chi-square, 2 n + 2)."""

CODED = Problem(
    kind="coded-bursts",
    message="bursts of noise were not looked for: a telephone coding makes some of its own",
    effect="dropouts and steps stand; a crackle beside the tone may be missed",
)


def measure_flex(
    recording: Recording,
    *,
    tone_hz: float = 1000.0,
    beat_s: float = 1.0,
    places: Sequence[str] = (),
) -> FlexCheck:
    """
    Dropouts, level steps and bursts of a steady tone.

    Parameters
    ----------
    recording : Recording
        Of a tone through the set while it is moved.
    tone_hz : float
        As it was played.
    beat_s : float
        Of the metronome; the first movement is one beat after the start.
    places : sequence of str
        Where the person flexed, one after another, for equal shares of the time: "plug",
        "middle of the cord", "handset end", say.

    Returns
    -------
    FlexCheck

    Raises
    ------
    InputError
        An option is out of the range that `FlexOptions` states.
    RecordingError
        Silent, too short, or without a steady tone.
    """
    # Options that cannot be are refused as they are made.
    FlexOptions(tone_hz=tone_hz, beat_s=beat_s, places=tuple(places))
    check_sound(recording, 1.0)
    samples, rate_hz = lower_rate(recording.samples, recording.rate_hz)
    found_hz = find_tone_hz(samples, rate_hz, tone_hz)
    hop = round(FRAME_S * rate_hz)
    envelope = np.abs(demodulate(samples, rate_hz, found_hz, 2))
    tone = float(np.median(envelope))
    _check_tone(samples, envelope, tone, tone_hz, found_hz)
    margin = round(0.01 * rate_hz)
    level_db = 20.0 * np.log10(envelope[margin : len(envelope) - margin : hop] / tone + 1e-9)
    start_s = margin / rate_hz
    events = _find_dropouts(level_db, start_s)
    events += _find_steps(level_db, start_s, events)
    if not (coded := is_coded(recording)):
        events += _find_bursts(samples, rate_hz, found_hz, tone, events)
    tied = tuple(
        _tie(event, beat_s, recording.duration_s, places)
        for event in sorted(events, key=lambda event: event.at_s)
    )
    minutes = recording.duration_s / 60.0
    n_tied = sum(event.movement is not None for event in tied)
    return FlexCheck(
        duration_s=recording.duration_s,
        events=tied,
        events_per_min=len(tied) / minutes,
        most_per_min=_limit_count(len(tied)) / minutes,
        tone_dbfs=float(20.0 * np.log10(tone)),
        tied_percent=100.0 * n_tied / len(tied) if tied else None,
        verdict=_conclude(tied, minutes),
        problems=(*recording.problems, *([CODED] if coded else [])),
    )


def _check_tone(
    samples: Array, envelope: Array, tone: float, nominal_hz: float, found_hz: float
) -> None:
    rest = max(mean_square(samples) - 0.5 * mean_square(envelope), 1e-30)
    if abs(found_hz / nominal_hz - 1.0) > 0.03 or 0.5 * tone**2 < 3.0 * rest:
        message = (
            f"no steady {nominal_hz:g} Hz tone in the recording; play it through the set while "
            "it is moved, or name another with --tone-hz"
        )
        raise RecordingError(message, "no-signal")


def _find_dropouts(level_db: Array, start_s: float) -> list[FlexEvent]:
    spans = join_spans(find_spans(level_db < -DROPOUT_DB), round(JOIN_S / FRAME_S))
    return [
        FlexEvent(
            kind="dropout",
            at_s=start_s + first * FRAME_S,
            duration_ms=1e3 * (last - first) * FRAME_S,
            depth_db=float(-np.min(level_db[first:last])),
        )
        for first, last in spans
        if (last - first) * FRAME_S >= SHORTEST_DROPOUT_S
    ]


def _find_steps(level_db: Array, start_s: float, dropouts: Sequence[FlexEvent]) -> list[FlexEvent]:
    """Changes of level that stay: medians of 80 ms to either side differ."""
    side, gap = round(STEP_SIDE_S / FRAME_S), round(STEP_GAP_S / FRAME_S)
    if len(level_db) < 2 * side + gap + 2:
        return []
    clean = level_db.copy()
    for event in dropouts:
        first = int((event.at_s - start_s) / FRAME_S) - 6
        last = first + int(event.duration_ms) + 12
        clean[max(first, 0) : last] = np.nan
    medians = _run_median(_fill(clean), side)
    # At frame i the left side ends half a gap before it, the right one begins half a gap after.
    change = medians[side + gap :] - medians[: -(side + gap)]
    limit = max(STEP_DB, STEP_NOISE * 1.4826 * float(np.median(np.abs(change))))
    events = []
    for first, last in join_spans(find_spans(np.abs(change) > limit), side // 2):
        for peak in _find_extremes(change[first:last], side + gap):
            at = first + peak
            events.append(
                FlexEvent(
                    kind="step",
                    at_s=start_s + (at + side + 0.5 * gap) * FRAME_S,
                    duration_ms=0.0,
                    depth_db=float(change[at]),
                )
            )
    return events


def _fill(values: Array) -> Array:
    """Gaps take what was before them, or what follows at the very start."""
    known = np.flatnonzero(np.isfinite(values))
    at = np.searchsorted(known, np.arange(len(values)), side="right") - 1
    return np.asarray(values[known[np.maximum(at, 0)]]) if len(known) else np.zeros(len(values))


def _run_median(values: Array, length: int) -> Array:
    """Median of each run of `length` values, shape (n - length + 1,)."""
    from scipy.ndimage import median_filter

    whole = median_filter(values, size=length, mode="nearest")
    first = length // 2
    return np.asarray(whole[first : first + len(values) - length + 1])


def _find_extremes(change: Array, apart: int) -> list[int]:
    """Middle of the plateau around the largest change, and of others well away from it."""
    sizes = np.abs(change)
    found: list[int] = []
    left = sizes.copy()
    while np.max(left) >= 0.5 * np.max(sizes):
        top = int(np.argmax(left))
        near = find_spans(left > 0.9 * left[top])
        first, last = next(span for span in near if span[0] <= top < span[1])
        found.append((first + last - 1) // 2)
        left[max(0, top - apart) : top + apart + 1] = 0.0
    return sorted(found)


def _find_bursts(
    samples: Array, rate_hz: int, tone_hz: float, tone: float, others: Sequence[FlexEvent]
) -> list[FlexEvent]:
    """Noise above the tone and its second harmonic that is there for a moment."""
    power, band_share = _measure_rest(samples, rate_hz, tone_hz)
    hop = round(FRAME_S * rate_hz)
    frames = power[::hop]
    floor = float(np.median(frames))
    tone_power = 0.5 * tone**2
    limit = max(floor * 10.0 ** (0.1 * BURST_OVER_DB), tone_power * 10.0 ** (0.1 * BURST_LEAST_DB))
    edges_s = [event.at_s for event in others]
    edges_s += [event.at_s + 1e-3 * event.duration_ms for event in others]
    events = []
    for first, last in join_spans(find_spans(frames > limit), round(JOIN_S / FRAME_S)):
        start_s, end_s = first * FRAME_S, last * FRAME_S
        # The running mean adds its own length to what it sees.
        length_s = max(end_s - start_s - BURST_FRAME_S, FRAME_S)
        middle_s = 0.5 * (start_s + end_s)
        if any(abs(edge_s - middle_s) < CLICK_S + 0.5 * length_s for edge_s in edges_s) and (
            length_s < CLICK_S
        ):
            continue
        mean = float(np.mean(frames[first:last])) * (end_s - start_s) / (length_s + FRAME_S)
        loud_db = 10.0 * np.log10(mean / band_share / tone_power)
        events.append(
            FlexEvent(
                kind="burst",
                at_s=start_s + 0.5 * BURST_FRAME_S,
                duration_ms=1e3 * length_s,
                depth_db=float(loud_db),
            )
        )
    return events


def _measure_rest(samples: Array, rate_hz: int, tone_hz: float) -> tuple[Array, float]:
    """Power well above the tone, and the share that band has of all noise up to half the rate."""
    from scipy.signal import butter, sosfiltfilt

    low_hz = min(2.3 * tone_hz, 0.3 * rate_hz)
    high_hz = min(low_hz + 4000.0, 0.45 * rate_hz)
    band = butter(4, (low_hz, high_hz), "bandpass", fs=rate_hz, output="sos")
    rest = sosfiltfilt(band, keep_awake(samples))
    rest[: round(0.02 * rate_hz)] = 0.0
    rest[-round(0.02 * rate_hz) :] = 0.0
    share = (high_hz - low_hz) / (0.5 * rate_hz)
    return average(rest**2, round(BURST_FRAME_S * rate_hz)), share


def _tie(event: FlexEvent, beat_s: float, duration_s: float, places: Sequence[str]) -> FlexEvent:
    movement = int((event.at_s + 0.01) / beat_s)
    late_s = event.at_s - movement * beat_s
    share = min(event.at_s / duration_s, 0.999999)
    return FlexEvent(
        kind=event.kind,
        at_s=event.at_s,
        duration_ms=event.duration_ms,
        depth_db=event.depth_db,
        movement=movement if movement >= 1 and late_s < min(ANSWER_S, 0.6 * beat_s) else None,
        place=places[int(share * len(places))] if places else "",
    )


def _limit_count(n: int) -> float:
    """Poisson mean that n events or fewer would show 1 time in 20."""
    if n < len(CHI2_95_HALF):
        return CHI2_95_HALF[n]
    return n + 1.645 * float(np.sqrt(n)) + 1.5


def _conclude(events: Sequence[FlexEvent], minutes: float) -> str:
    if not events:
        most = MOST_CONFIDENT / minutes
        return (
            f"quiet: no event in {minutes:.1f} min; that bounds the rate to {most:.1f} a minute "
            "(95 %), no lower: move it for longer to say more"
        )
    counts = {
        kind: sum(event.kind == kind for event in events) for kind in ("dropout", "step", "burst")
    }
    told = ", ".join(f"{n} {kind}{'s' if n > 1 else ''}" for kind, n in counts.items() if n)
    places = [event.place for event in events if event.place]
    where = f", most at {max(set(places), key=places.count)}" if places else ""
    return f"not quiet: {told}{where}; a good one is quiet (common practice of the trade)"
