# mypy: disable-error-code="arg-type,dict-item,no-untyped-call,union-attr"
"""
How often a healthy set is called outside, and how often a faulty one is: tables for the docs.

    python tests/bench/verdict_rates.py [--baselines 400] [--kindred 0]

Populations are drawn by tests/set_population.py; every number is from whole comparisons of two
paths (transmit and receive), limits at 5 in 100 for both together. Beside the share of faults
found stands that of the exact 95 % prediction interval for the one quantity the fault moves
(mean +- t s sqrt(1 + 1/n); G. J. Hahn, W. Q. Meeker, Statistical Intervals, 1991, general
statistics), which knows where to look and spends all of the 5 % there.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import t as student

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from set_population import HEALTHY, Fault, Population, draw_set, measure_set

from voicecheck.records import Baseline, Run
from voicecheck.verdicts import build_baseline, compare_to_baseline, pool_run

SIZES = (3, 5, 8, 20)
SPREADS_DB = (0.5, 1.0, 2.0)
HEALTHY_PER_BASELINE = 3
FAULTS = {
    "level -3 dB": Fault(level_db=3.0),
    "level -4.5 dB": Fault(level_db=4.5),
    "dip 4 dB": Fault(dip_db=4.0),
    "dip 6 dB": Fault(dip_db=6.0),
    "THD x2.5": Fault(thd_factor=2.5),
    "noise +10 dB": Fault(noise_db=10.0),
}
STEPS = {
    "level": [Fault(level_db=size) for size in (1.5, 2.0, 3.0, 4.0, 4.5, 6.0)],
    "dip": [Fault(dip_db=size) for size in (1.5, 2.0, 3.0, 4.0, 6.0, 8.0)],
    "THD": [Fault(thd_factor=size) for size in (1.25, 1.5, 1.75, 2.0, 2.5, 3.0)],
    "noise": [Fault(noise_db=size) for size in (3.0, 4.0, 6.0, 8.0, 10.0, 12.0)],
}
ROBUSTNESS = {
    "as above": {},
    "little common level (20 % of the variance)": {"level_share": 0.2},
    "mostly common level (80 %)": {"level_share": 0.8},
    "nearly all common level (95 %)": {"level_share": 0.95},
    "ragged curves (0.3 octave)": {"length_octaves": 0.3},
    "slow curves (1.5 octaves)": {"length_octaves": 1.5},
    "spread doubling over the band": {"uneven": 2.0},
    "spread growing 3 times over the band": {"uneven": 3.0},
    "heavy tails (Student t, 5 degrees of freedom)": {"tail": 5.0},
    "seats as uneven as sets": {"seat_sd_db": 1.0},
    "one recording per run": {"n_seats": 1},
}


def make_populations(**changes: object) -> dict[str, Population]:
    transmit = Population(**changes)
    return {"transmit": transmit, "receive": replace(transmit, path="receive", unit="dB Pa/V")}


def draw_run(
    population: Population, random: np.random.Generator, fault: Fault = HEALTHY, job: int = 0
) -> Run:
    seats = measure_set(population, draw_set(population, random, fault), random)
    return pool_run(seats, job=job, path=population.path, stage="reference")


def draw_kindred(
    populations: dict[str, Population], random: np.random.Generator, count: int
) -> dict[str, list[Baseline]]:
    """Baselines of six sets each, of types whose spread differs by 30 % (standard deviation)."""
    kin: dict[str, list[Baseline]] = {path: [] for path in populations}
    for index in range(count):
        factor = float(np.exp(0.3 * random.standard_normal()))
        for path, population in populations.items():
            other = replace(population, sd_db=population.sd_db * factor)
            runs = [draw_run(other, random, job=job) for job in range(6)]
            kin[path].append(build_baseline(runs, type_name=f"Kin {index}", path=path))
    return kin


@dataclass(frozen=True)
class Study:
    """Baselines drawn one after the other, and what sets held against them are called."""

    populations: dict[str, Population]
    n: int
    seed: int
    kindred: int = 0

    def rates(self, faults: Sequence[Fault], n_baselines: int) -> dict[str, np.ndarray]:
        random = np.random.default_rng(self.seed)
        healthy, found, exact = [], [], []
        kin: dict[str, list[Baseline]] = {path: [] for path in self.populations}
        for index in range(n_baselines):
            if self.kindred and index % 20 == 0:
                kin = draw_kindred(self.populations, random, self.kindred)
            references = {
                path: [draw_run(population, random, job=job) for job in range(self.n)]
                for path, population in self.populations.items()
            }
            baselines = {
                path: build_baseline(runs, type_name="Hillview 2", path=path, kindred=kin[path])
                for path, runs in references.items()
            }
            for _ in range(HEALTHY_PER_BASELINE):
                healthy.append(self._judge(baselines, random, HEALTHY)[0])
            row, alone = [], []
            for fault in faults:
                verdict, run = self._judge(baselines, random, fault)
                row.append(verdict == "outside")
                alone.append(exact_finds(references["transmit"], run, fault))
            found.append(row)
            exact.append(alone)
        return {
            "healthy": np.mean([verdict == "outside" for verdict in healthy]),
            "healthy doubtful": np.mean([verdict == "doubtful" for verdict in healthy]),
            "found": np.mean(found, axis=0) if faults else np.zeros(0),
            "exact": np.mean(exact, axis=0) if faults else np.zeros(0),
        }

    def _judge(
        self, baselines: dict[str, Baseline], random: np.random.Generator, fault: Fault
    ) -> tuple[str, Run]:
        runs = {
            path: draw_run(population, random, fault if path == "transmit" else HEALTHY)
            for path, population in self.populations.items()
        }
        comparison = compare_to_baseline(runs, baselines, job=99, stage="after")
        return comparison.overall, runs["transmit"]


def nearest(frequency_hz: np.ndarray, wanted_hz: float) -> int:
    return int(np.argmin(np.abs(np.log(frequency_hz / wanted_hz))))


def read_quantity(run: Run, fault: Fault) -> float:
    """The one number that a fault moves most, on the scale where its spread is normal."""
    pooled = run.pooled
    if fault.dip_db:
        return float(pooled.response.level_db[nearest(pooled.response.frequency_hz, fault.dip_hz)])
    if fault.thd_factor != 1.0:
        at = nearest(pooled.distortion.frequency_hz, 500.0)
        return float(20.0 * np.log10(pooled.distortion.thd_percent[at]))
    return float(pooled.noise.psophometric_dbm if fault.noise_db else pooled.bands.mid_db)


def exact_finds(references: Sequence[Run], run: Run, fault: Fault) -> bool:
    """Closed-form 95 % prediction interval; one-sided where only more is a fault."""
    values = np.array([read_quantity(reference, fault) for reference in references])
    n = len(values)
    away = (read_quantity(run, fault) - values.mean()) / values.std(ddof=1) / np.sqrt(1 + 1 / n)
    if fault.thd_factor != 1.0 or fault.noise_db:
        return bool(away > student.isf(0.05, n - 1))
    return bool(abs(away) > student.isf(0.025, n - 1))


def print_rates(out: Any, n_baselines: int, kindred: int) -> None:
    names = list(FAULTS)
    out.write("| sd, dB | n | healthy outside | healthy doubtful | " + " | ".join(names) + " |\n")
    out.write("|" + "---|" * (4 + len(names)) + "\n")
    for sd_db in SPREADS_DB:
        for n in SIZES:
            study = Study(
                make_populations(sd_db=sd_db), n, seed=1000 * n + int(10 * sd_db), kindred=kindred
            )
            rates = study.rates(list(FAULTS.values()), n_baselines)
            cells = [
                f"{100 * whole:.0f} ({100 * alone:.0f})"
                for whole, alone in zip(rates["found"], rates["exact"], strict=True)
            ]
            out.write(
                f"| {sd_db} | {n} | {100 * rates['healthy']:.1f} | "
                f"{100 * rates['healthy doubtful']:.1f} | " + " | ".join(cells) + " |\n"
            )
            out.flush()


def print_power(out: Any, n_baselines: int, kindred: int) -> None:
    for name, faults in STEPS.items():
        out.write(f"\n| n, {name} | " + " | ".join(describe(fault) for fault in faults) + " |\n")
        out.write("|" + "---|" * (1 + len(faults)) + "\n")
        for n in SIZES:
            study = Study(make_populations(), n, seed=77 + n, kindred=kindred)
            rates = study.rates(faults, n_baselines)
            cells = [
                f"{100 * whole:.0f} ({100 * alone:.0f})"
                for whole, alone in zip(rates["found"], rates["exact"], strict=True)
            ]
            out.write(f"| {n} | " + " | ".join(cells) + " |\n")
            out.flush()


def describe(fault: Fault) -> str:
    if fault.thd_factor != 1.0:
        return f"x{fault.thd_factor:g}"
    return f"{max(fault.level_db, fault.dip_db, fault.noise_db):g} dB"


def print_robustness(out: Any, n_baselines: int) -> None:
    out.write(
        "\n| population (sd 1 dB), healthy sets outside of 100 | "
        + " | ".join(f"n = {n}" for n in SIZES)
    )
    out.write(" |\n|---|" + "---|" * len(SIZES) + "\n")
    for name, changes in ROBUSTNESS.items():
        cells = []
        for n in SIZES:
            study = Study(make_populations(**changes), n, seed=500 + n)
            cells.append(f"{100 * study.rates([], n_baselines)['healthy']:.1f}")
        out.write(f"| {name} | " + " | ".join(cells) + " |\n")
        out.flush()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--baselines", type=int, default=400)
    parser.add_argument("--kindred", type=int, default=0, help="kindred types to borrow from")
    parser.add_argument("--only", choices=("rates", "power", "robustness"))
    chosen = parser.parse_args()
    parts = {
        "rates": lambda: print_rates(sys.stdout, chosen.baselines, chosen.kindred),
        "power": lambda: print_power(sys.stdout, chosen.baselines, chosen.kindred),
        "robustness": lambda: print_robustness(sys.stdout, chosen.baselines),
    }
    for name, run in parts.items():
        if chosen.only in (None, name):
            run()


if __name__ == "__main__":
    main()
