# mypy: disable-error-code="union-attr,var-annotated"
"""
Do the 95 % intervals hold the true value in 95 of 100? Printed for plants of known answer.

    python tests/bench/interval_coverage.py [SEEDS]

Response points, band levels, THD and noise levels; each share is over all seeds and points.
"""

import dataclasses
import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from accuracy import PLANTS
from helpers import AMPLITUDE, default_programme, record

from voicecheck.measure import measure_recording
from voicecheck.weighting import weigh_c_message_db, weigh_psophometric_db

BANDS_HZ = {"low": (200, 500), "mid": (500, 2000), "high": (2000, 3400)}


def true_band_db(plant: Any, points_hz: Any, edges: Any) -> Any:
    inside = points_hz[(points_hz >= edges[0]) & (points_hz <= edges[1])]
    level_db = plant.true_response_db(inside, AMPLITUDE)
    return 10 * np.log10(np.mean(10 ** (level_db / 10)))


def true_noise_db(plant: Any) -> Any:
    """Flat, psophometric and C-message levels of white noise and the plant's own mains lines."""
    bins_hz = np.arange(0.5, 24000)
    lines_hz = plant.mains_hz * np.arange(1, 6)
    lines = np.array([1.0, 0.5, 0.7, 0.2, 0.4])
    lines = 10 ** ((plant.mains_dbfs or -300) / 10) * lines**2 / np.sum(lines**2)
    found = {}
    for name, weigh in (
        ("flat", lambda f: np.where((f >= 200) & (f <= 4000), 0.0, -300.0)),
        ("psophometric", weigh_psophometric_db),
        ("c_message", weigh_c_message_db),
    ):
        white = 10 ** (plant.noise_dbfs / 10) * np.mean(10 ** (weigh(bins_hz) / 10))
        found[name] = 10 * np.log10(white + np.sum(lines * 10 ** (weigh(lines_hz) / 10)))
    return found


def assess(plant: Any, n_seeds: Any) -> Any:
    hits = {"response": [], "bands": [], "THD": [], "noise": []}
    noise_db = true_noise_db(plant)
    for seed in range(1, n_seeds + 1):
        seeded = dataclasses.replace(plant, seed=seed)
        found = measure_recording(default_programme(), record(seeded))
        response, distortion = found.response, found.distortion
        error = response.level_db - plant.true_response_db(response.frequency_hz, AMPLITUDE)
        hits["response"].append(np.abs(error) <= response.uncertainty_db)
        for name, edges in BANDS_HZ.items():
            error = getattr(found.bands, f"{name}_db") - true_band_db(
                plant, response.frequency_hz, edges
            )
            hits["bands"].append([abs(error) <= getattr(found.bands, f"{name}_uncertainty_db")])
        error = distortion.thd_percent - plant.true_thd_percent(distortion.frequency_hz, AMPLITUDE)
        inside = np.abs(error) <= distortion.thd_uncertainty_percent
        hits["THD"].append(inside[np.isfinite(error)])
        if plant.frying_per_s == 0:
            for name, level_db in noise_db.items():
                error = getattr(found.noise, f"{name}_dbfs") - level_db
                hits["noise"].append([abs(error) <= getattr(found.noise, f"{name}_uncertainty_db")])
    return {
        name: f"{100 * np.mean(np.concatenate(one)):.1f}" if one else "-"
        for name, one in hits.items()
    }


def main() -> None:
    n_seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    sys.stdout.write("| plant | response | bands | THD | noise |\n|---|---|---|---|---|\n")
    for name, plant in PLANTS.items():
        shares = assess(plant, n_seeds)
        sys.stdout.write(f"| {name} | {' | '.join(shares.values())} |\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
