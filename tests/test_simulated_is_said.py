"""Whatever rests on no real telephone says so: documents, charts, report, tables, terminal."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from jobbook_samples import draw_small_run

from voicecheck.charts import draw_job_sheet, draw_response, draw_summary
from voicecheck.checkout.line import LineOptions
from voicecheck.cli.show import render_comparison, render_run
from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.records import Measurement, Run, SetType, to_document
from voicecheck.report.content import ReportContent
from voicecheck.report.files import make_findings_csv, make_report_json, make_response_csv
from voicecheck.report.render import draw_figures, render_html
from voicecheck.workflow import demo
from voicecheck.workflow.checks.run import run_check
from voicecheck.workflow.checks.source import Source
from voicecheck.workflow.papers.comparing import compare

SHOUT = "SIMULATED: no real telephone was measured"


def make_run(bench: str, path: str = "transmit", stage: str = "before") -> Run:
    run = draw_small_run(1, 1)

    def state(one: Measurement) -> Measurement:
        return one.replace(conditions=one.conditions.replace(bench=bench, path=path))

    return dataclasses.replace(
        run,
        path=path,
        stage=stage,
        pooled=state(run.pooled),
        recordings=tuple(map(state, run.recordings)),
    )


def read_texts(figure: object) -> str:
    return " ".join(one.get_text() for one in figure.findobj(match=_is_text))  # type: ignore[attr-defined]


def _is_text(artist: object) -> bool:
    return hasattr(artist, "get_text")


@pytest.fixture
def book(tmp_path: Path) -> JobBook:
    opened = JobBook.open(tmp_path / "book")
    opened.add_type(SetType(name="Lakeside 4"))
    opened.open_job("hall set", "Lakeside 4")
    return opened


@pytest.mark.parametrize(("bench", "is_said"), [("simulated", True), ("shop", False)])
def test_documents_charts_report_tables_and_terminal(
    book: JobBook, bench: str, *, is_said: bool
) -> None:
    runs = tuple(make_run(bench, path) for path in ("transmit", "receive"))
    for run in runs:
        book.save_run(run)
    comparison = compare(book, 1)
    assert (to_document(runs[0]).get("simulated") is True) == is_said
    assert (to_document(runs[0].pooled).get("simulated") is True) == is_said
    assert comparison.simulated == is_said
    assert (SHOUT in render_run(runs[0])) == is_said
    assert (SHOUT in render_comparison(comparison)) == is_said
    content = ReportContent(
        job=book.load_job(1), set_type=book.load_type("Lakeside 4"), runs=runs,
        comparisons=(comparison,), now_utc="2026-03-01T10:00:00+00:00", version="0",
    )  # fmt: skip
    figures = (
        draw_response(runs[:1], baseline=None, comparison=None, set_type=None),
        draw_summary(runs, baselines={}, comparison=None, set_type=None),
        draw_job_sheet(content.job, None, runs, {}, None),
    )
    assert {SHOUT in read_texts(figure) for figure in figures} == {is_said}
    html = render_html(content, draw_figures(content))
    pages = html.split("<article")[1:]
    assert [SHOUT in page for page in pages] == [is_said] * len(pages)
    assert (json.loads(make_report_json(content)).get("simulated") is True) == is_said
    for table in (make_findings_csv(content), make_response_csv(runs)):
        rows = table.decode().splitlines()[1:]
        assert {row.endswith("SIMULATED") for row in rows} == {is_said}


def test_a_made_scene_says_so_in_its_document(book: JobBook) -> None:
    _, alone = run_check("dial", Source(simulated="healthy:3"))
    _, kept = run_check("dial", Source(simulated="healthy:3"), book=book, job=1)
    assert alone["simulated"] is kept["simulated"] is True
    _, typed = run_check("line", None, LineOptions(loop_ma=30.0), book=book, job=1)
    assert "simulated" not in typed


def make_demo_book(folder: Path) -> JobBook:
    book = JobBook.open(folder / "book")
    book.add_type(demo.DEMO_TYPE)
    book.open_job(demo.DEMO_LABEL, demo.DEMO_TYPE.name)
    demo._seal(book)
    return book


@pytest.mark.parametrize("what", ["note", "file", "bench", "job", "edit", "type", "bin"])
def test_a_demo_never_removes_what_somebody_put_into_its_book(tmp_path: Path, what: str) -> None:
    with make_demo_book(tmp_path) as book:
        assert demo._is_of_a_demo(tmp_path / "book")
        file = tmp_path / "photo.txt"
        file.write_text("mine", encoding="utf-8")
        deeds: dict[str, Callable[[], object]] = {
            "note": lambda: book.add_note(1, "mine"),
            "file": lambda: book.attach_file(1, file),
            "bench": lambda: book.save_bench_record("bench", "shop", "{}"),
            "job": lambda: book.open_job("mine", demo.DEMO_TYPE.name),
            "edit": lambda: book.edit_job(1, owner="me"),
            "type": lambda: book.add_type(SetType(name="mine")),
            "bin": lambda: book.remove_job(1),
        }
        deeds[what]()
    with pytest.raises(InputError, match="nothing was removed"):
        demo._clear(tmp_path / "book")
    assert (tmp_path / "book" / "book.db").is_file()
