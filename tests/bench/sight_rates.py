"""
What a bench says that it can tell, held against benches of known unrest: `sight_rates.md`.

    python tests/bench/sight_rates.py [benches]

A bench's gain scatters from take to take with a known standard deviation. Of each bench twenty
takes give its smallest real change; six more, of which the last three are moved by so much or by
half as much again, say how often that is found.
"""

from __future__ import annotations

import dataclasses
import sys

import numpy as np

from voicecheck.measure import measure_recording
from voicecheck.programme import make_programme
from voicecheck.records import Conditions, Measurement
from voicecheck.records.measurement import RecordingInfo
from voicecheck.verdicts.benchsight import estimate_bench_sight
from voicecheck.workflow.selftest.knownplant import KnownPlant

SEED = 3
SCATTERS_DB = (0.0, 0.02, 0.1, 0.3)
N_TAKES = 20
SHARES = (1.0, 1.5)
BANDS = ("low_db", "mid_db", "high_db", "at_1khz_db")


def move(take: Measurement, gain_db: float, name: str) -> Measurement:
    """The same take with another gain and another name."""
    assert take.response is not None
    response = dataclasses.replace(take.response, level_db=take.response.level_db + gain_db)
    bands = dataclasses.replace(
        take.bands, **{band: getattr(take.bands, band) + gain_db for band in BANDS}
    )
    return take.replace(
        recording=RecordingInfo(sha256=name, rate_hz=48000),
        response=response,
        bands=bands,
        conditions=Conditions(path="loop"),
    )


def count(scatter_db: float, n_benches: int, take: Measurement) -> str:
    """A row of the table."""
    rng = np.random.default_rng(SEED)
    n_false = n_compared = 0
    changes, found = [], dict.fromkeys(SHARES, 0)
    for bench in range(n_benches):
        gains = scatter_db * rng.standard_normal(N_TAKES)
        sight = estimate_bench_sight(
            [move(take, gain, f"{bench}-{k}") for k, gain in enumerate(gains)]
        )
        n_false, n_compared = n_false + sight.n_false, n_compared + sight.n_comparisons
        assert sight.level_change_db is not None
        changes.append(sight.level_change_db)
        for share in SHARES:
            gains = scatter_db * rng.standard_normal(6)
            gains[3:] += share * sight.level_change_db
            moved = [move(take, gain, f"{bench}-{share}-{k}") for k, gain in enumerate(gains)]
            found[share] += estimate_bench_sight(moved).n_false
    shares = " | ".join(f"{found[share]} of {n_benches}" for share in SHARES)
    middle = float(np.median(changes))
    return f"| {scatter_db:g} dB | {middle:.3f} dB | {n_false} of {n_compared} | {shares} |"


def main() -> None:
    """Print the table."""
    n_benches = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    plant = KnownPlant(square=0.0, cube=0.0)
    take = measure_recording(make_programme(), plant.record(make_programme()))
    head = ("scatter of a take", "smallest real change", "called changed, untouched",
            "found at it", "found at 1.5 times")  # fmt: skip
    rows = [f"| {' | '.join(head)} |", "|---|---|---|---|---|"]
    rows += [count(scatter_db, n_benches, take) for scatter_db in SCATTERS_DB]
    sys.stdout.write("\n".join(rows) + "\n")


if __name__ == "__main__":
    main()
