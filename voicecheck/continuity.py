"""
Samples that were lost or repeated on the way, and which sweeps hold something of their own.

Two clocks that differ stretch a recording evenly; a buffer that is lost or played twice shifts
all that follows. The distances between the sweeps, and the distance between the marks less theirs,
are independent readings of the clocks: where one reading disagrees with two that agree, the
difference was lost (or repeated) there.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voicecheck.inspection import OddEvent, compare_repeats, polish_delay_s
from voicecheck.records import Block, Problem, Programme, Recording, Timeline
from voicecheck.records.arrays import Array
from voicecheck.response import (
    LOW_BAND_HZ,
    SweepSpectra,
    compute_sweep_spectra,
    find_pair_of_cuts,
    mend_sweeps,
    move_sweeps,
    restore_sweeps,
)

LEAST_JUMP_S = 60e-6
"""About three samples: anything smaller does no harm and may be the handset's own change."""
BAND_HZ = (250.0, 3600.0)
"""What every handset passes: outside it there is mains and hiss, which turn no phase."""
COHERENT = 0.98
"""
Real part of the cross-spectrum over its size: 0.98 is reached at 20 us between two sweeps (one
sample; 0.92 at 40 us, measured on two plants), from where one Newton step reaches the peak.
"""
ALIKE = 0.97
"""Coherence of two sweeps below which a look for cuts is worth its time; 15 dB over noise."""
ABOVE_MAINS_HZ = 500.0
"""
A weak sweep under strong hum is split by what it has above this, where it cannot be as it is.
"""
SPLIT_GAIN = 4.0
"""
How much better two pieces must fit than one, for a sweep to hold the jump itself.

20 and 200 samples lost in each of three sweeps are placed with it; 6 samples, too, but in a
sweep's first second, where the wave is as long as a hundred of them.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Continuity:
    """The timeline with its jump, sweeps placed on it, and what was found."""

    timeline: Timeline
    spectra: SweepSpectra
    broken: tuple[int, ...] = ()
    problems: tuple[Problem, ...] = ()


def check_continuity(programme: Programme, recording: Recording, timeline: Timeline) -> Continuity:
    """
    Place the sweeps on the timeline, and mend it where samples were lost or repeated.

    Parameters
    ----------
    programme : Programme
    recording : Recording
    timeline : Timeline
        From the marks alone.

    Returns
    -------
    Continuity
        `broken` lists the sweeps that the jump lies in.
    """
    spectra = compute_sweep_spectra(programme, recording, timeline)
    starts_s = np.array([block.start_s for block in programme.blocks_of("sweep")])
    if len(starts_s) < 3:
        return Continuity(timeline=timeline, spectra=spectra)
    delays_s = _measure_delays(spectra)
    if float(np.ptp(delays_s)) < LEAST_JUMP_S:
        if _are_alike(spectra):
            return Continuity(timeline=timeline, spectra=spectra)
        return _leave_out_between_cuts(programme, timeline, spectra)
    found = _find_jump(programme, timeline, starts_s, delays_s)
    if found is None:
        return _leave_out_between_cuts(programme, timeline, spectra)
    stretch, jump_s, interval = found
    return _mend(programme, recording, timeline, stretch=stretch, jump_s=jump_s, interval=interval)


def _are_alike(spectra: SweepSpectra) -> bool:
    """Whether no sweep holds another stretch of time than the first."""
    step_hz = spectra.rate_hz / spectra.n_fft
    first, last = (round(edge / step_hz) for edge in BAND_HZ)
    band = spectra.values[:, first:last]
    power = np.sum(np.abs(band) ** 2, axis=1)
    shared = np.abs(band[1:] @ np.conj(band[0])) / np.sqrt(power[1:] * power[0])
    return bool(np.min(shared) > ALIKE)


def _leave_out_between_cuts(
    programme: Programme, timeline: Timeline, spectra: SweepSpectra
) -> Continuity:
    """Sweeps outside two cuts that cancel; where there is none, those between them."""
    plain = Continuity(timeline=timeline, spectra=spectra)
    blocks = programme.blocks_of("sweep")
    cuts = find_pair_of_cuts(spectra, blocks[0].end_s - blocks[0].start_s)
    if cuts is None:
        return plain
    used = cuts.whole or cuts.moved
    if not used:
        return plain
    if not cuts.whole:
        spectra = move_sweeps(spectra, cuts.jump_s)
    broken = tuple(index for index in range(len(blocks)) if index not in used)
    done = ("lost", "recorded twice") if cuts.jump_s > 0 else ("recorded twice", "lost")
    problems = tuple(
        Problem(
            kind="lost-samples" if lost == (cuts.jump_s > 0) else "repeated-samples",
            at_s=timeline.locate_s(blocks[index].start_s + late_s),
            message=f"about {1000.0 * abs(cuts.jump_s):.1f} ms were {done[0]} and as many "
            f"{done[1]} later: the marks agree, "
            "the sound between does not",
            effect=f"sweep {', '.join(str(one + 1) for one in broken)} between the cuts is set "
            "aside; the rest is used",
            block=programme.name_block(blocks[index]),
        )
        for lost, (index, late_s) in ((True, cuts.first), (False, cuts.last))
    )
    return Continuity(timeline=timeline, spectra=spectra, broken=broken, problems=problems)


def _measure_delays(spectra: SweepSpectra) -> Array:
    """Arrival of each sweep against the first, in seconds, by cross-spectra of the voice band."""
    step_hz = spectra.rate_hz / spectra.n_fft
    first, last = (round(edge / step_hz) for edge in BAND_HZ)
    band = spectra.values[:, first:last]
    omega = np.asarray(2.0 * np.pi * step_hz * np.arange(first, last))
    delays = [0.0]
    for other in band[1:]:
        cross = other * np.conj(band[0])
        # Where all lies as expected the phase hardly turns, and one step from 0 is enough.
        together = float(np.sum(cross.real)) > COHERENT * float(np.sum(np.abs(cross)))
        delay_s = 0.0 if together else _find_peak_s(cross, first, step_hz)
        delays.append(polish_delay_s(cross, omega, delay_s, 1 if together else 4))
    return np.array(delays)


def _find_peak_s(cross: NDArray[np.complex128], first: int, step_hz: float) -> float:
    """Coarse delay: the peak of the correlation, from its spectrum from bin `first` on."""
    size = 4 * (first + len(cross))
    padded = np.concatenate([np.zeros(first), cross])
    peak = int(np.argmax(np.fft.irfft(padded, size)))
    return (peak if peak < size // 2 else peak - size) / (size * step_hz)


def _find_jump(
    programme: Programme, timeline: Timeline, starts_s: Array, delays_s: Array
) -> tuple[float, float, int] | None:
    """
    True stretch, size of the jump and where: interval i is from sweep i to sweep i + 1.

    The last number is the interval between the marks but outside the sweeps. A jump is positive
    where samples are missing.
    """
    opening, closing = programme.blocks_of("mark")
    spans_s = np.append(np.diff(starts_s), 0.0)
    spans_s[-1] = closing.start_s - opening.start_s - float(np.sum(spans_s[:-1]))
    excess_s = np.append(np.diff(delays_s), delays_s[0] - delays_s[-1])
    rates = timeline.stretch + excess_s / spans_s
    best = None
    for odd in range(len(rates)):
        rest = np.delete(rates, odd)
        weights = np.delete(spans_s, odd)
        stretch = float(np.average(rest, weights=weights))
        misfit_s = float(np.max(np.abs((rest - stretch) * weights)))
        if best is None or misfit_s < best[0]:
            best = (misfit_s, stretch, odd)
    misfit_s, stretch, odd = best or (math.inf, timeline.stretch, 0)
    jump_s = float((stretch - rates[odd]) * spans_s[odd])
    if misfit_s > LEAST_JUMP_S or abs(jump_s) < LEAST_JUMP_S:
        return None
    return stretch, jump_s, odd


def _mend(
    programme: Programme,
    recording: Recording,
    marks: Timeline,
    *,
    stretch: float,
    jump_s: float,
    interval: int,
) -> Continuity:
    """Timeline with the jump where it fits best, and the sweeps placed on it."""
    opening = programme.blocks_of("mark")[0]
    sweeps = programme.blocks_of("sweep")
    arrival_s = marks.locate_s(opening.start_s)
    even = dataclasses.replace(
        marks, stretch=stretch, latency_s=arrival_s - opening.start_s * stretch
    )
    outside = interval == len(sweeps) - 1
    candidates = (0, len(sweeps) - 1) if outside else (interval, interval + 1)
    shifted = dataclasses.replace(even, latency_s=even.latency_s - jump_s)
    sides = [compute_sweep_spectra(programme, recording, one) for one in (even, shifted)]
    for from_hz in (0.0, ABOVE_MAINS_HZ):
        (before, rate_hz), (after, _) = (_restore_above(one, from_hz) for one in sides)
        for index in candidates:
            at_s = _split_sweep(programme, before, after, rate_hz, index)
            if at_s is not None:
                jumped = dataclasses.replace(even, jump_at_s=at_s, jump_s=jump_s)
                return _finish(programme, recording, jumped, (index,))
    if not outside:
        at_s = 0.5 * (sweeps[interval].end_s + sweeps[interval + 1].start_s)
    elif _is_shifted(programme, recording, even, jump_s):
        at_s = 0.5 * (opening.end_s + sweeps[0].start_s)
    else:
        at_s = sweeps[-1].end_s + 0.5 * programme.recipe.sweep_gap_s
    jumped = dataclasses.replace(even, jump_at_s=at_s, jump_s=jump_s)
    return _finish(programme, recording, jumped, ())


def _finish(
    programme: Programme, recording: Recording, timeline: Timeline, broken: tuple[int, ...]
) -> Continuity:
    lost = timeline.jump_s > 0.0
    at_s = timeline.jump_at_s
    inside = [one for one in programme.blocks if one.start_s <= at_s < one.end_s]
    n_samples = round(abs(timeline.jump_s) * recording.rate_hz)
    problem = Problem(
        kind="lost-samples" if lost else "repeated-samples",
        at_s=timeline.locate_s(timeline.jump_at_s - 1e-6),
        message=f"about {n_samples} samples ({1000.0 * abs(timeline.jump_s):.1f} ms) were "
        + ("lost" if lost else "played or recorded twice"),
        effect=f"sweep {broken[0] + 1} is set aside; the rest is used"
        if broken
        else "it lies outside the sweeps, which are all used",
        block=programme.name_block(inside[0]) if inside else None,
    )
    return Continuity(
        timeline=timeline,
        spectra=compute_sweep_spectra(programme, recording, timeline),
        broken=broken,
        problems=(problem,),
    )


def _split_sweep(
    programme: Programme, before: Array, after: Array, rate_hz: float, index: int
) -> float | None:
    """
    Programme time of the jump inside one sweep; `None` where the sweep is whole.

    `before` and `after` are the sweeps as they are cut on either side of the jump.
    """
    sweeps = programme.blocks_of("sweep")
    reference = len(sweeps) - 1 if index != len(sweeps) - 1 else 0
    # The reference lies wholly on one side of the jump.
    whole = after[reference] if reference > index else before[reference]
    first = (before[index] - whole) ** 2
    second = (after[index] - whole) ** 2
    count = round((sweeps[index].end_s - sweeps[index].start_s) * rate_hz)
    left = np.concatenate([[0.0], np.cumsum(first[:count])])
    right = np.concatenate([[0.0], np.cumsum(second[:count])])
    cost = left + right[-1] - right
    at = int(np.argmin(cost))
    edge = round(0.01 * rate_hz)
    if not edge < at < count - edge:
        return None
    if SPLIT_GAIN * float(cost[at]) > min(float(left[-1]), float(right[-1])):
        return None
    return sweeps[index].start_s + at / rate_hz


def _restore_above(spectra: SweepSpectra, from_hz: float) -> tuple[Array, float]:
    """The sweeps with nothing below a frequency."""
    values = spectra.values.copy()
    values[:, : round(from_hz * spectra.n_fft / spectra.rate_hz)] = 0.0
    return restore_sweeps(dataclasses.replace(spectra, values=values))


def _is_shifted(programme: Programme, recording: Recording, even: Timeline, jump_s: float) -> bool:
    """Whether the first sweep comes after the jump: its kernel then stands at -jump."""
    from voicecheck.response import compute_kernels

    kernels = compute_kernels(compute_sweep_spectra(programme, recording, even), [0])
    peak = int(np.argmax(np.abs(kernels.mean)))
    peak_s = (peak if peak < len(kernels.mean) // 2 else peak - len(kernels.mean)) / kernels.rate_hz
    return abs(peak_s + jump_s) < abs(peak_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sound:
    """Sweeps to use, their spectra (disturbed stretches mended), and what was found."""

    used: list[int]
    spectra: SweepSpectra
    problems: list[Problem]


def set_aside(
    programme: Programme,
    continuity: Continuity,
    idle_power: float,
    known: list[Problem],
) -> Sound:
    """
    Sweeps to use, and what was found in the others.

    Parameters
    ----------
    programme : Programme
    continuity : Continuity
    idle_power : float
        Mean square of the idle noise in the band of `restore_sweeps`.
    known : list of Problem
        Found before: what they explain is not reported again.

    Returns
    -------
    Sound
        With two sound sweeps or more the others are set aside; else stretches that one sweep
        has disturbed are taken from the others.
    """
    blocks = programme.blocks_of("sweep")
    repeats, rate_hz = restore_sweeps(continuity.spectra)
    whole = [index for index in range(len(blocks)) if index not in continuity.broken]
    leaves_s = continuity.spectra.constant_s * math.log(
        SEEN_SHARE * LOW_BAND_HZ / continuity.spectra.start_hz
    )
    disturbed, events = compare_repeats(repeats[whole], math.sqrt(idle_power), rate_hz, leaves_s)
    found = dict(zip(whole, events, strict=True))
    used = [index for index, bad in zip(whole, disturbed, strict=True) if not bad]
    spectra = continuity.spectra
    effect = "this sweep is set aside and the others are used"
    if len(used) < min(2, len(whole)) and (brief := _list_brief(programme, found)):
        stretches = [
            [(e.first_s, e.last_s) for e in found.get(i, []) if e.moved_db is None]
            for i in range(len(blocks))
        ]
        spectra, used = mend_sweeps(spectra, stretches), sorted({*used, *brief})
        effect = "these moments are taken from the other sweeps"
    elif not used:
        used = whole
        effect = "all sweeps are disturbed, so all are used and the error is larger"
    problems = _report_events(programme, continuity.timeline, found, known, effect)
    return Sound(used=used, spectra=spectra, problems=problems)


def _list_brief(programme: Programme, found: dict[int, list[OddEvent]]) -> list[int]:
    """Sweeps that are disturbed for a small part of their length only."""
    blocks = programme.blocks_of("sweep")
    odd = {i: [e for e in events if e.moved_db is None] for i, events in found.items()}
    return [
        index
        for index, events in odd.items()
        if events
        and sum(e.last_s - e.first_s for e in events)
        < BRIEF_SHARE * (blocks[index].end_s - blocks[index].start_s)
    ]


def _report_events(
    programme: Programme,
    timeline: Timeline,
    found: dict[int, list[OddEvent]],
    known: list[Problem],
    effect: str,
) -> list[Problem]:
    """Each event as a problem, unless one that is known explains it."""
    blocks = programme.blocks_of("sweep")
    problems = []
    for index, events in found.items():
        start_s = timeline.locate_s(blocks[index].start_s)
        for event in events:
            if _is_explained(start_s + event.first_s, start_s + event.last_s, known):
                continue
            if event.moved_db is not None:
                problems += _report_move(programme, blocks[index], start_s, event)
                continue
            lasted = f"{1000.0 * (event.last_s - event.first_s):.0f} ms"
            problems.append(
                Problem(
                    kind="dropout" if event.is_loss else "burst",
                    at_s=start_s + event.first_s,
                    message=f"sweep {index + 1} of {len(blocks)} "
                    + (
                        f"loses its sound for {lasted}"
                        if event.is_loss
                        else f"holds a sound of {lasted} that the others do not"
                    ),
                    effect=effect,
                    block=programme.name_block(blocks[index]),
                )
            )
    return problems


def _report_move(
    programme: Programme, block: Block, start_s: float, event: OddEvent
) -> list[Problem]:
    """A level that jumps within a sweep, unless it is as little as granules do anyway."""
    if event.moved_db is None or event.moved_db < MOVED_DB:
        return []
    name = programme.name_block(block)
    return [
        Problem(
            kind="unsteady",
            at_s=start_s + event.first_s,
            message=f"the level jumps by {event.moved_db:.1f} dB within {name}, with no sound "
            "beside it: granules that re-arrange, or a contact",
            effect="the sweep is used and the interval holds the level before and after",
            block=name,
        )
    ]


MOVED_DB = 0.6
"""Twice what sound granules jump by (MEM)."""
BRIEF_SHARE, SEEN_SHARE = 0.3, 0.97
"""Of a sweep that may be mended; of the band in which sweeps are compared."""


def _is_explained(first_s: float, last_s: float, known: list[Problem]) -> bool:
    """Whether a problem that is known already lies in a stretch of the recording."""
    return any(
        problem.at_s is not None and first_s - 0.02 <= problem.at_s <= last_s + 0.02
        for problem in known
    )
