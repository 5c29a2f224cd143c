"""The job book as objects, and the worked notebook, cell by cell."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jobbook_samples import draw_measurement, draw_run
from services import need_module

import voicecheck
from voicecheck.errors import InputError
from voicecheck.workflow.scripts import Book

NOTEBOOK = Path(__file__).parents[1] / "reports" / "worked.ipynb"


@pytest.fixture
def book(tmp_path: Path) -> Any:
    with voicecheck.open_book(tmp_path / "book") as opened:
        opened.add_type("Lakeside 4", transmitter="electret")
        yield opened


def read_cells() -> list[str]:
    document = json.loads(NOTEBOOK.read_text(encoding="utf-8"))
    assert document["nbformat"] == 4
    return ["".join(one["source"]) for one in document["cells"] if one["cell_type"] == "code"]


def test_worked_notebook_runs_from_its_first_cell_to_its_last() -> None:
    need_module("pandas")
    space: dict[str, Any] = {}
    for cell in read_cells():
        exec(compile(cell, str(NOTEBOOK), "exec"), space)
    found, change, since = space["found"], space["change"], space["since"]
    assert found.overall == "outside"
    assert change.overall in ("outside", "doubtful")
    # Another element of the same make: its own differences, and no fault.
    assert since.overall in ("within", "doubtful")
    assert since.against.kind == "left"
    assert {file.name for file in space["files"]} >= {"report.html", "findings.csv"}


def test_names_can_be_completed() -> None:
    code = "import voicecheck, sys; print(*dir(voicecheck)); print('numpy' in sys.modules)"
    told = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.splitlines()
    assert {"open_book", "make_programme", "analyze"} <= set(told[0].split())
    assert told[1] == "False"
    assert all(getattr(voicecheck, name) for name in dir(voicecheck))


def test_counting_loads_nothing(book: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    """A book of many jobs is asked how many they are, and for ten of them to show."""
    for number in range(12):
        book.open_job(f"set {number}", "Lakeside 4")
    asked: list[int] = []
    whole = book.record.list_jobs

    def list_jobs(*, search: str | None = None, limit: int = 50) -> Any:
        asked.append(limit)
        return whole(search=search, limit=limit)

    monkeypatch.setattr(book.record, "list_jobs", list_jobs)
    monkeypatch.setattr(book.record, "list_sets", lambda **_: pytest.fail("sets were loaded"))
    assert (len(book.jobs), len(book.sets)) == (12, 12)
    assert repr(book) == "<job book: 12 jobs of 12 sets>"
    assert asked == []
    assert repr(book.jobs).endswith("\n... and 2 more")
    assert asked == [10]


def test_each_object_says_in_a_line_what_it_is(book: Book) -> None:
    job = book.open_job("hall set", "Lakeside 4")
    assert repr(book) == "<job book: 1 job of 1 set>"
    assert repr(job) == "<job 1: hall set (Lakeside 4), as found; nothing tested>"
    assert repr(job.set) == "<set 1: hall set (Lakeside 4), 1 job>"
    assert repr(book.jobs) == repr(job)
    job.sweep(simulated="electret", seats=1)
    assert repr(book.jobs[1]).startswith(
        "<job 1: SIMULATED, hall set (Lakeside 4), as found; talks"
    )
    assert [one.number for one in book.jobs.search("hall")] == [1]
    assert [one.number for one in book.sets[1].jobs] == [1]
    assert job.run().path == "transmit"
    public = [name for name in dir(job) if not name.startswith("_")]
    assert {"sweep", "compare", "report", "runs", "checks", "comparisons", "standing"} <= set(
        public
    )


@pytest.mark.parametrize(
    ("ask", "told"),
    [
        (lambda book: book.jobs["x"], "need a whole one"),
        (lambda book: book.jobs[9], "job 9: not in the book"),
        (lambda book: book.open_job("x", "Lakeside 5"), "near it: 'Lakeside 4'"),
        (lambda book: book.open_job("x", "Lakeside 4", ownr="y"), "near it: owner"),
        (lambda book: book.add_type("x", transmitter="carbon", feed=3), "near it: feed_ma"),
        (lambda book: book.jobs[1].sweep(), "say one of simulated, bench or files"),
        (lambda book: book.jobs[1].sweep("sideways", simulated="electret"), "path"),
        (lambda book: book.jobs[1].sweep(simulated="electret", seats=99), "seats"),
        (lambda book: book.jobs[1].compare("nothing"), "no run at stage"),
        (lambda book: book.jobs[1].run(), r"no run transmit before \(it has: none\)"),
        (lambda book: book.jobs[1].report(pfd=True), "near it: pdf"),
    ],
)
def test_wrong_argument_is_an_error_of_our_own(ask: Any, told: str, book: Book) -> None:
    book.open_job("hall set", "Lakeside 4")
    with pytest.raises(InputError, match=told):
        ask(book)


def test_short_names_of_a_recipe_are_its_fields() -> None:
    made = voicecheck.make_programme(sweeps=2, seconds=1.5, level=-20, steps=[-12, 0], rate=44100)
    recipe = made.recipe
    assert (recipe.n_sweeps, recipe.sweep_s, recipe.level_dbfs) == (2, 1.5, -20.0)
    assert (recipe.step_levels_db, recipe.rate_hz) == ((-12.0, 0.0), 44100)
    assert np.max(np.abs(made.samples)) <= 10.0 ** (recipe.cap_dbfs / 20.0)
    plain = voicecheck.make_programme()
    assert voicecheck.make_programme(plain.recipe).recipe == plain.recipe


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({"sweps": 2}, "near it: sweeps"), ({"sweeps": 1.5}, "a whole number"),
        ({"level": "loud"}, "a number"), ({"steps": ["a"]}, "numbers"),
        ({"sweeps": 2, "n_sweeps": 3}, "said twice"), ({"level": math.nan}, "level_dbfs"),
        ({"sweeps": True}, "a whole number"), ({"sweeps": math.inf}, "a whole number"),
    ],
)  # fmt: skip
def test_recipe_that_does_not_fit_is_refused(said: dict[str, Any], told: str) -> None:
    with pytest.raises(InputError, match=told):
        voicecheck.make_programme(**said)


def test_parts_of_a_measurement_become_frames() -> None:
    need_module("pandas")
    measurement = draw_measurement(1)
    assert measurement.distortion is not None
    frame = measurement.distortion.to_frame()
    assert list(frame.index) == list(measurement.distortion.frequency_hz)
    assert np.array_equal(frame["thd_percent"], measurement.distortion.thd_percent)
    third = measurement.distortion.harmonic_order.index(3)
    assert np.array_equal(frame["h3_db"], measurement.distortion.harmonic_db[third])
    bands = measurement.bands.to_frame()
    assert bands.loc["at_1khz_db", "value"] == -6.25
    assert math.isnan(bands.loc["low_db", "value"])
    assert measurement.noise is not None
    noise = measurement.noise.to_frame()
    assert noise.loc["psophometric_dbfs", "value"] == -75.2
    assert math.isnan(noise.loc["kurtosis", "value"])
    assert "mains_line_dbfs" not in noise.index
    assert len(draw_run(1).to_frame()) == 53
