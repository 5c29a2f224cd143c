# mypy: disable-error-code="comparison-overlap,operator,union-attr"
"""Uncertainty budgets: rows made one interval, pooled, carried in documents."""

from __future__ import annotations

import numpy as np
import pytest
from documents import check_document
from helpers import measure
from known_plant import KnownPlant
from scipy import stats

from voicecheck import budgets
from voicecheck.records import (
    Bands,
    BudgetRow,
    CurveBudgetRow,
    Measurement,
    from_json,
    to_document,
    to_json,
)


@pytest.mark.parametrize("dof", [1.0, 1.3, 2.0, 4.7, 16.0, 80.0, 1e9])
def test_students_t_is_the_exact_quantile(dof: float) -> None:
    assert budgets.student_95(dof) == pytest.approx(stats.t.ppf(0.975, dof), rel=1e-6)


def test_rows_combine_with_their_degrees_of_freedom() -> None:
    """
    Standard uncertainties 25, 9.7, 2.9 and 16.6 with 18, 25.6, 50 and 2 degrees of freedom.

    By hand: root of 625 + 94.09 + 8.41 + 275.56 is 31.67; its fourth power over 21701 + 346 + 1 +
    37967 is 16.76 degrees of freedom, whose t is 2.112: 66.9. (JCGM 100:2008, equation G.2b.)
    """
    parts = ((25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0))
    rows = tuple(
        BudgetRow(name="noise", half_width=u * float(stats.t.ppf(0.975, dof)), dof=dof)
        for u, dof in parts
    )
    assert budgets.combine_rows(rows) == pytest.approx(66.9, abs=0.1)


def test_noise_averages_down_over_seats_and_calibration_does_not() -> None:
    one = (
        BudgetRow(name="noise", half_width=0.4, dof=8.0),
        BudgetRow(name="calibration", half_width=0.3, dof=5.0),
    )
    noise, calibration = budgets.pool_rows([one] * 4)
    assert (noise.half_width, noise.dof) == (pytest.approx(0.2), 32.0)
    assert (calibration.half_width, calibration.dof) == (pytest.approx(0.3), 5.0)


def test_a_point_that_one_seat_withholds_is_averaged_over_the_others() -> None:
    seats = [
        (CurveBudgetRow(name="noise", half_width=np.array(values)),)
        for values in ([0.4, 0.4], [0.4, np.nan], [np.nan, np.nan])
    ]
    (row,) = budgets.pool_curve_rows(seats)
    np.testing.assert_allclose(row.half_width, [0.4 / np.sqrt(2), 0.4])


def test_a_row_that_is_added_widens_the_interval_and_stands_in_the_budget() -> None:
    bands = budgets.add_row(Bands(mid_db=-6.0), "mid_db", BudgetRow(name="noise", half_width=0.3))
    wider = budgets.add_row(bands, "mid_db", BudgetRow(name="unsteadiness", half_width=0.4))
    assert wider.mid_uncertainty_db == pytest.approx(0.5)
    assert [row.name for row in wider.budget["mid_db"]] == ["noise", "unsteadiness"]
    assert budgets.add_row(bands, "low_db", wider.budget["mid_db"][0]) is bands


def test_the_rows_of_a_measurement_make_its_intervals() -> None:
    found = measure(KnownPlant(noise_dbfs=-60.0, square=0.02))
    np.testing.assert_allclose(
        budgets.combine_curve_rows(found.response.budget), found.response.uncertainty_db, rtol=1e-6
    )
    for record in (found.bands, found.noise):
        assert record.budget
        for figure, rows in record.budget.items():
            stated = getattr(record, budgets.uncertainty_name(figure))
            assert budgets.combine_rows(rows) == pytest.approx(stated, rel=1e-6), figure


def test_a_budget_goes_into_the_document_and_comes_back() -> None:
    found = measure(KnownPlant(noise_dbfs=-60.0, square=0.02))
    document = to_document(found)
    check_document(document)
    assert [row["name"] for row in document["response"]["budget"]] == ["noise"]
    assert document["bands"]["budget"]["mid_db"][0]["dof"] is None
    assert from_json(to_json(found), Measurement).same_as(found)


def test_a_document_without_budgets_is_read_as_before() -> None:
    document = to_document(measure(KnownPlant(noise_dbfs=-60.0, square=0.02)))
    for part in ("response", "bands", "loudness", "distortion", "noise"):
        del document[part]["budget"]
    read = from_json(to_json(document), Measurement)
    assert read.response.budget == ()
    assert read.bands.mid_uncertainty_db > 0.0
