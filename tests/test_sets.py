"""A set that comes back: as it left, over the years, on its page, and on the label of its box."""

from __future__ import annotations

import dataclasses
import io
import itertools
import math
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from unittest import mock

import pytest
from jobbook_samples import draw_run, make_type
from pagetest import open_client
from services import need_module
from telling import call

from voicecheck.benchspread import STATED_LEVEL_DB
from voicecheck.budgets import COVERAGE_95
from voicecheck.charts.years import choose_rows, draw_years
from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.records.sets import LevelPoint
from voicecheck.words import load_words
from voicecheck.workflow import sets
from voicecheck.workflow.papers.comparing import compare
from voicecheck.workflow.papers.lookup import find_bench_spreads
from voicecheck.workflow.sets import find_left, list_levels, load_history, make_label, say_drift


def shift(run: Any, amount_db: float, **changes: Any) -> Any:
    """The same curve, louder, as another take."""
    response = run.pooled.response
    louder = dataclasses.replace(response, level_db=response.level_db + amount_db)
    return dataclasses.replace(run, pooled=run.pooled.replace(response=louder), **changes)


def fill_years(folder: Path, amount_db: float = 6.0) -> None:
    """A set that was here in two years, and left louder than it comes back."""
    run = draw_run(1)
    with JobBook.open(folder) as book:
        book.add_type(make_type())
        first = book.open_job("hall set", "Lakeside 4", owner="A. Invented")
        for job, stage, year, level in (
            (1, "before", 2029, -6.0), (1, "after", 2029, 0.0), (2, "before", 2031, -amount_db),
        ):  # fmt: skip
            if job == 2 and year == 2031:
                book.close_job(1)
                book.open_job("hall set again", "Lakeside 4", of_set=first.set)
            time = f"{year}-05-04T1{'0' if stage == 'before' else '2'}:00:00Z"
            book.save_run(shift(run, level, job=job, stage=stage, taken_utc=time))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    fill_years(tmp_path / "book")
    return tmp_path / "book"


@pytest.fixture
def book(folder: Path) -> Iterator[JobBook]:
    with JobBook.open(folder) as opened:
        yield opened


def test_earlier_job_is_known_with_the_stage_that_it_left_at(book: JobBook) -> None:
    history = load_history(book, 1)
    assert [(stay.job, stay.left_at) for stay in history.stays] == [(1, "after"), (2, "before")]
    left = find_left(book, 2)
    assert left is not None
    assert (left.job, left.left_at) == (1, "after")
    assert find_left(book, 1) is None
    book.remove_job(1)
    assert find_left(book, 2) is None


def test_set_is_held_against_how_it_left(book: JobBook) -> None:
    comparison = compare(book, 2, against="left")
    assert comparison.against.kind == "left"
    assert comparison.against.name.startswith("as it left in ")
    levels = [one for one in comparison.findings if one.quantity == "response"]
    # The samples' curves differ by 6 dB at every point, and by nothing else.
    assert [round(one.value or 0.0, 6) for one in levels] == [-6.0]
    with pytest.raises(InputError, match="no earlier job that was swept"):
        compare(book, 1, against="left")


def test_years_are_the_means_of_the_curves_with_the_bench_in_their_bars(book: JobBook) -> None:
    points = list_levels(book, 1)
    assert [(one.job, one.stage) for one in points] == [(1, "before"), (1, "after"), (2, "before")]
    steps = [later.level_db - one.level_db for one, later in itertools.pairwise(points)]
    assert steps == pytest.approx([6.0, -6.0])
    seats_db = 0.31 / math.sqrt(3.0)
    half_db = COVERAGE_95 * math.hypot(seats_db, STATED_LEVEL_DB["transmit"])
    assert [one.uncertainty_db for one in points] == pytest.approx([half_db] * 3)
    assert all(one.is_stated for one in points)


