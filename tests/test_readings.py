"""Single numbers read out of a measurement, as they stand in a baseline of such measurements."""

import dataclasses
from typing import Any

import numpy as np
import pytest
from set_population import FREQUENCY_HZ, Population, draw_set, measure_set

from voicecheck.verdicts import build_baseline, pool_run

POPULATION = Population()
H2_DB, H3_DB, H5_DB = (-18.25, -19.5, -17.75), (-31.5, -35.25, -29.0), (-52.0, -51.0, -56.5)
HIGH_DB, LOW_DB = (-20.5, -19.0, -23.25), (-26.0, -21.25, -24.0)
COMPRESSION_DB, THRESHOLD_DB = (2.25, 1.5, 3.0), (0.75, 4.5, 1.0)
PEAK_AT = (40, 33, 47)


def make_run(which: Any) -> Any:
    """One set whose figures are those above; everywhere but at 500 Hz its harmonics are others."""
    random = np.random.default_rng(61 + which)
    drawn = draw_set(POPULATION, random)
    return pool_run(
        [give_figures(seat, which) for seat in measure_set(POPULATION, drawn, random)],
        job=which,
        path="transmit",
        stage="reference",
    )


def give_figures(seat: Any, which: Any) -> Any:
    near_500 = np.argmin(np.abs(np.log2(FREQUENCY_HZ / 500.0)))
    harmonic_db = np.full((4, len(FREQUENCY_HZ)), -10.0)
    harmonic_db[:, near_500] = (H2_DB[which], H3_DB[which], -40.0, H5_DB[which])
    level_db = np.full(len(FREQUENCY_HZ), -25.0)
    level_db[PEAK_AT[which]] = -15.0
    return dataclasses.replace(
        seat,
        response=dataclasses.replace(seat.response, level_db=level_db),
        bands=dataclasses.replace(seat.bands, high_db=HIGH_DB[which], low_db=LOW_DB[which]),
        distortion=dataclasses.replace(seat.distortion, harmonic_db=harmonic_db),
        linearity=dataclasses.replace(
            seat.linearity,
            compression_db=COMPRESSION_DB[which],
            threshold_db=THRESHOLD_DB[which],
        ),
    )


@pytest.mark.parametrize(
    ("quantity", "values"),
    [
        ("h2_500_db", H2_DB),
        ("h3_500_db", H3_DB),
        ("h5_500_db", H5_DB),
        ("h2_over_h3_db", np.subtract(H2_DB, H3_DB)),
        ("high_over_low_db", np.subtract(HIGH_DB, LOW_DB)),
        ("compression_db", COMPRESSION_DB),
        ("threshold_db", THRESHOLD_DB),
    ],
)
def test_a_baseline_holds_the_figures_of_its_sets(quantity: str, values: Any) -> None:
    """Mean and standard deviation of three sets whose figures are given; textbook formulas."""
    found = find_quantity(quantity)
    assert found.mean == pytest.approx(np.mean(values), abs=1e-9)
    assert found.sd == pytest.approx(np.std(values, ddof=1), abs=1e-9)


def test_the_frequency_of_the_peak_is_averaged_on_a_log_scale() -> None:
    peaks_hz = FREQUENCY_HZ[list(PEAK_AT)]
    found = find_quantity("peak_hz")
    assert found.mean == pytest.approx(np.exp(np.mean(np.log(peaks_hz))), rel=1e-9)


def find_quantity(name: Any) -> Any:
    runs = [make_run(which) for which in range(3)]
    baseline = build_baseline(runs, type_name="Hillview 2", path="transmit")
    return next(one for one in baseline.quantities if one.quantity == name)
