"""
Two ways to one number: the program's sweep and steps, and a tone at a time by plain least squares.

    python tests/bench/two_ways.py [SEEDS]

Each plant of `tests/plants` is played the default programme, and tones of the sweep's amplitude at
the same 52 points, and at 1 kHz tones of its seven steps' amplitudes (0.35 s each, the first 0.1 s
and the last 40 ms left out). A tone's lines come from least squares on eight stretches of 26 ms,
their interval from the scatter between these (Student's t). Two figures agree where they differ by
no more than the root sum square of both half-widths. On linear plants all 52 tones at once are a
third way; on curved ones they work the curve at another place, and what that shifts is a figure of
its own, no disagreement. Carbon moves by itself between two takes: it is compared held still (no
memory, no packing, no jumps), and as it is in a second table, where it need not agree.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[1]))
from helpers import AMPLITUDE, default_programme
from plants.carbon import Carbon
from plants.catalogue import PLANTS

from voicecheck.measure import measure_recording
from voicecheck.records import Measurement, Recipe, Recording

RATE_HZ = 48000
POINTS_HZ = 1000.0 * 10.0 ** (0.025 * np.arange(-27.5, 24.5))
TONE_S, SETTLE_S, FADE_S = 0.35, 0.1, 0.04
N_STRETCHES = 8
ORDERS = 5
SECONDS_OF_MANY = 8
COLUMNS = ("level", "response", "THD", "steps", "steps' THD")
Array = NDArray[np.float64]

STILL: dict[str, Any] = {
    "memory_db": (0.0, 0.0, 0.0), "settling_db": 0.0, "jumps_per_s": 0.0,
    "packing_db_per_sweep": 0.0, "frying_per_s": 0.0,
}  # fmt: skip
FIXED = {name: plant for name, plant in PLANTS.items() if not isinstance(plant, Carbon)} | {
    f"{name}, held still": replace(PLANTS[name], **STILL) for name in ("carbon", "carbon-early")
}
MOVING = {name: plant for name, plant in PLANTS.items() if isinstance(plant, Carbon)}
EXACT = {"receiver-touching": (0.002, 1.0)}
"""
Where a plant's own law is only so exact (dB, percent of THD), this counts in the agreement.

