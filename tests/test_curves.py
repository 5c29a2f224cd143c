# mypy: disable-error-code="union-attr"
"""What the page's figures are drawn from: entries, limits as on paper, seats, the live trace."""

import dataclasses
import json
import math
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from factories import FREQUENCY_HZ, SET_TYPE, make_baseline, make_run

from voicecheck.errors import InputError
from voicecheck.programme import RECIPES, make_programme
from voicecheck.records import Against, Comparison, Finding, Measurement, RecordingInfo
from voicecheck.workflow.books import open_book
from voicecheck.workflow.papers.pagecurves import (
    collect_curves,
    collect_type_curves,
    curve_of_measurement,
    trace_frequency_hz,
)


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Any]:
    with open_book(tmp_path) as book:
        book.add_type(SET_TYPE)
        book.open_job("hall set", SET_TYPE.name)
        yield book


def with_level(run: Any, level_db: Any) -> Any:
    """The same run with another curve."""
    response = dataclasses.replace(run.pooled.response, level_db=level_db)
    return dataclasses.replace(run, pooled=run.pooled.replace(response=response))


def test_a_job_without_runs_has_no_entry_and_an_unknown_job_is_refused(book: Any) -> None:
    assert collect_curves(book, 1) == {"job": 1, "paths": []}
    with pytest.raises(InputError):
        collect_curves(book, 2)


def test_entries_come_in_the_order_of_the_trade_and_runs_from_the_oldest_on(book: Any) -> None:
    for path, stage in (
        ("loop", "before"),
        ("receive", "before"),
        ("transmit", "before"),
        ("transmit", "before"),
        ("transmit", "after"),
    ):
        book.save_run(make_run(path, stage, job=1))
    found = collect_curves(book, 1)
    assert [entry["path"] for entry in found["paths"]] == ["transmit", "receive", "loop"]
    runs = found["paths"][0]["runs"]
    told = [(run["run"], run["stage"], run["is_latest"]) for run in runs]
    assert told == [(3, "before", False), (4, "before", True), (5, "after", True)]
    own = datetime(2031, 4, 2, 9, 30, tzinfo=UTC).astimezone()
    assert runs[0]["label"] == f"SIMULATED, as found, 3 seats, {own.day} {own:%b %Y, %H:%M}"


def test_values_are_those_of_the_book_and_withheld_points_are_null(book: Any) -> None:
    run = make_run("transmit", "after", job=1, withhold=slice(4, 6), n_recordings=1)
    book.save_run(dataclasses.replace(run, taken_utc=None))
    entry = json.loads(json.dumps(collect_curves(book, 1), allow_nan=False))["paths"][0]
    (told,) = entry["runs"]
    assert told["label"] == "SIMULATED, after the work, 1 seat"
    assert [i for i, level in enumerate(told["level_db"]) if level is None] == [4, 5]
    kept = [i for i in range(FREQUENCY_HZ.size) if i not in {4, 5}]
    np.testing.assert_allclose(entry["frequency_hz"], FREQUENCY_HZ, atol=6e-4)
    for name in ("level_db", "uncertainty_db"):
        wanted = getattr(run.pooled.response, name)[kept]
        np.testing.assert_allclose([told[name][i] for i in kept], wanted, atol=6e-4)


def test_another_unit_makes_an_entry_of_its_own(book: Any) -> None:
    book.save_run(make_run("transmit", "before", job=1))
    book.save_run(make_run("transmit", "after", job=1, unit="dB V/Pa"))
    entries = collect_curves(book, 1)["paths"]
    told = [(entry["path"], entry["unit"], len(entry["runs"])) for entry in entries]
    assert told == [("transmit", "dB relative", 1), ("transmit", "dB V/Pa", 1)]


def test_limits_in_the_runs_unit_lie_where_they_are(book: Any) -> None:
    baseline = make_baseline()
    book.save_baseline(baseline)
    book.save_run(make_run("transmit", "after", job=1))
    told = collect_curves(book, 1)["paths"][0]["baseline"]
    assert told["label"] == "Hillview 2, 8 sets"
    for name in ("low_db", "mean_db", "high_db"):
        np.testing.assert_allclose(told[name], getattr(baseline, name), atol=6e-4)


def test_limits_in_another_unit_are_moved_as_a_whole_onto_the_newest_run(book: Any) -> None:
    """A run that is the type's shape and 3.7 dB more must find the mean exactly on itself."""
    baseline = make_baseline(unit="dB V/Pa")
    book.save_baseline(baseline)
    run = with_level(make_run("transmit", "after", job=1), baseline.shape_mean_db + 3.7)
    book.save_run(make_run("transmit", "before", job=1, gain_db=-9.0))
    book.save_run(run)
    told = collect_curves(book, 1)["paths"][0]["baseline"]
    np.testing.assert_allclose(told["mean_db"], run.pooled.response.level_db, atol=1.1e-3)
    np.testing.assert_allclose(told["high_db"], baseline.shape_high_db + 3.7, atol=1.1e-3)
    assert "shape only" in told["label"]


