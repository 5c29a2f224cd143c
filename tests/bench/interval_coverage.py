# mypy: disable-error-code="union-attr,var-annotated"
"""
Do the 95 % intervals hold the true value in 95 of 100? Printed for plants of known answer.

    python tests/bench/interval_coverage.py [SEEDS]

Response points, band levels, THD, noise levels, level steps (output, THD, both losses of gain),
four-tone products and SINAD; each share is over all seeds and points.
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

COLUMNS = ("response", "bands", "THD", "noise", "steps", "products", "SINAD")
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


def true_products_db(plant: Any) -> Any:
    """Second and third order re the tones: sums of the polynomial's own lines (closed form)."""
    low, high, each = (857.0, 863.0), (1372.0, 1388.0), AMPLITUDE / 2

    def power(lines: Any) -> Any:
        return sum((size * abs(plant.response(np.array(hz)))) ** 2 for hz, size in lines)

    gain = 1 + 5.25 * plant.cube * each**2
    tones = power([(hz, gain * each) for hz in (*low, *high)])
    size = plant.square * each**2
    second = power([(b + sign * a, size) for a in low for b in high for sign in (-1, 1)]) / 2
    size = plant.cube * each**3
    third = [(2 * b - a, 0.75 * size) for a in low for b in high]
    third += [(sum(high) - a, 1.5 * size) for a in low]
    with np.errstate(divide="ignore"):
        return 10 * np.log10(np.array([second, power(third)]) / tones)


def true_sinad_db(plant: Any, noise_dbfs: float) -> Any:
    """Harmonics inside the voice band and idle noise against all of it."""
    signal = AMPLITUDE**2 * 10 ** (plant.true_response_db(1000.0, AMPLITUDE) / 10)
    harmonics = sum(plant.true_harmonic_ratio(m, 1000.0, AMPLITUDE) ** 2 for m in (2, 3))
    rest = signal * harmonics + 10 ** (noise_dbfs / 10)
    return 10 * np.log10((signal + rest) / rest)


def assess_tones(plant: Any, found: Any, noise_dbfs: float) -> dict[str, list[Any]]:
    """Shares of steps, products and SINAD inside their intervals in one measurement."""
    steps, tones = found.linearity, found.intermodulation
    amplitude = AMPLITUDE * 10 ** (steps.input_db / 20)
    gain_db = np.array([plant.true_response_db(1000.0, one) for one in amplitude])
    thd = np.array([plant.true_thd_percent(1000.0, one) for one in amplitude])
    inside = list(
        np.abs(steps.output_db - 20 * np.log10(amplitude) - gain_db) <= steps.output_uncertainty_db
    )
    error = np.abs(steps.thd_percent - thd)
    inside += list((error <= steps.thd_uncertainty_percent)[np.isfinite(error)])
    at = np.interp([0.0, steps.input_db.max(), -20.0], steps.input_db, gain_db)
    for name, lost_db in (("compression", at[0] - at[1]), ("threshold", at[0] - at[2])):
        error = abs(getattr(steps, f"{name}_db") - lost_db)
        inside.append(error <= getattr(steps, f"{name}_uncertainty_db"))
    products = []
    for order, truth_db in zip((2, 3), true_products_db(plant), strict=True):
        if (value := getattr(tones, f"order{order}_db")) is not None and np.isfinite(truth_db):
            own = getattr(tones, f"order{order}_uncertainty_db")
            products.append(abs(value - truth_db) <= own)
    error = abs(found.sinad_db - true_sinad_db(plant, noise_dbfs))
    return {"steps": inside, "products": products, "SINAD": [error <= found.sinad_uncertainty_db]}


def assess(plant: Any, n_seeds: Any) -> Any:
    hits = {name: [] for name in COLUMNS}
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
            for name, inside in assess_tones(plant, found, noise_db["flat"]).items():
                hits[name].append(inside)
            for name, level_db in noise_db.items():
                error = getattr(found.noise, f"{name}_dbfs") - level_db
                hits["noise"].append([abs(error) <= getattr(found.noise, f"{name}_uncertainty_db")])
    return {
        name: f"{100 * np.mean(np.concatenate(one)):.1f}" if any(map(len, one)) else "-"
        for name, one in hits.items()
    }


def main() -> None:
    n_seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    sys.stdout.write(f"| plant | {' | '.join(COLUMNS)} |\n{'|---' * (len(COLUMNS) + 1)}|\n")
    for name, plant in PLANTS.items():
        shares = assess(plant, n_seeds)
        sys.stdout.write(f"| {name} | {' | '.join(shares.values())} |\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
