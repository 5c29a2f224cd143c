# mypy: disable-error-code="arg-type,assignment,operator,union-attr"
"""
Accuracy of the analysis on plants of known answer, printed as a table.

    python tests/bench/accuracy.py [SEEDS]

Errors in dB rms and maximum over the 52 points of 200-4000 Hz and all seeds, the share of points
inside their own 95 % interval, and the largest relative error of THD at 315, 500 and 1000 Hz.
"""

import dataclasses
import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from helpers import AMPLITUDE, default_programme, record, response_error_db
from known_plant import KnownPlant, resonant_receiver

from voicecheck.measure import measure_recording

CARBON = KnownPlant(square=0.8, cube=0.3, noise_dbfs=-73.0)
RECEIVER = KnownPlant(response=resonant_receiver, square=0.1, noise_dbfs=-80.0)
DELAYED = {"latency_s": 0.1373, "drift_ppm": 100.0}
PLANTS = {
    "carbon-like, 60 dB": CARBON,
    "carbon-like, 100 ppm, 137.3 ms": dataclasses.replace(CARBON, **DELAYED),
    "resonant receiver, 60 dB": RECEIVER,
    "receiver, 100 ppm, 137.3 ms": dataclasses.replace(RECEIVER, **DELAYED),
    "weak, 25 dB, mains -29 dB": KnownPlant(
        square=0.8, cube=0.3, noise_dbfs=-38.0, mains_dbfs=-29.0
    ),
    "frying, 20 bursts a second": KnownPlant(
        square=0.8, cube=0.3, noise_dbfs=-70.0, frying_per_s=20.0
    ),
}
LADDER_HZ = (315.0, 500.0, 1000.0)


def assess(plant: Any, n_seeds: Any) -> Any:
    errors, inside, thd, drift = [], [], [], []
    for seed in range(1, n_seeds + 1):
        seeded = dataclasses.replace(plant, seed=seed)
        measurement = measure_recording(default_programme(), record(seeded))
        errors.append(response_error_db(measurement, seeded))
        inside.append(np.abs(errors[-1]) <= measurement.response.uncertainty_db)
        distortion = measurement.distortion
        at = [int(np.flatnonzero(distortion.frequency_hz == f)[0]) for f in LADDER_HZ]
        true = seeded.true_thd_percent(np.array(LADDER_HZ), AMPLITUDE)
        thd.append(distortion.thd_percent[at] / true - 1)
        drift.append(measurement.timing.drift_ppm - seeded.drift_ppm)
    errors = np.array(errors)
    return (
        f"{np.sqrt(np.nanmean(errors**2)):.5f} | {np.nanmax(np.abs(errors)):.4f} | "
        f"{100 * np.mean(inside):.1f} | {100 * np.nanmax(np.abs(thd)):.2f} | "
        f"{np.max(np.abs(drift)):.4f}"
    )


def main() -> None:
    n_seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    sys.stdout.write("| plant | rms dB | max dB | inside % | THD % of true | drift ppm |\n")
    sys.stdout.write("|---|---|---|---|---|---|\n")
    for name, plant in PLANTS.items():
        sys.stdout.write(f"| {name} | {assess(plant, n_seeds)} |\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
