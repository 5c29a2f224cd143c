# mypy: disable-error-code="no-any-return"
"""A doubted reference set on the terminal, as JSON and on the page; built without it when told."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from helpers import run_program
from pagetest import open_client
from seat_figures import make_faint, make_reference_runs, make_seats

from voicecheck.errors import InputError
from voicecheck.records import SetType
from voicecheck.workflow.books import open_book
from voicecheck.workflow.papers.comparing import build_baselines

TYPE = "Lakeside 4"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A book with eight reference sets, the fourth 8 dB fainter."""
    book_folder = tmp_path_factory.mktemp("doubts") / "book"
    seats = make_seats(8)
    seats[3] = make_faint(seats[3], 8.0)
    with open_book(book_folder) as book:
        book.add_type(SetType(name=TYPE))
        for run in make_reference_runs(seats):
            book.open_job(f"good {run.job}", TYPE)
            book.save_run(run)
    return book_folder


@pytest.fixture
def client(folder: Path) -> Iterator[Any]:
    with open_client(folder) as client:
        yield client


def call(folder: Path, *arguments: str) -> str:
    where = ("--book", str(folder))
    done = run_program("baseline", "build", TYPE, *arguments, *where, folder=folder.parent)
    assert done.returncode == 0, done.stderr
    return done.stdout + done.stderr


def test_build_names_the_set_as_json(folder: Path) -> None:
    document = json.loads(call(folder, "--json"))
    (doubt,) = document["doubted"]
    assert set(doubt) == {"job", "path", "probability", "why"}
    assert (doubt["job"], doubt["path"]) == (4, "transmit")
    assert 0.0 < doubt["probability"] < 0.02
    assert "fainter than the other seven" in doubt["why"]
    assert document["n"] == 8


def test_build_names_the_set_in_words_and_leaves_it_out_when_told(folder: Path) -> None:
    told = call(folder)
    assert "8 sets" in told
    assert "holds a doubted set: job 4 is" in told
    told = call(folder, "--without", "4")
    assert "7 sets" in told
    assert "without job 4" in told
    assert "doubted" not in told
    assert json.loads(call(folder, "--without", "4", "--json"))["without"] == [4]


def test_only_a_reference_set_can_be_left_out(folder: Path) -> None:
    with open_book(folder) as book, pytest.raises(InputError, match=r"job 12 is no reference set"):
        build_baselines(book, TYPE, without=[12])


def test_the_page_names_the_set_and_builds_without_it_when_ticked(client: Any) -> None:
    where = {"name": TYPE}
    page = client.post("/type/baseline", params=where, data={"build": "1"}).text
    assert "holds a doubted set: job 4 is" in page
    assert 'name="without_4" value="1">' in page
    page = client.post("/type/baseline", params=where, data={"build": "1", "without_4": "1"}).text
    assert "Built without job 4" in page
    assert "holds a doubted set" not in page
    assert 'name="without_4" value="1" checked>' in page
