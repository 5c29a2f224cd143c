# mypy: disable-error-code="index,union-attr,var-annotated"
"""
Would a parametric model of the handset do better than windows? Tried, and not kept.

    python tests/bench/parametric.py [SEEDS]

A rational function of s is fitted to the measured transfer function by iterated least squares
(Sanathanan and Koerner, IEEE Trans. Autom. Control 8(1), 1963), weighted by the noise, its order
chosen by the Akaike criterion. Errors in dB rms and the share of points inside the interval that
follows from the parameters' covariance, for two plants that are rational functions themselves and
one (a weak comb of reflections) that is not.
"""

import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from helpers import AMPLITUDE, default_programme, record, rms
from known_plant import KnownPlant, carbon_like, resonant_receiver

from voicecheck.measure import measure_recording

ORDERS = (2, 3, 4, 5, 6, 8)


def reflecting(frequency_hz: Any) -> Any:
    """The carbon-like plant with two weak echoes, as from a jig: no rational function."""
    frequency_hz = np.asarray(frequency_hz, float)
    echo = 0.05 * np.exp(-2j * np.pi * frequency_hz * 0.0011)
    echo = echo + 0.03 * np.exp(-2j * np.pi * frequency_hz * 0.0023)
    return carbon_like(frequency_hz) * (1 + echo)


def fit(frequency_hz: Any, values: Any, sigma: Any, order: Any) -> Any:
    """Coefficients of numerator and denominator, fitted values, their sd, and the misfit."""
    s = 1j * frequency_hz / 1000.0
    powers = s[:, None] ** np.arange(order + 1)
    denominator = np.ones(len(s), complex)
    for _ in range(12):
        weight = 1.0 / (sigma * np.abs(denominator))
        columns = np.hstack([powers, -values[:, None] * powers[:, 1:]]) * weight[:, None]
        target = values * weight
        real = np.vstack([columns.real, columns.imag])
        scale = np.linalg.norm(real, axis=0)
        found = np.linalg.lstsq(real / scale, np.hstack([target.real, target.imag]), rcond=None)[0]
        found = found / scale
        denominator = 1.0 + powers[:, 1:] @ found[order + 1 :]
    model = powers @ found[: order + 1] / denominator
    slopes = np.hstack([powers, -model[:, None] * powers[:, 1:]]) / denominator[:, None]
    jacobian = np.vstack([slopes.real, slopes.imag]) / np.hstack([sigma, sigma])[:, None]
    covariance = np.linalg.pinv(jacobian.T @ jacobian) / 2.0
    along = (slopes * np.conj(model)[:, None]).real / np.abs(model)[:, None]
    sd = np.sqrt(np.einsum("ij,jk,ik->i", along, covariance, along))
    misfit = float(np.sum(np.abs((values - model) / sigma) ** 2))
    return model, sd, misfit


def refine(measurement: Any) -> Any:
    """Level and 95 % half-width at the points from the best order."""
    response = measurement.response
    magnitude = 10 ** (response.level_db / 20)
    values = magnitude * np.exp(1j * response.phase_rad)
    sigma = magnitude * response.noise_uncertainty_db / 1.96 / 8.686 * np.sqrt(2)
    best = None
    for order in ORDERS:
        model, sd, misfit = fit(response.frequency_hz, values, sigma, order)
        score = 2 * misfit + 2 * (2 * order + 1)
        if best is None or score < best[0]:
            best = (score, model, sd)
    return 20 * np.log10(np.abs(best[1])), 1.96 * 8.686 * best[2] / np.abs(best[1])


def main() -> None:
    n_seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    out = sys.stdout
    out.write("| plant | noise dBFS | windows dB | inside % | model dB | inside % |\n")
    out.write("|---|---|---|---|---|---|\n")
    for plant in (carbon_like, resonant_receiver, reflecting):
        for noise_dbfs in (-38.0, -53.0):
            errors, inside = ([], []), ([], [])
            for seed in range(n_seeds):
                known = KnownPlant(response=plant, square=0.2, noise_dbfs=noise_dbfs, seed=seed)
                found = measure_recording(default_programme(), record(known))
                truth = known.true_response_db(found.response.frequency_hz, AMPLITUDE)
                refined = (found.response.level_db, found.response.uncertainty_db), refine(found)
                for index, (level_db, half_db) in enumerate(refined):
                    errors[index].append(level_db - truth)
                    inside[index].append(np.abs(level_db - truth) <= half_db)
            cells = [
                f"{rms(errors[index]):.4f} | {100 * np.mean(inside[index]):.1f}" for index in (0, 1)
            ]
            out.write(f"| {plant.__name__} | {noise_dbfs:.0f} | {' | '.join(cells)} |\n")
            out.flush()


if __name__ == "__main__":
    main()