def test_a_bench_is_read_once_for_all_years(book: JobBook, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its history does not grow less long by being read for every run again."""
    points = list_levels(book, 1)
    read = mock.Mock(wraps=find_bench_spreads)
    monkeypatch.setattr(sets, "find_bench_spreads", read)
    assert list_levels(book, 1) == points
    assert read.call_count == len({one.path for one in points}) < len(points)


def make_point(level_db: float, **changes: Any) -> LevelPoint:
    said: dict[str, Any] = {
        "job": 1, "stage": "after", "path": "transmit", "taken_utc": "2029-05-04", "unit": "dB",
        "level_db": level_db, "uncertainty_db": 0.8, "bench_db": 0.4,
    }  # fmt: skip
    return LevelPoint(**(said | changes))


def test_what_the_bench_alone_moves_is_no_drift() -> None:
    later = {"taken_utc": "2031-05-04"}
    limit_db = COVERAGE_95 * math.sqrt(2.0) * 0.4
    (steady,) = say_drift([make_point(0.0), make_point(limit_db - 0.01, **later)])
    (louder,) = say_drift([make_point(0.0), make_point(limit_db + 0.01, **later)])
    assert "as in 2029-05, to 1.1 dB" in steady
    assert "1.1 dB louder than in 2029-05" in louder
    assert say_drift([make_point(0.0), make_point(1.0, unit="dB V/Pa", **later)]) == []


def test_picture_of_the_years_has_every_point_and_its_bar() -> None:
    later = {"taken_utc": "2031-05-04"}
    points = [make_point(0.0), make_point(-3.0, **later), make_point(1.0, path="receive")]
    assert list(choose_rows(points)) == ["transmit"]
    figure = draw_years(points, "hall set", load_words("en"))
    (axes,) = figure.axes
    bars: Any = axes.containers[0]
    drawn, (low, high) = bars.lines[0].get_ydata(), axes.get_ylim()
    assert list(drawn) == pytest.approx([0.0, -3.0])
    assert low < -3.8
    assert high > COVERAGE_95 * math.sqrt(2.0) * 0.4
    with pytest.raises(InputError, match="swept twice"):
        draw_years(points[2:], "hall set", load_words("en"))
    shouted = draw_years(
        [*points[:1], make_point(0.1, is_simulated=True, **later)], "x", load_words("en")
    )
    assert any(text.get_text().startswith("SIMULATED") for text in shouted.texts)


def test_command_line_lists_shows_and_changes_sets(folder: Path, tmp_path: Path) -> None:
    assert "hall set" in call("set", "list", book=folder)
    shown = call("set", "show", "1", "--picture", str(tmp_path / "y.svg"), book=folder)
    assert "job 2: hall set again" in shown
    assert "6.0 dB louder" not in shown
    assert (tmp_path / "y.svg").read_bytes().startswith(b"<?xml")
    call("set", "edit", "1", "--marks", "No. 51", "--colour", "maroon", book=folder)
    assert "marks: No. 51" in call("set", "show", "1", book=folder)
    assert "maroon" in call("set", "list", "maroon", book=folder)
    call("job", "open", "third", "--type", "Lakeside 4", "--set", "1", book=folder)
    with JobBook.open(folder) as book:
        assert book.load_set(1).jobs == (1, 2, 3)


def test_page_of_a_set_that_comes_back(folder: Path) -> None:
    need_module("starlette")
    with open_client(folder) as client:
        page = client.get("/jobs/2").text
        assert "Was here before" in page
        assert 'value="left"' in page
        assert 'href="/jobs/1"' in client.get("/sets/1").text
        assert "hall set" in client.get("/sets?search=hall").text
        assert client.get("/sets/1/years.svg").content.startswith(b"<?xml")
        client.post("/sets/1/edit", data={"colour": "maroon <b>"})
        assert "maroon &lt;b&gt;" in client.get("/sets/1").text
        sent = {"set": "1", "type": "Lakeside 4", "label": "third", "owner": "A. Invented"}
        client.post("/jobs", data=sent)
        assert client.get("/sets/9").status_code == 404
    with JobBook.open(folder) as book:
        assert book.load_set(1).jobs == (1, 2, 3)


def read_code(label: bytes) -> str:
    """What another's reader finds on a label that is drawn as its paths say."""
    zxing = need_module("zxingcpp")
    from PIL import Image, ImageDraw

    root = ET.fromstring(label)
    group = next(one for one in root if one.tag.endswith("g"))
    cells = group[0].attrib["d"].split("M")[1:]
    places = [tuple(map(int, cell.partition("h")[0].split())) for cell in cells]
    side, dots = max(x for x, _ in places) + 5, 4
    image = Image.new("L", (side * dots, side * dots), 255)
    pen = ImageDraw.Draw(image)
    for x, y in places:
        pen.rectangle((x * dots, y * dots, x * dots + dots - 1, y * dots + dots - 1), fill=0)
    kept = io.BytesIO()
    image.save(kept, "PNG")
    return "; ".join(one.text for one in zxing.read_barcodes(image))


@pytest.mark.parametrize("text", ["hall set, green", "Übergang <&> 'x'", "long " * 60])
def test_label_is_read_by_anothers_reader(text: str, book: JobBook) -> None:
    need_module("segno")
    job = book.open_job(text, "Lakeside 4")
    label = make_label(book, job.job)
    read = read_code(label)
    whole = f"job {job.job}: {' '.join(text.split())}"
    assert read == (whole if len(whole) <= 120 else whole[:119] + "…")
    assert "://" not in read
    texts = [one.text or "" for one in ET.fromstring(label) if one.tag.endswith("text")]
    assert texts[0] == f"Job {job.job}"
    assert max(map(len, texts)) <= 30