Its strokes lie on a grid of time, so that two stimuli do not strike alike: source
`tests/test_plants.py`, `test_response_and_harmonics_by_stepped_sines`.
"""


@dataclass(frozen=True)
class Told:
    """Values and the half-widths of their 95 % intervals; NaN where nothing is told."""

    value: Array
    half_width: Array


def fit_stretches(
    samples: Array, frequencies_hz: Array, n_stretches: int
) -> tuple[NDArray[np.complex128], Array]:
    """Mean complex lines over stretches, least squares in each, and the half-widths of sizes."""
    length = len(samples) // n_stretches
    turn = 2 * np.pi / RATE_HZ * frequencies_hz
    angle = np.outer(np.arange(length), turn)
    columns = np.hstack([np.cos(angle), np.sin(angle), np.ones((length, 1))])
    stretches = samples[: n_stretches * length].reshape(n_stretches, length).T
    found = np.linalg.solve(columns.T @ columns, columns.T @ stretches)
    n = len(frequencies_hz)
    # Each stretch has its zero of time at its own beginning.
    begins = np.outer(turn, length * np.arange(n_stretches))
    lines = (found[:n] - 1j * found[n : 2 * n]) * np.exp(-1j * begins)
    mean = lines.mean(axis=1)
    along = (lines.T * np.exp(-1j * np.angle(mean))).real
    spread = np.std(along, axis=0, ddof=1) / np.sqrt(n_stretches)
    return mean, spread * stats.t.ppf(0.975, n_stretches - 1)


def fade(count: int) -> Array:
    """Raised cosines at both ends of so many samples."""
    length = round(FADE_S * RATE_HZ)
    edge = np.ones(count)
    edge[:length] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(length) + 0.5) / length)
    edge[-length:] = edge[:length][::-1]
    return edge


def play_tones(plant: Any, frequencies_hz: Array, amplitudes: Array, rng: Any) -> list[Array]:
    """The settled part of a tone at each frequency in turn, as it comes back."""
    count, late = round(TONE_S * RATE_HZ), round(SETTLE_S * RATE_HZ)
    time_s = np.arange(count) / RATE_HZ
    # A tone that is cut off has a mean, and on a square law the mean is a gain.
    edge = fade(count)
    tones = [
        a * edge * np.sin(2 * np.pi * f * time_s)
        for f, a in zip(frequencies_hz, amplitudes, strict=True)
    ]
    # Silence before, so that the first tone begins as the others do.
    heard = plant.play(np.concatenate([np.zeros(count), *tones, np.zeros(count)]), RATE_HZ, rng)
    last = count - round(FADE_S * RATE_HZ)
    begins = count * np.arange(1, len(tones) + 1)
    return [heard[begin + late : begin + last] for begin in begins]


def by_tones(plant: Any, frequencies_hz: Array, amplitudes: Array, rng: Any) -> tuple[Told, Told]:
    """Output over input in dB, and THD of orders 2 to 5 in percent, of tones in turn."""
    levels, shares = [], []
    heard = play_tones(plant, frequencies_hz, amplitudes, rng)
    for one, f, amplitude in zip(heard, frequencies_hz, amplitudes, strict=True):
        lines, half = fit_stretches(one, f * np.arange(1, ORDERS + 1), N_STRETCHES)
        size = np.abs(lines)
        decibel = 20 / np.log(10)
        levels.append((20 * np.log10(size[0] / amplitude), decibel * half[0] / size[0]))
        # Noise adds its own power to that of the lines.
        spread = half / stats.t.ppf(0.975, N_STRETCHES - 1)
        power = np.sum(size[1:] ** 2 - 2 * spread[1:] ** 2)
        whole = np.sqrt(max(power, 1e-30))
        of_share = np.hypot(np.linalg.norm(size[1:] * half[1:]) / whole / whole, half[0] / size[0])
        is_seen = power > 4 * np.sum(half[1:] ** 2)
        share = 100 * whole / size[0] if is_seen else np.nan
        shares.append((share, share * of_share))
    return Told(*np.array(levels).T), Told(*np.array(shares).T)


def by_many_tones(plant: Any, rng: Any) -> Told:
    """Output over input in dB with all tones at once, their peak that of the sweep."""
    time_s = np.arange((SECONDS_OF_MANY + 1) * RATE_HZ) / RATE_HZ
    # Phases that spread the power over time (Schroeder, IEEE Trans. IT 16, 1970).
    phase = -np.pi * np.arange(len(POINTS_HZ)) ** 2 / len(POINTS_HZ)
    total = np.zeros(len(time_s))
    for f, turn in zip(POINTS_HZ, phase, strict=True):
        total += np.sin(2 * np.pi * f * time_s + turn)
    factor = AMPLITUDE / np.max(np.abs(total))
    heard = plant.play(factor * fade(len(total)) * total, RATE_HZ, rng)[RATE_HZ // 2 :][
        : SECONDS_OF_MANY * RATE_HZ
    ]
    lines, half = fit_stretches(heard, POINTS_HZ, SECONDS_OF_MANY)
    size = np.abs(lines)
    return Told(20 * np.log10(size / factor), 20 / np.log(10) * half / size)


def agrees(first: Told, second: Told, exact: float | Array = 0.0) -> NDArray[np.bool_]:
    """Where both tell something: whether they differ by no more than both intervals allow."""
    both = np.isfinite(first.value) & np.isfinite(second.value)
    allowed = np.hypot(np.hypot(first.half_width, second.half_width), exact)
    return np.asarray((np.abs(first.value - second.value) <= allowed)[both])


def of_program(found: Measurement) -> Mapping[str, Told]:
    """Response, THD and level at 1 kHz of the sweep; gain and THD of the program's own steps."""
    response, distortion, steps = found.response, found.distortion, found.linearity
    assert response is not None
    assert distortion is not None
    nothing = np.full(len(Recipe().step_levels_db), np.nan)
    gain, share = Told(nothing, nothing), Told(nothing, nothing)
    # Steps are withheld where the plant's level moves within one.
    if steps is not None:
        assert steps.output_uncertainty_db is not None
        assert steps.thd_uncertainty_percent is not None
        gain_db = steps.output_db - 20 * np.log10(AMPLITUDE) - steps.input_db
        gain = Told(gain_db, steps.output_uncertainty_db)
        share = Told(steps.thd_percent, steps.thd_uncertainty_percent)
    at = [int(np.argmin(np.abs(distortion.frequency_hz - f))) for f in POINTS_HZ]
    bands = found.bands
    level = (np.array([bands.at_1khz_db], float), np.array([bands.at_1khz_uncertainty_db], float))
    return {
        "response": Told(response.level_db, response.uncertainty_db),
        "THD": Told(distortion.thd_percent[at], distortion.thd_uncertainty_percent[at]),
        "level": Told(*level),
        "steps": gain,
        "steps' THD": share,
    }


