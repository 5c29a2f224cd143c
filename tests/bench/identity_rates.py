# mypy: disable-error-code="var-annotated"
"""
Carbon or electronic? How often the identity test is right on random simulated elements.

    python tests/bench/identity_rates.py [ELEMENTS]

Each element is swept at three conditionings, at two other feed currents and tilted; half of them
are carbon (healthy, aged, packed or worn), half electret or moving-coil.
"""

import collections
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from voicecheck.bench.simulated import SimulatedBench
from voicecheck.measure import measure_recording
from voicecheck.programme import RECIPES, make_programme
from voicecheck.verdicts import identify_element, pool_run

CARBON = ("carbon", "carbon", "carbon+aged", "carbon+packed", "carbon+worn")
ELECTRONIC = ("electret", "moving-coil")


def try_one(seed: Any) -> Any:
    rng = np.random.default_rng(seed)
    is_carbon = seed % 2 == 0
    handset = str(rng.choice(CARBON if is_carbon else ELECTRONIC))
    programme = make_programme(RECIPES["quick"])

    def sweep(stage: Any, n_seats: Any, **options: Any) -> Any:
        bench = SimulatedBench(handset, seed=seed, **options)
        found = [
            measure_recording(programme, bench.play_and_record(programme, seat=seat))
            for seat in range(1, n_seats + 1)
        ]
        return pool_run(found, job=None, path="transmit", stage=stage)

    run = sweep("fitted", 3)
    series = [
        sweep("25 mA", 1, feed_ma=25.0),
        sweep("55 mA", 1, feed_ma=55.0),
        sweep("tilted", 1, angle_deg=60.0),
    ]
    alone = identify_element(run).kind
    return (
        handset,
        "carbon" if is_carbon else "electronic",
        identify_element(run, series).kind,
        alone,
    )


def main() -> None:
    n_elements = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    with ProcessPoolExecutor(len(os.sched_getaffinity(0))) as pool:
        results = list(pool.map(try_one, range(n_elements), chunksize=5))
    for title, column in (("level, position and current", 2), ("level alone", 3)):
        counts = collections.Counter()
        by_handset = collections.defaultdict(collections.Counter)
        for result in results:
            outcome = "not clear" if result[column] == "not clear" else (
                "right" if result[column] == result[1] else "wrong"
            )  # fmt: skip
            counts[outcome] += 1
            by_handset[result[0]][outcome] += 1
        sys.stdout.write(f"{title}: {dict(counts)} of {n_elements}\n")
        for handset, found in sorted(by_handset.items()):
            sys.stdout.write(f"  {handset}: {dict(found)}\n")


if __name__ == "__main__":
    main()
