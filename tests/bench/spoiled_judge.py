"""Whether what is said of a spoiled recording is right: the truth inside, or the cause named."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from spoiled_sets import Bench, Spoiled, band_power, make_programme_of

from voicecheck.errors import RecordingError, VoicecheckError
from voicecheck.records import Measurement, Problem, Recipe, Response
from voicecheck.workflow.analysis import analyze

POINTS_INSIDE = 45 / 52
"""52 points at 95 % each are all inside in 7 of 100 perfect takes; at least this share must be."""
FAR = 2.0
WIDE_DB = 1.0
"""A curve whose median half-width is more tells nothing."""
THD_AT_HZ = (315.0, 500.0, 1000.0)
NEAR_S = 0.12

NAMES = {
    "other-level": "other-programme wrong-programme",
    "other-recipe": "other-programme wrong-programme",
    "two-takes": "several-takes",
    "echo": "echo several-takes",
    "reflection": "reflection",
    "other-channel": "other-channel",
    "crosstalk": "other-channel",
    "other-rate": "",
    "no-handset": "no-handset",
    "too-quiet": "too-quiet",
    "single-cut": "lost-samples",
    "cancelling-cuts": "lost-samples repeated-samples",
    "clock-drift": "",
    "clock-wander": "",
    "low-bit": "too-few-steps",
    "agc-fast-2": "level-control",
    "agc-fast-4": "level-control",
    "agc-slow-2": "level-control",
    "agc-slow-4": "level-control",
    "limiter": "level-control overload",
    "clip-then-filter": "overload clipping",
    "sweep-gain": "unsteady",
    "fading": "unsteady",
    "dropouts": "dropout",
    "muted-pauses": "muted",
    "noise-gate": "muted level-control",
    "noise-suppressor": "muted level-control",
    "echo-canceller": "level-control unsteady",
    "lossy-coding": "lossy-coding",
    "babble-in-silence": "sound-in-pause",
    "speech-over-steps": "sound-in-pause",
    "speech-over-four-tone": "sound-in-pause",
    "room-noise": "",
    "mains": "mains",
    "vibration": "",
    "frying": "burst",
    "burst": "burst",
    "door-slam": "burst",
    "howl": "howl",
}
"""
Kinds of spoiling, and the problems that name their cause.

Not here: the same recording twice (it needs two), the tilted microphone and the mouth's distortion
(the recording of a set that is like that looks the same: calibration has to tell).
"""
PLACED = {
    "single-cut", "cancelling-cuts", "dropouts", "babble-in-silence", "speech-over-steps",
    "speech-over-four-tone", "burst", "door-slam",
}  # fmt: skip
"""What has a place must be named with its block."""
ADDED_NOISE = {"room-noise", "vibration", "frying"}
"""Sound that is there all the time is part of the idle noise that is heard."""
OTHER_NOISE = {"16 bit", "other-rate", "too-quiet", "mains", "fading", "low-bit"}
"""Idle noise of another gain or rate: its figure is not judged."""
NEVER_INSIDE = {"no-handset"}
"""What is measured may be right, but not of a set: only its name counts."""


Stated = tuple[str, float | None, float | None, Any]
"""Name, value, half-width, and what is true."""


@dataclass(frozen=True)
class Figure:
    """A stated value with its half-width, and all that is true at once (start, mean, end)."""

    name: str
    value: float
    half: float
    true: tuple[float, ...]

    @property
    def off(self) -> float:
        """Furthest truth, in half-widths."""
        return max(abs(self.value - true) for true in self.true) / max(self.half, 1e-9)


@dataclass(frozen=True)
class Verdict:
    """`is_strict`: not one single figure outside, `is_off`: a number that is stated and wrong."""

    is_inside: bool
    is_strict: bool
    is_named: bool
    is_off: bool
    error_db: float
    half_db: float
    why: str
    kinds: tuple[str, ...]

    @property
    def is_right(self) -> bool:
        return self.is_inside or self.is_named

    @property
    def has_curve(self) -> bool:
        return self.half_db < WIDE_DB


def measure(spoiled: Spoiled, recipe: Recipe) -> tuple[Measurement | None, tuple[Problem, ...]]:
    """As the command does, from a file; the problems alone where it refuses."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.wav"
        soundfile.write(path, spoiled.samples, spoiled.rate_hz, subtype="DOUBLE")
        try:
            measurement = analyze(path, make_programme_of(recipe))
        except RecordingError as error:
            return None, (Problem(kind=error.kind, at_s=error.at_s, message=str(error)),)
        except VoicecheckError as error:
            return None, (Problem(kind="unusable", message=str(error)),)
    return measurement, measurement.problems