def test_limits_that_do_not_fit_are_left_out(book: Any) -> None:
    baseline = make_baseline()
    coarse = {
        field.name: getattr(baseline, field.name)[::2]
        for field in dataclasses.fields(baseline)
        if isinstance(getattr(baseline, field.name), np.ndarray)
    }
    book.save_baseline(dataclasses.replace(baseline, **coarse))
    book.save_run(make_run("transmit", "after", job=1))
    assert collect_curves(book, 1)["paths"][0]["baseline"] is None


def test_limits_that_a_comparison_refused_are_left_out(book: Any) -> None:
    book.save_baseline(make_baseline())
    book.save_run(make_run("transmit", "after", job=1))
    refused = Finding(
        path="transmit",
        quantity="shape",
        value=None,
        unit="dB",
        uncertainty=None,
        low=None,
        high=None,
        verdict="not comparable",
        reason="another feed current",
    )
    against = Against(kind="baseline", name=SET_TYPE.name, n=8)
    comparison = Comparison(
        job=1, stage="after", against=against, findings=(refused,), overall="not comparable"
    )
    book.save_comparison(comparison)
    assert collect_curves(book, 1)["paths"][0]["baseline"] is None
    book.save_run(make_run("transmit", "before", job=1))
    assert collect_curves(book, 1)["paths"][0]["baseline"] is not None


def test_a_type_shows_the_newest_run_of_each_reference_set(book: Any) -> None:
    book.open_job("another set", SET_TYPE.name)
    for job, gain_db in ((1, 0.0), (1, 1.0), (2, 2.0)):
        book.save_run(make_run("transmit", "reference", job=job, gain_db=gain_db))
    book.save_run(make_run("transmit", "before", job=1))
    book.save_baseline(make_baseline())
    book.save_baseline(make_baseline("receive"))
    transmit, receive = collect_type_curves(book, SET_TYPE.name)["paths"]
    names = [run["label"].partition(", reference")[0] for run in transmit["runs"]]
    assert names == ["SIMULATED, job 1", "SIMULATED, job 2"]
    assert [run["is_latest"] for run in transmit["runs"]] == [True, True]
    step_db = np.subtract(transmit["runs"][1]["level_db"], transmit["runs"][0]["level_db"])
    np.testing.assert_allclose(step_db, 1.0, atol=1.1e-3)
    assert (receive["path"], receive["runs"]) == ("receive", [])
    assert receive["baseline"]["label"] == "Hillview 2, 8 sets"


def test_curve_of_a_seat() -> None:
    measurement = make_run("receive", withhold=slice(0, 1)).pooled
    told = curve_of_measurement(measurement, seat=2, n_seats=3)
    assert (told["path"], told["unit"], told["seat"], told["n_seats"]) == (
        "receive",
        "dB relative",
        2,
        3,
    )
    assert told["level_db"][0] is None
    np.testing.assert_allclose(told["level_db"][1:], measurement.response.level_db[1:], atol=6e-4)
    bare = curve_of_measurement(Measurement(recording=RecordingInfo()), seat=1, n_seats=1)
    assert (bare["frequency_hz"], bare["level_db"], bare["unit"]) == ([], [], "")


@pytest.mark.parametrize("name", sorted(RECIPES))
def test_trace_frequency_grows_by_equal_factors_in_equal_times(name: Any) -> None:
    """Closed form: at a third of an exponential sweep, a third of the way in octaves."""
    programme = make_programme(RECIPES[name])
    sweep = programme.blocks_of("sweep")[-1]
    length_s = sweep.end_s - sweep.start_s
    for part in (0.0, 1 / 3, 0.5, 0.9):
        wanted = math.exp((1 - part) * math.log(100.0) + part * math.log(8000.0))
        found = trace_frequency_hz(programme, sweep.start_s + part * length_s)
        assert found == pytest.approx(wanted, rel=1e-9)


def test_trace_frequency_is_that_of_the_samples() -> None:
    """Upward zero crossings of the signal itself, within 1 % over four periods."""
    programme = make_programme(RECIPES["quick"])
    sweep = programme.blocks_of("sweep")[0]
    for part in (0.2, 0.5, 0.8):
        at_s = sweep.start_s + part * (sweep.end_s - sweep.start_s)
        first = round(at_s * programme.rate_hz)
        piece = programme.samples[first : first + 2400]
        rising = np.flatnonzero((piece[:-1] < 0.0) & (piece[1:] >= 0.0))[:5]
        exact = rising - piece[rising] / (piece[rising + 1] - piece[rising])
        measured_hz = 4.0 * programme.rate_hz / (exact[-1] - exact[0])
        middle_s = (first + (exact[0] + exact[-1]) / 2.0) / programme.rate_hz
        assert trace_frequency_hz(programme, middle_s) == pytest.approx(measured_hz, rel=0.01)


def test_nothing_is_traced_outside_the_sweeps() -> None:
    programme = make_programme(RECIPES["default"])
    first, second = programme.blocks_of("sweep")[:2]
    between_s = (first.end_s + second.start_s) / 2.0
    outside_s = (-1.0, first.start_s - 1e-6, between_s, programme.duration_s, 1e9, math.nan)
    for time_s in outside_s:
        assert trace_frequency_hz(programme, time_s) is None
