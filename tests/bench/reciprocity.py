"""
How well reciprocity finds the microphone of simulated jigs: `python tests/bench/reciprocity.py`.

Prints the tables of reciprocity.md: errors and intervals by frequency straight from the solved
circuits, the same from recordings with noise and hum, what each part adds, and jigs with a fault.
"""

from __future__ import annotations

import dataclasses
import math
import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from reciprocity_jigs import TONES_HZ, measure

from voicecheck.bench.simulated.cavity import make_jig
from voicecheck.records.arrays import Array
from voicecheck.workflow.benches.jigs import try_steps

N_JIGS, N_RECORDED = 200, 20
SHOWN_HZ = (104.0, 208.0, 294.0, 416.0, 588.0, 832.0, 1046.0, 1482.0, 1868.0)


def say(line: str) -> None:
    """One line."""
    sys.stdout.write(line + "\n")


def tell_band(title: str, **changes: Any) -> None:
    """One row: errors and coverage from 200 to 2000 Hz of what is stated."""
    band = (TONES_HZ >= 200.0) & (TONES_HZ <= 2000.0)
    errors, limits = [], []
    for seed in range(N_JIGS):
        drawn = {name: change(seed) for name, change in changes.items()}
        found, error_db = measure(seed, **drawn)
        errors.append(error_db[band])
        limits.append(found.uncertainty_db[band])
    error, limit = np.array(errors), np.array(limits)
    known = np.isfinite(error)
    inside = np.abs(error[known]) <= limit[known]
    say(
        f"| {title} | {100 * np.mean(known):.0f} | {np.sqrt(np.mean(error[known] ** 2)):.2f} | "
        f"{np.max(np.abs(error[known])):.2f} | {np.mean(limit[known]):.2f} | "
        f"{100 * np.mean(inside):.1f} |"
    )


def tell_tones() -> None:
    """Errors, intervals and coverage tone by tone, and what each part adds."""
    found = [measure(seed) for seed in range(N_JIGS)]
    error = np.array([error_db for _, error_db in found])
    limit = np.array([one.uncertainty_db for one, _ in found])
    at = [int(np.flatnonzero(hz == TONES_HZ)[0]) for hz in SHOWN_HZ]
    say("| Hz | mean | standard deviation | largest | interval | inside, % |")
    say("|---|---|---|---|---|---|")
    for tone in at:
        one: Array = error[np.isfinite(error[:, tone]), tone]
        inside = np.abs(error[:, tone]) <= limit[:, tone]
        say(
            f"| {TONES_HZ[tone]:.0f} | {np.mean(one):+.2f} | {np.std(one):.2f} | "
            f"{np.max(np.abs(one)):.2f} | {np.mean(limit[:, tone]):.2f} | "
            f"{100 * np.mean(inside[np.isfinite(error[:, tone])]):.1f} |"
        )
    say("\n| part | " + " | ".join(f"{TONES_HZ[tone]:.0f} Hz" for tone in at) + " |")
    say("|---|" + "---|" * len(at))
    for name in found[0][0].parts_db:
        row = np.mean([one.parts_db[name] for one, _ in found], axis=0)[at]
        say(f"| {name} | " + " | ".join(f"{value:.2f}" for value in row) + " |")


def tell_recorded() -> None:
    """The value at 1 kHz from recordings, each way and with both receivers."""
    say("| step | root mean square | largest | interval | inside |")
    say("|---|---|---|---|---|")
    steps = ("reciprocity", "reciprocity-swapped")
    tried = [try_steps(steps, seed) for seed in range(N_RECORDED)]
    for step, several in zip(steps, zip(*tried, strict=True), strict=True):
        error = [20.0 * math.log10((one.result.value or 0.0) / one.truth_pa) for one in several]
        limit = [one.result.uncertainty_db for one in several]
        inside = sum(abs(off) <= most for off, most in zip(error, limit, strict=True))
        say(
            f"| {step} | {np.sqrt(np.mean(np.square(error))):.2f} | "
            f"{np.max(np.abs(error)):.2f} | {np.mean(limit):.2f} | {inside} of {N_RECORDED} |"
        )


def draw_tall(seed: int) -> Any:
    """A large block a good deal higher than wide."""
    block = make_jig(seed).large
    width, depth, _ = block.edges_m
    return dataclasses.replace(block, edges_m=(width, depth, 0.034))


def draw_low_microphone(seed: int, size: str) -> Any:
    """The microphone a tenth of the way up."""
    return dataclasses.replace(getattr(make_jig(seed), size), microphone_at=0.1)


def draw_leaky(seed: int) -> Any:
    """The large block's seats dry: a slit of a hundredth of the usual resistance."""
    return dataclasses.replace(make_jig(seed).large, leak_ohm=5e6, leak_kg_per_m4=8e3)


def draw_one_way(seed: int) -> Any:
    """A receiver whose voltage is 1 dB too small for its force."""
    first = make_jig(seed).first
    return dataclasses.replace(first, return_ratio=first.return_ratio * 10.0 ** (-1.0 / 20.0))


def main() -> None:
    """Print every table."""
    tell_tones()
    say("\n| jigs | stated, % | root mean square | largest | interval | inside, % |")
    say("|---|---|---|---|---|---|")
    tell_band("as drawn")
    tell_band(
        "large block 34 mm high",
        large=draw_tall,
        large_cm3=lambda seed: 1e6 * draw_tall(seed).volume_m3,
    )
    tell_band(
        "microphone a tenth of the way up",
        small=lambda seed: draw_low_microphone(seed, "small"),
        large=lambda seed: draw_low_microphone(seed, "large"),
    )
    tell_band("a dry seat", large=draw_leaky)
    tell_band("a receiver 1 dB from reciprocal", first=draw_one_way)
    say("")
    tell_recorded()


if __name__ == "__main__":
    main()
