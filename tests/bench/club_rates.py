"""
How often a healthy set is called where baselines come from other benches, or from one set alone.

    python tests/bench/club_rates.py [--draws 150]

Sets of `tests/set_population` with a standard deviation of 1 dB, two seats, transmit. Benches
differ by a level of their own, normal with the deviation of the column; 1 dB is what the program
takes where it cannot know. The last row is of one reference set, which calls nothing outside: the
share called doubtful.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench_sets import build_on_bench, take_on_bench

from voicecheck.records import Baseline, Run
from voicecheck.verdicts import compare_to_baseline
from voicecheck.verdicts.clubs import merge_baselines
from voicecheck.verdicts.oneset import compare_to_one

BENCH_DB = (0.4, 1.0, 2.0)
OWN, CLUBS, ONE_CLUB = "own 3 and three clubs of 5", "three clubs of 5 alone", "one club of 5 alone"
LOST = "own 3 and three clubs, level loss of 4 dB"
ALONE = "own 3 alone, level loss of 4 dB"
ONE_SET = "one reference set, doubtful"


def weaken(random: np.random.Generator, offset_db: float) -> Run:
    """A set that is 4 dB weak."""
    return take_on_bench(random, offset_db - 4.0, 99, "bench 0")


def is_outside(run: Run, baseline: Baseline) -> bool:
    found = compare_to_baseline({"transmit": run}, {"transmit": baseline}, job=None, stage="after")
    return found.overall == "outside"


def rate(bench_db: float, n: int) -> dict[str, float]:
    """Share called, by row."""
    random, called = np.random.default_rng(14), Counter[str]()
    for _ in range(n):
        offsets_db = random.normal(0.0, bench_db, 4)
        parts = [
            build_on_bench(random, size, float(offset_db), f"bench {k}")
            for k, (size, offset_db) in enumerate(zip((3, 5, 5, 5), offsets_db, strict=True))
        ]
        others = {f"club {k}": one for k, one in enumerate(parts[1:])}
        merged = merge_baselines(parts[0], others)
        run = take_on_bench(random, float(offsets_db[0]), 99, "bench 0")
        called[OWN] += is_outside(run, merged)
        called[CLUBS] += is_outside(run, merge_baselines(None, others))
        called[ONE_CLUB] += is_outside(run, merge_baselines(None, {"club": parts[1]}))
        weak = weaken(random, float(offsets_db[0]))
        called[LOST] += is_outside(weak, merged)
        called[ALONE] += is_outside(weak, parts[0])
        reference = {"transmit": take_on_bench(random, float(offsets_db[0]), 1, "bench 0")}
        findings = compare_to_one({"transmit": run}, reference, type_name="X", stage="after")
        called[ONE_SET] += any(one.verdict == "doubtful" for one in findings)
    return {name: 100.0 * called[name] / n for name in (OWN, CLUBS, ONE_CLUB, LOST, ALONE, ONE_SET)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=150)
    n = parser.parse_args().draws
    columns = [rate(bench_db, n) for bench_db in BENCH_DB]
    heads = [f"benches differ by {bench_db:g} dB" for bench_db in BENCH_DB]
    sys.stdout.write("| of 100 | " + " | ".join(heads) + " |\n|" + "---|" * 4 + "\n")
    for name in columns[0]:
        cells = [f"{column[name]:.1f}" for column in columns]
        sys.stdout.write(f"| {name} | " + " | ".join(cells) + " |\n")


if __name__ == "__main__":
    main()