def judge(bench: Bench, spoiled: Spoiled) -> Verdict:
    """Verdict over one take."""
    measurement, problems = measure(spoiled, bench.recipe)
    kinds = tuple(sorted({p.kind for p in problems}))
    named = is_named(spoiled, problems)
    if measurement is None or measurement.response is None:
        # Where everything is withdrawn the place is not asked for.
        named = bool({p.kind for p in problems} & set(NAMES.get(spoiled.kind, "").split()))
        return Verdict(False, False, named, False, np.nan, np.inf, "refused", kinds)
    n_in, n_all, far, error_db, half_db = look_at_curve(bench, spoiled, measurement.response)
    wrong = [f"points {n_in}/{n_all}"] if n_in < POINTS_INSIDE * n_all else []
    wrong += [f"point {far:.1f}u"] if far > FAR else []
    figures = list(list_figures(bench, spoiled, measurement))
    out = [figure for figure in figures if not figure.off <= 1.0]
    too_many = len(out) > allow_outside(len(figures))
    is_set = spoiled.kind not in NEVER_INSIDE
    is_strict = is_set and not wrong and not out
    wrong += [f"{one.name} {one.off:.1f}u" for one in out if too_many or not one.off <= FAR]
    return Verdict(
        is_set and not wrong, is_strict, named, bool(wrong), error_db, half_db,
        ", ".join(wrong), kinds,
    )  # fmt: skip


def allow_outside(n_figures: int) -> int:
    """How many of so many 95 % intervals a perfect take may miss in all but 1 of 100."""
    at_least, allowed = 1.0, -1
    while at_least > 0.01:
        allowed += 1
        at_least -= math.comb(n_figures, allowed) * 0.05**allowed * 0.95 ** (n_figures - allowed)
    return allowed


def look_at_curve(
    bench: Bench, spoiled: Spoiled, response: Response
) -> tuple[int, int, float, float, float]:
    """Points inside (or withheld), points, worst in half-widths, rms error, median half-width."""
    true = bench.truth.curve_db(spoiled, response.frequency_hz)
    off_db = np.max(np.abs(response.level_db - true), axis=0)
    half_db = np.where(np.isfinite(response.level_db), response.uncertainty_db, np.inf)
    known = np.isfinite(half_db)
    ratio = off_db[known] / np.maximum(half_db[known], 1e-9)
    n_all = len(off_db)
    n_in = int(n_all - np.count_nonzero(~(ratio <= 1.0)))
    error_db = response.level_db[known] - true[1][known]
    rms_db = float(np.sqrt(np.mean(error_db**2))) if known.any() else np.nan
    return n_in, n_all, float(np.max(ratio, initial=0.0)), rms_db, float(np.median(half_db))


def is_named(spoiled: Spoiled, problems: Sequence[Problem]) -> bool:
    """Whether cause and block are told."""
    done = spoiled.done
    causes = NAMES.get(spoiled.kind, "").split()
    found = [p for p in problems if p.kind in causes]
    if not found or done.kind not in PLACED:
        return bool(found)
    at_s = np.array(done.at_s)
    blocks = {spoiled.take.played.block_at(t) for t in at_s} | {done.block}
    near = [
        p for p in found
        if (p.block and p.block.split()[0] in blocks)
        or (p.at_s is not None and np.min(np.abs(at_s - p.at_s), initial=9.0) < NEAR_S)
        or (p.at_s is not None and spoiled.take.played.block_at(p.at_s) == done.block)
    ]  # fmt: skip
    # Of losses at least half have to be told.
    return len(near) >= (len(at_s) / 2 if done.kind == "dropouts" else 1)


