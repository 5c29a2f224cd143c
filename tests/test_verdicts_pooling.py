# mypy: disable-error-code="arg-type,type-var,union-attr"
"""Pooling: what is averaged how, what is withheld, what the spread and the uncertainty are."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from set_population import FREQUENCY_HZ, Population, draw_set, measure_set

from voicecheck.errors import InputError, RecordingError
from voicecheck.records import Bands, CurveBudgetRow, Measurement, Problem, Response
from voicecheck.verdicts import pool_run
from voicecheck.verdicts.poolparts import pool_distortion

POPULATION = Population()


def make_measurements(n_seats: int = 3, seed: int = 5) -> list[Measurement]:
    random = np.random.default_rng(seed)
    return measure_set(POPULATION, draw_set(POPULATION, random), random, n_seats)


def with_response(measurement: Measurement, **changes: object) -> Measurement:
    assert measurement.response is not None
    return measurement.replace(response=dataclasses.replace(measurement.response, **changes))


def pool(measurements: list[Measurement]) -> Any:
    return pool_run(measurements, job=1, path="transmit", stage="before")


def test_level_is_the_mean_of_decibels_and_spread_the_sample_deviation() -> None:
    seats = make_measurements()
    run = pool(seats)
    levels = np.vstack([seat.response.level_db for seat in seats])
    np.testing.assert_allclose(run.pooled.response.level_db, levels.sum(axis=0) / 3, atol=1e-12)
    by_hand = np.sqrt(((levels - levels.mean(axis=0)) ** 2).sum(axis=0) / 2)
    np.testing.assert_allclose(run.seat_sd_db, by_hand, atol=1e-12)
    assert run.level_sd_db == pytest.approx(np.std(levels.mean(axis=1), ddof=1), abs=1e-9)


def test_pooling_equal_recordings_changes_nothing_and_has_no_spread() -> None:
    seat = make_measurements(1)[0]
    run = pool([seat, seat, seat])
    np.testing.assert_allclose(run.pooled.response.level_db, seat.response.level_db, atol=1e-12)
    np.testing.assert_allclose(run.seat_sd_db, 0.0, atol=1e-12)
    assert run.pooled.bands.mid_db == pytest.approx(seat.bands.mid_db)
    np.testing.assert_allclose(run.pooled.distortion.thd_percent, seat.distortion.thd_percent)


def test_one_recording_says_that_the_spread_is_not_known() -> None:
    run = pool(make_measurements(1))
    assert np.all(np.isnan(run.seat_sd_db))
    assert run.level_sd_db is None
    assert any("not known" in step for step in run.pooled.steps)
    assert np.all(np.isfinite(run.pooled.response.uncertainty_db))


def test_point_withheld_in_one_of_three_uses_the_others_and_in_two_is_withheld() -> None:
    seats = make_measurements()
    levels = [seat.response.level_db.copy() for seat in seats]
    levels[0][4] = np.nan
    levels[0][9] = levels[1][9] = np.nan
    run = pool(
        [with_response(seat, level_db=level) for seat, level in zip(seats, levels, strict=True)]
    )
    pooled = run.pooled.response
    assert pooled.level_db[4] == pytest.approx((levels[1][4] + levels[2][4]) / 2)
    assert np.isnan(pooled.level_db[9])
    assert np.isnan(pooled.uncertainty_db[9])
    assert np.sum(np.isnan(pooled.level_db)) == 1


def test_uncertainty_of_three_seats_is_the_student_interval_of_their_mean() -> None:
    """
    JCGM 100:2008 table G.2: t at 2 degrees of freedom for 95 % is 4.30.

    Recording noise is set to nothing here, so that the seats alone count.
    """
    seats = [
        with_response(seat, uncertainty_db=np.zeros(len(FREQUENCY_HZ)))
        for seat in make_measurements()
    ]
    run = pool(seats)
    expected = 4.303 * run.seat_sd_db / np.sqrt(3)
    np.testing.assert_allclose(run.pooled.response.uncertainty_db, expected, rtol=1e-3)
    np.testing.assert_allclose(run.pooled.response.seat_uncertainty_db, expected, rtol=1e-3)


def test_calibration_does_not_average_down_with_seats() -> None:
    shared = np.full(len(FREQUENCY_HZ), 0.5)
    seat = with_response(
        make_measurements(1)[0],
        calibration_uncertainty_db=shared,
        noise_uncertainty_db=np.zeros(len(FREQUENCY_HZ)),
    )
    run = pool([seat] * 4)
    np.testing.assert_allclose(run.pooled.response.uncertainty_db, 0.5, rtol=1e-6)


def test_interval_of_a_pooled_level_covers_the_truth_as_often_as_it_says() -> None:
    """Share of true values inside the 95 % interval over 400 runs: 93 to 97.5 of 100."""
    random = np.random.default_rng(11)
    inside = []
    for _ in range(400):
        drawn = draw_set(POPULATION, random)
        run = pool(measure_set(POPULATION, drawn, random))
        error = np.abs(run.pooled.response.level_db - drawn.curve_db)
        inside.append(error[26] <= run.pooled.response.uncertainty_db[26])
    assert 0.925 <= np.mean(inside) <= 0.98


def test_unusable_recordings_are_kept_but_not_pooled() -> None:
    good = make_measurements(2)
    problem = Problem(kind="no-signal", message="silent", effect="nothing measured")
    bad = dataclasses.replace(good[0], response=None, problems=(problem,))
    run = pool([*good, bad])
    assert len(run.recordings) == 3
    assert run.pooled.problems == (problem,)
    np.testing.assert_allclose(run.pooled.response.level_db, pool(good).pooled.response.level_db)


def test_nothing_usable_is_a_recording_error_with_its_kind() -> None:
    problem = Problem(kind="no-signal", message="silent")
    bad = dataclasses.replace(make_measurements(1)[0], response=None, problems=(problem,))
    with pytest.raises(RecordingError) as caught:
        pool([bad])
    assert caught.value.kind == "no-signal"


def test_units_are_never_mixed() -> None:
    first, second = make_measurements(2)
    with pytest.raises(InputError, match="one unit"):
        pool([first, with_response(second, unit="dB relative")])


def test_problems_are_joined_without_repeats() -> None:
    problem = Problem(kind="mains", at_s=0.1, message="hum at 50 Hz", effect="none")
    again = dataclasses.replace(problem, at_s=0.2)
    first, second = make_measurements(2)
    seats = [first.replace(problems=(problem,)), second.replace(problems=(again,))]
    assert pool(seats).pooled.problems == (problem,)


def test_conditions_that_differ_are_not_stated() -> None:
    first, second = make_measurements(2)
    second = second.replace(conditions=second.conditions.replace(feed_ma=20.0))
    conditions = pool([first, second]).pooled.conditions
    assert conditions.feed_ma is None
    assert conditions.mouth_mm == 25.0
    assert isinstance(first.response, Response)


def test_uncertainty_of_a_band_adds_its_seats_to_what_one_recording_states() -> None:
    """
    Three seats at 0.0, 0.6 and -0.6 dB, each known to 0.2 dB.

    By hand after JCGM 100:2008, G.2b: 0.6 / sqrt(3) = 0.3464 with 2 degrees of freedom and 0.2 /
    1.96 = 0.1020 with many make 0.3611 with 2 (0.3611 / 0.3464)^4 = 2.362, whose t is 3.728:
    1.3464 dB.
    """
    seats = [
        seat.replace(bands=Bands(mid_db=mid, mid_uncertainty_db=0.2))
        for seat, mid in zip(make_measurements(), (0.0, 0.6, -0.6), strict=True)
    ]
    bands = pool(seats).pooled.bands
    assert bands.mid_db == pytest.approx(0.0, abs=1e-12)
    assert bands.mid_uncertainty_db == pytest.approx(1.3464, abs=1e-3)
    assert bands.low_uncertainty_db is None


def test_thd_is_pooled_by_its_logarithm_and_less_than_stays_a_bound() -> None:
    seats = make_measurements(2)
    shape = seats[0].distortion.thd_percent.shape
    hidden = np.full(shape, np.nan)
    values = [np.full(shape, 2.0), np.full(shape, 8.0)]
    for thd in values:
        thd[3] = np.nan
    below = [np.where(np.arange(shape[0]) == 3, bound, hidden) for bound in (0.5, 0.7)]
    pooled = pool(
        [
            seat.replace(
                distortion=dataclasses.replace(
                    seat.distortion, thd_percent=thd, thd_below_percent=bound
                )
            )
            for seat, thd, bound in zip(seats, values, below, strict=True)
        ]
    ).pooled.distortion
    assert pooled.thd_percent[0] == pytest.approx(4.0)
    assert np.isnan(pooled.thd_percent[3])
    assert pooled.thd_below_percent[3] == pytest.approx(0.7)
    assert np.isnan(pooled.thd_below_percent[0])


def test_step_ladders_are_pooled_frequency_by_frequency() -> None:
    seats = make_measurements(2)
    ladders = [
        seat.replace(ladders=(dataclasses.replace(seat.linearity, output_db=output),))
        for seat, output in zip(seats, (np.zeros(7), np.full(7, 2.0)), strict=True)
    ]
    np.testing.assert_allclose(pool(ladders).pooled.ladders[0].output_db, 1.0)
    assert pool([ladders[0], seats[1]]).pooled.ladders == ()


def test_the_interval_of_a_pooled_thd_holds_the_spread_of_its_seats() -> None:
    """
    THD of three seats drawn about 2 % (log-normal, sd 15 %), each known to 0.02 %.

    The mean of their logarithms is known to t(2) 0.15 / sqrt(3); at least 90 of 100 of 200 draws
    hold the truth, where the seats' own intervals alone hold it in some 10.
    """
    rng = np.random.default_rng(4)
    seats = make_measurements()[:3]
    inside = []
    for _ in range(200):
        drawn = []
        for seat in seats:
            part = seat.distortion
            thd = np.full_like(part.thd_percent, 2.0 * np.exp(0.15 * rng.standard_normal()))
            row = CurveBudgetRow(name="noise", half_width=np.full_like(thd, 0.02))
            drawn.append(
                dataclasses.replace(
                    part, thd_percent=thd, thd_uncertainty_percent=row.half_width, budget=(row,)
                )
            )
        pooled = pool_distortion(drawn)
        assert pooled is not None
        assert [row.name for row in pooled.budget] == ["noise", "seats"]
        inside.append(abs(pooled.thd_percent[0] - 2.0) <= pooled.thd_uncertainty_percent[0])
    assert 0.90 <= np.mean(inside) <= 0.99