def by_tones_alike(plant: Any, rng: Any) -> Mapping[str, Told]:
    """The same figures by tones in turn."""
    steps_db = np.array(Recipe().step_levels_db)
    frequencies_hz = np.concatenate([POINTS_HZ, np.full(1 + len(steps_db), 1000.0)])
    amplitudes = AMPLITUDE * 10 ** (np.concatenate([np.zeros(53), steps_db]) / 20)
    level, share = by_tones(plant, frequencies_hz, amplitudes, rng)
    parts = {"response": slice(52), "level": slice(52, 53), "steps": slice(53, None)}
    found = {name: Told(level.value[part], level.half_width[part]) for name, part in parts.items()}
    for name, of in (("THD", "response"), ("steps' THD", "steps")):
        part = parts[of]
        found[name] = Told(share.value[part], share.half_width[part])
    return found


def compare_once(name: str, seed: int) -> dict[str, Any]:
    """Agreement of one take of each way; the offset of many tones in dB, mean over the points."""
    plant, programme = (FIXED | MOVING)[name], default_programme()
    rngs = [np.random.default_rng([seed, k]) for k in range(3)]
    heard = plant.play(programme.samples, programme.rate_hz, rngs[0])
    found = of_program(measure_recording(programme, Recording(samples=heard, rate_hz=RATE_HZ)))
    tones, many = by_tones_alike(plant, rngs[1]), by_many_tones(plant, rngs[2])
    exact_db, exact_percent = EXACT.get(name, (0.0, 0.0))
    verdicts: dict[str, Any] = {
        key: agrees(found[key], tones[key], exact_percent / 100 * tones[key].value)
        if key.endswith("THD") else agrees(found[key], tones[key], exact_db)
        for key in COLUMNS
    }  # fmt: skip
    verdicts["at once"] = agrees(found["response"], many)[: None if plant.is_linear else 0]
    apart_db = found["response"].value - tones["response"].value
    verdicts["apart"] = np.sqrt(np.nanmean(apart_db**2))
    verdicts["offset"] = np.nanmean(many.value - found["response"].value)
    return verdicts


def show(parts: list[Any]) -> str:
    joined = np.concatenate(parts)
    return f"{100 * np.mean(joined):.1f} ({len(joined)})" if len(joined) else "-"


def main() -> None:
    n_seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    columns = (*COLUMNS, "at once")
    head = f"| plant | {' | '.join(columns)} | apart dB rms | offset dB |\n|---"
    for plants in (FIXED, MOVING):
        sys.stdout.write(f"\n{head}{'|---' * (len(columns) + 2)}|\n")
        for name in plants:
            takes = [compare_once(name, seed) for seed in range(n_seeds)]
            cells = [show([take[column] for take in takes]) for column in columns]
            apart, offset = (np.mean([take[key] for take in takes]) for key in ("apart", "offset"))
            sys.stdout.write(f"| {name} | {' | '.join(cells)} | {apart:.4f} | {offset:+.3f} |\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