def list_figures(bench: Bench, spoiled: Spoiled, measurement: Measurement) -> Iterator[Figure]:
    """Every single figure that states an interval."""
    for name, value, half, true in (
        *_list_bands(bench, spoiled, measurement),
        *_list_thd(bench, spoiled, measurement),
        *_list_noise(bench, spoiled, measurement),
        *_list_tones(bench, spoiled, measurement),
    ):
        if value is not None and half is not None and np.isfinite(value) and np.isfinite(half):
            yield Figure(name, float(value), float(half), tuple(map(float, np.atleast_1d(true))))


def _list_bands(bench: Bench, spoiled: Spoiled, measurement: Measurement) -> Iterator[Stated]:
    assert measurement.response is not None
    bands, at_hz = measurement.bands, measurement.response.frequency_hz
    true = bench.truth.curve_db(spoiled, at_hz)
    for name, low_hz, high_hz in (("low", 200, 500), ("mid", 500, 2000), ("high", 2000, 3400)):
        inside = (at_hz >= low_hz) & (at_hz <= high_hz)
        mean_db = 10 * np.log10(np.mean(10 ** (true[:, inside] / 10), axis=1))
        yield (name, getattr(bands, f"{name}_db"), getattr(bands, f"{name}_uncertainty_db"),
               mean_db)  # fmt: skip
    at_1khz = bench.truth.curve_db(spoiled, np.array([1000.0]))[:, 0]
    yield "1 kHz", bands.at_1khz_db, bands.at_1khz_uncertainty_db, at_1khz


def _list_thd(bench: Bench, spoiled: Spoiled, measurement: Measurement) -> Iterator[Stated]:
    found = measurement.distortion
    if found is None:
        return
    true = bench.truth.thd_percent(THD_AT_HZ, spoiled.take.played.amplitude)
    for at_hz, percent in zip(THD_AT_HZ, true, strict=True):
        i = int(np.argmin(np.abs(found.frequency_hz - at_hz)))
        if np.isfinite(found.thd_percent[i]):
            yield (
                f"THD {at_hz:.0f}",
                found.thd_percent[i],
                found.thd_uncertainty_percent[i],
                percent,
            )
        elif np.isfinite(found.thd_below_percent[i]):
            # Less than so much: the truth must be.
            yield (
                f"THD {at_hz:.0f} below",
                min(0.0, found.thd_below_percent[i] - percent),
                1e-6,
                0.0,
            )


def _list_noise(bench: Bench, spoiled: Spoiled, measurement: Measurement) -> Iterator[Stated]:
    if spoiled.kind in OTHER_NOISE:
        return
    power = 10 ** (bench.plant.noise_dbfs() / 10) / 2
    if spoiled.kind in ADDED_NOISE:
        n = len(spoiled.take.samples)
        power += band_power(spoiled.samples[:n] - spoiled.take.samples, spoiled.rate_hz)
    noise = measurement.noise
    yield "noise", noise.flat_dbfs, noise.flat_uncertainty_db, 10 * np.log10(2 * power)


def _list_tones(bench: Bench, spoiled: Spoiled, measurement: Measurement) -> Iterator[Stated]:
    """Level steps, four tones and SINAD, where they state an interval."""
    take, steps = spoiled.take, measurement.linearity
    gain_db = getattr(spoiled.done, "size", {}).get("gain_db", 0.0) if spoiled.done else 0.0
    halves = getattr(steps, "output_uncertainty_db", None)
    if steps is not None and halves is not None:
        true = bench.truth.steps_db(spoiled, steps.input_db) + gain_db
        for i, level_db in enumerate(steps.input_db):
            yield f"step {level_db:.0f}", steps.output_db[i], halves[i], true[i]
    for i, order in enumerate((2, 3)):
        half = getattr(measurement.intermodulation, f"order{order}_uncertainty_db", None)
        if half is not None:
            found = getattr(measurement.intermodulation, f"order{order}_db")
            true = bench.truth.four_tone_db(take, bench.recipe.tones_hz)[i]
            yield f"order {order}", found, half, true
    half = getattr(measurement, "sinad_uncertainty_db", None)
    if half is not None and spoiled.kind not in ADDED_NOISE | OTHER_NOISE:
        yield "SINAD", measurement.sinad_db, half, bench.truth.sinad_db(take.played.amplitude)
