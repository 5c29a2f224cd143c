# mypy: disable-error-code="union-attr"
"""
Quick, default and careful programme: length, and half-widths of their 95 % intervals, measured.

    python tests/bench/kinds.py [SEEDS]

For the carbon-like plant at three noise levels: median stated half-width of a response point, and
the error found (twice its rms) beside it.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from helpers import AMPLITUDE, record, rms
from known_plant import KnownPlant

from voicecheck.measure import measure_recording
from voicecheck.programme import RECIPES, make_programme


def main() -> None:
    n_seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    out = sys.stdout
    out.write(
        "| programme | length s | noise -38 dBFS | -53 dBFS | -73 dBFS |\n|---|---|---|---|---|\n"
    )
    for kind in ("quick", "default", "careful"):
        programme = make_programme(RECIPES[kind])
        cells = []
        for noise_dbfs in (-38.0, -53.0, -73.0):
            stated, errors = [], []
            for seed in range(n_seeds):
                plant = KnownPlant(square=0.8, cube=0.3, noise_dbfs=noise_dbfs, seed=seed)
                response = measure_recording(programme, record(plant, programme)).response
                truth = plant.true_response_db(response.frequency_hz, AMPLITUDE)
                stated.append(np.median(response.uncertainty_db))
                errors.append(response.level_db - truth)
            cells.append(f"{np.mean(stated):.4f} ({2 * rms(errors):.4f})")
        out.write(f"| {kind} | {programme.duration_s:.1f} | {' | '.join(cells)} |\n")
        out.flush()


if __name__ == "__main__":
    main()
