"""
A steady tone while the cord is flexed, the hook pressed or the handset tapped to a metronome.

A bad conductor answers a movement with dropouts, level steps or bursts, shortly after the beat.
Sizes: `cord,crackle_duration` and `cord,crackle_step_resistance` (PROP); how often a movement is
answered is a proposal, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from voicecheck.bench.simulated.draws import make_generator
from voicecheck.bench.simulated.scene import Scene, SceneKind, check_words, open_edges
from voicecheck.records.arrays import Array

TONE_DBFS = -20.0
FLEXES = {
    "healthy": "a quiet cord",
    "cord-break": "broken conductor: dropouts of 5 to 60 ms",
    "dirty-hook": "bad hook contact: level steps of 0.5 to 3 dB that stay",
    "crackle": "loose contact: short bursts of noise",
    "carbon": "the hiss and slow wander of a carbon transmitter under the tone",
    "hum": "mains hum under the tone",
}
"""Words that `make_flex` takes, joined with "+"."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FlexSettings:
    """
    What happens while the set is moved.

    Parameters
    ----------
    length_s : float
    beat_s : float
        Of the metronome; the first movement comes one beat after the start.
    tone_hz : float
    noise_dbfs : float
        RMS re a full-scale sine.
    wander_db : float
        Slow wander of the level, peak, over about 40 s.
    hum_dbfs : float or None
        Of 50 Hz with harmonics.
    dropout_share, step_share, burst_share : float
        Share of the movements that are answered so.
    """

    length_s: float = 30.0
    beat_s: float = 1.0
    tone_hz: float = 1000.0
    noise_dbfs: float = -75.0
    wander_db: float = 0.02
    hum_dbfs: float | None = None
    dropout_share: float = 0.0
    step_share: float = 0.0
    burst_share: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FlexEvent:
    """
    One event and the movement that caused it.

    Parameters
    ----------
    kind : str
        "dropout", "step" or "burst".
    at_s : float
    duration_ms : float
        0 for a step, which stays.
    depth_db : float
        Dropout: fall of the tone. Step: change of the level, negative down. Burst: its RMS re
        the tone's.
    movement : int
        Which beat, counted from 1.
    """

    kind: str
    at_s: float
    duration_ms: float
    depth_db: float
    movement: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FlexTruth:
    """Settings, the beats and every event in order of time."""

    settings: FlexSettings
    beats_s: tuple[float, ...]
    events: tuple[FlexEvent, ...] = field(default_factory=tuple)

    @property
    def events_per_min(self) -> float:
        """Rate over the whole length."""
        return 60.0 * len(self.events) / self.settings.length_s


def make_flex(
    text: str = "healthy", *, seed: int = 1, rate_hz: int = 48000, length_s: float = 30.0
) -> Scene[FlexTruth]:
    """
    A take of the movement test that a text describes.

    Parameters
    ----------
    text : str
        Words of `FLEXES`, joined with "+".
    seed : int
    rate_hz : int
    length_s : float

    Returns
    -------
    Scene of FlexTruth

    Raises
    ------
    InputError
        A word is not known.

    Examples
    --------
    >>> make_flex("healthy", rate_hz=8000).truth.events
    ()
    >>> {event.kind for event in make_flex("cord-break", rate_hz=8000).truth.events}
    {'dropout'}
    """
    settings = FlexSettings(length_s=length_s)
    changes: dict[str, dict[str, float]] = {
        "healthy": {},
        "cord-break": {"dropout_share": 0.5},
        "dirty-hook": {"step_share": 0.5},
        "crackle": {"burst_share": 0.5},
        "carbon": {"noise_dbfs": -62.0, "wander_db": 0.15},
        "hum": {"hum_dbfs": -45.0},
    }
    for word in check_words(text, FLEXES, "flex"):
        settings = replace(settings, **changes[word])
    return make_flex_scene(settings, seed=seed, rate_hz=rate_hz)


def make_flex_scene(
    settings: FlexSettings, *, seed: int = 1, rate_hz: int = 48000
) -> Scene[FlexTruth]:
    """
    A take of the movement test with given settings.

    Parameters
    ----------
    settings : FlexSettings
    seed : int
    rate_hz : int

    Returns
    -------
    Scene of FlexTruth
    """
    beats_s = tuple(np.arange(settings.beat_s, settings.length_s - 0.5, settings.beat_s).tolist())
    events = _draw_events(settings, beats_s, make_generator(seed, "flex"))
    n_samples = round(settings.length_s * rate_hz)
    time_s = np.arange(n_samples) / rate_hz
    draw = make_generator(seed, "flex", "noise")
    wander = settings.wander_db * np.sin(2 * np.pi * time_s / 40.0 + draw.uniform(0.0, 6.0))
    level = 10.0 ** ((TONE_DBFS + wander) / 20.0) * _follow_events(events, n_samples, rate_hz)
    samples = level * np.sin(2.0 * np.pi * settings.tone_hz * time_s)
    samples += _make_bursts(events, n_samples, rate_hz, make_generator(seed, "flex", "bursts"))
    if settings.hum_dbfs is not None:
        for order, share in ((1, 1.0), (2, 0.3), (3, 0.5), (5, 0.3), (7, 0.15)):
            angle = 2.0 * np.pi * 49.98 * order * time_s + draw.uniform(0.0, 6.0)
            samples += 10.0 ** (settings.hum_dbfs / 20.0) * share * np.sin(angle)
    rms = 10.0 ** (settings.noise_dbfs / 20.0) / np.sqrt(2.0)
    samples += rms * draw.standard_normal(n_samples)
    truth = FlexTruth(settings=settings, beats_s=beats_s, events=tuple(events))
    return Scene(samples=np.clip(samples, -1.0, 1.0), rate_hz=rate_hz, truth=truth)


def _draw_events(
    settings: FlexSettings, beats_s: tuple[float, ...], draw: np.random.Generator
) -> list[FlexEvent]:
    events: list[FlexEvent] = []
    offset_db = 0.0
    for movement, beat_s in enumerate(beats_s, start=1):
        chance, late_s = draw.uniform(size=3), draw.uniform(0.03, 0.25)
        length_ms, size = draw.uniform(5.0, 60.0), draw.uniform(size=3)
        if chance[0] < settings.dropout_share:
            depth_db = 20.0 + 30.0 * size[0]
            events.append(_event("dropout", beat_s + late_s, length_ms, depth_db, movement))
        if chance[1] < settings.step_share:
            change_db = 0.5 + 2.5 * size[1]
            # A contact gets worse, then better: the level never wanders off.
            change_db = -change_db if offset_db >= 0.0 else min(change_db, -offset_db + 0.5)
            offset_db += change_db
            events.append(_event("step", beat_s + late_s + 0.1, 0.0, change_db, movement))
        if chance[2] < settings.burst_share:
            loud_db = -20.0 + 14.0 * size[2]
            start_s = beat_s + late_s + 0.2
            events.append(_event("burst", start_s, 0.3 * length_ms, loud_db, movement))
    return sorted(events, key=lambda event: event.at_s)


def _event(kind: str, at_s: float, duration_ms: float, depth_db: float, movement: int) -> FlexEvent:
    return FlexEvent(
        kind=kind,
        at_s=float(at_s),
        duration_ms=float(duration_ms),
        depth_db=float(depth_db),
        movement=movement,
    )


def _follow_events(events: list[FlexEvent], n_samples: int, rate_hz: int) -> Array:
    """Level of the tone re undisturbed, shape (n_samples,)."""
    gain = np.ones(n_samples)
    for event in events:
        first = int((event.at_s - 1e-3) * rate_hz)
        if event.kind == "step":
            time_s = np.arange(first, n_samples) / rate_hz
            gain[first:] *= 10.0 ** (event.depth_db * open_edges(time_s, event.at_s) / 20.0)
        elif event.kind == "dropout":
            end_s = event.at_s + 1e-3 * event.duration_ms
            last = min(int((end_s + 1e-3) * rate_hz) + 1, n_samples)
            time_s = np.arange(first, last) / rate_hz
            gone = open_edges(time_s, event.at_s) - open_edges(time_s, end_s)
            gain[first:last] *= 1.0 - gone * (1.0 - 10.0 ** (-event.depth_db / 20.0))
    return gain


def _make_bursts(
    events: list[FlexEvent], n_samples: int, rate_hz: int, draw: np.random.Generator
) -> Array:
    total = np.zeros(n_samples)
    tone_rms = 10.0 ** (TONE_DBFS / 20.0) / np.sqrt(2.0)
    for event in events:
        if event.kind == "burst":
            first = int(event.at_s * rate_hz)
            count = min(int(1e-3 * event.duration_ms * rate_hz), n_samples - first)
            noise = draw.standard_normal(count)
            total[first : first + count] += tone_rms * 10.0 ** (event.depth_db / 20.0) * noise
    return total


def _make(words: str, _more: str, seed: int) -> Scene[FlexTruth]:
    return make_flex(words, seed=seed)


SCENE = SceneKind(words=FLEXES, make=_make)
