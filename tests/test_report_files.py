# mypy: disable-error-code="misc,union-attr"
"""Reports as files: hostile text in them, pages of the PDF, tables and JSON beside them."""

from __future__ import annotations

import csv
import io
import json
import re
import sys
from pathlib import Path
from typing import Any

import factories
import numpy as np
import pytest
from pdfread import read_pdf
from PIL import Image
from reportpage import Page
from services import need_module

from voicecheck.errors import InputError
from voicecheck.records import (
    Baseline,
    Comparison,
    Job,
    Run,
    from_json,
)
from voicecheck.records.benches import BenchCheck
from voicecheck.report import Picture, ReportContent, render_html, render_pdf, write_report
from voicecheck.report.render import draw_figures

HOSTILE = {
    "script": "<script>alert('x')</script>",
    "attribute": '" onmouseover="alert(1)" x=\'',
    "close": "</bdi></h1></style></title><img src=x onerror=alert(1)>",
    "style": "}} body { display: none } @import url(http://example.org/x.css)",
    "template": "{{ 7 * 7 }} {% raw %} {path} %s",
    "right-to-left": "\u05d8\u05dc\u05e4\u05d5\u05df \u202e gnp.exe",
    "emoji": "\U0001f4de\U0001f468\u200d\U0001f527 \ufe0f",
    "surrogate": "half \ud83d pair",
    "control": "nul \x00 bell \x07 esc \x1b[31m",
    "path": "../../../etc/passwd\\..\\windows",
    "formula": '=HYPERLINK("http://example.org")',
    "long": "word " * 4000,
    "unbroken": "x" * 20000,
}


@pytest.fixture(scope="module")
def plain_figures() -> Any:
    return draw_figures(factories.make_content())


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The files of the ordinary report, written once; tests only read them."""
    folder = tmp_path_factory.mktemp("report") / "new" / "folder"
    paths = write_report(factories.make_content(), folder)
    assert all(path.parent == folder for path in paths)
    return folder


class TestHostileText:
    @pytest.mark.parametrize("kind", HOSTILE)
    def test_it_is_shown_as_text_everywhere(self, kind: Any, plain_figures: Any) -> None:
        """Every text a user can type is the hostile one at the same time."""
        text = HOSTILE[kind]
        content = make_hostile_content(text)
        drawn_too = kind in ("script", "close", "emoji")  # drawing takes most of the time
        html = render_html(content, None if drawn_too else plain_figures)
        page = Page(html)
        assert not page.all("script")
        assert not page.all("img")
        assert not [a for _, a in page.tags for name in a if name.startswith("on")]
        assert "49" not in page.words() or kind != "template"
        assert "http://example.org" not in "".join(
            re.findall(r"<style>.*?</style>", html, re.DOTALL)
        )
        shown = text.encode("utf-8", "replace").decode("utf-8").replace("\x00", "\ufffd")
        assert " ".join(shown.split())[:200] in page.words().replace("\x00", "\ufffd")

    def test_files_are_written_whatever_the_text(self, tmp_path: Path) -> None:
        for kind in ("path", "control", "emoji"):
            paths = write_report(make_hostile_content(HOSTILE[kind]), tmp_path / "out")
            assert all(path.parent == tmp_path / "out" for path in paths), kind
            json.loads((tmp_path / "out" / "report.json").read_text(encoding="utf-8"))
        assert sorted(path.name for path in tmp_path.iterdir()) == ["out"]

    def test_a_table_program_is_given_no_formula(self, tmp_path: Path) -> None:
        write_report(make_hostile_content("=1+1"), tmp_path)
        text = (tmp_path / "findings.csv").read_text(encoding="utf-8")
        rows = list(csv.reader(io.StringIO(text)))
        texts = {cell for row in rows for cell in row}
        assert "'=1+1" in texts
        assert not [cell for cell in texts if cell.startswith(("=", "@", "+"))]


def make_hostile_content(text: str) -> ReportContent:
    job = factories.replace(factories.JOB, label=text, owner=text, complaint=text, notes=(text,))
    finding = factories.make_finding(
        "transmit", "mid_db", None, "not comparable", reason=text, source=text, low=None, high=None
    )
    comparison = factories.replace(
        factories.make_comparison("before"), findings=(finding,), stage="before"
    )
    hints = tuple(
        factories.replace(hint, cause=text, separate_by=text)
        for hint in factories.make_comparison("before").hints
    )
    run = factories.make_run("transmit", text)
    return factories.make_content(
        job=job,
        set_type=factories.replace(factories.SET_TYPE, name=text),
        runs=(factories.make_run("transmit", "before"), run),
        baselines={},
        comparisons=(factories.replace(comparison, hints=hints),),
        bench_check=BenchCheck(bench=text, time_utc=text, items=()),
        other_checks={"dial": text},
    )


def make_full_content(paper: str, **more: Any) -> ReportContent:
    """Thirteen quantities on three paths, before and after, with hints and a bench check."""
    quantities = (
        "response", "shape", "mid_db", "low_db", "high_db", "at_1khz_db", "thd_315_percent",
        "thd_500_percent", "thd_1000_percent", "thd_max_percent", "sinad_db",
        "psophometric_dbfs", "compression_db",
    )  # fmt: skip

    def findings(verdict: Any, value: Any) -> Any:
        return tuple(
            factories.make_finding(
                path, quantity, value, verdict, worst_hz=2500.0 if quantity == "response" else None
            )
            for path in ("transmit", "receive", "sidetone")
            for quantity in quantities
        )

    comparisons = tuple(
        factories.replace(factories.make_comparison(stage), findings=findings(verdict, value))
        for stage, verdict, value in (("before", "outside", -7.1), ("after", "doubtful", -4.4))
    )
    change = factories.replace(factories.make_change(), findings=findings("outside", 2.7))
    return factories.make_content(paper=paper, comparisons=(*comparisons, change), **more)


LEAST_LINES = 6
"""Of text on a page: fewer are what was left over, not a page."""


def find_page(document: Any, anchor: str) -> int:
    """Number of the page, from 0, that an element with this id begins on."""
    return next(i for i, page in enumerate(document.pages) if anchor in page.anchors)


def list_line_places(page: Any) -> set[float]:
    """Heights of the lines of text of a page, margins apart."""
    (html,) = [box for box in page._page_box.children if box.element_tag == "html"]
    return {round(box.position_y) for box in html.descendants() if type(box).__name__ == "LineBox"}


def load_weasyprint() -> Any:
    """The library; what is missing may be the system's Pango, too."""
    return need_module("weasyprint", "PDF")


class TestPdf:
    @pytest.mark.parametrize("paper", ["A4", "Letter"])
    @pytest.mark.parametrize("make", [factories.make_content, make_full_content])
    def test_the_owner_has_one_page_and_no_page_holds_an_orphan(
        self, paper: str, make: Any, plain_figures: Any
    ) -> None:
        """An ordinary job and one where everything was bad and is doubtful still."""
        weasyprint = load_weasyprint()
        html = render_html(make(paper=paper), plain_figures)
        document = weasyprint.HTML(string=html).render()
        width_mm = document.pages[0].width / 96 * 25.4
        assert width_mm == pytest.approx({"A4": 210.0, "Letter": 215.9}[paper], abs=0.1)
        assert find_page(document, "bench-title") == 1
        assert len(document.pages) <= 4
        for page in document.pages:
            assert len(list_line_places(page)) >= LEAST_LINES

    @pytest.mark.parametrize("paper", ["A4", "Letter"])
    def test_long_words_leave_the_owner_one_page_still(
        self, paper: str, plain_figures: Any
    ) -> None:
        weasyprint = load_weasyprint()
        job = factories.replace(
            factories.JOB,
            complaint="Nobody hears me well, and it crackles so. " * 12,
            notes=("Cleaned the receiver and washed the case with soap, outside only. " * 4,) * 7,
        )
        content = factories.make_content(paper=paper, job=job, shop="Example Telephone Repairs")
        document = weasyprint.HTML(string=render_html(content, plain_figures)).render()
        assert find_page(document, "bench-title") == 1

    def test_the_signature_stands_with_what_is_signed(self, plain_figures: Any) -> None:
        """However long the pages before are."""
        weasyprint = load_weasyprint()
        for n_lines in (0, 12, 24):
            tested = {f"check {i}": "as it should be" for i in range(n_lines)}
            content = make_full_content("A4", other_checks=tested)
            document = weasyprint.HTML(string=render_html(content, plain_figures)).render()
            assert find_page(document, "statement") == find_page(document, "signature")

    def test_a_screen_reader_finds_headings_tables_and_pictures(self, plain_figures: Any) -> None:
        """The tag tree of PDF/UA-1, read back from the file."""
        load_weasyprint()
        pdf = read_pdf(render_pdf(factories.make_content(), plain_figures))
        root = pdf.resolve(pdf.catalog["StructTreeRoot"])
        kinds = [pdf.read_kind(one) for one in pdf.walk(root)]
        for kind in ("H1", "H2", "H3", "Table", "TR", "TH", "TD", "L", "LI", "P", "Figure"):
            assert kind in kinds, kind
        figures = [one for one in pdf.walk(root) if pdf.read_kind(one) == "Figure"]
        assert len(figures) == 3
        assert all(len(one.get("Alt", "")) > 20 for one in figures)
        assert pdf.resolve(pdf.catalog["MarkInfo"]) == {"Marked": True}
        assert pdf.catalog["Lang"] == "en"
        assert pdf.info["Title"] == "Telephone check, job 7: Green wall set, Mrs Example"
        assert pdf.info["Subject"].startswith("What was found, done and is now")
        assert b"pdfuaid" in pdf.metadata

    def test_pictures_inside_the_page_are_printed(self, plain_figures: Any) -> None:
        """A photograph, and a picture of sound, as figures with words."""
        load_weasyprint()
        jpeg, png = io.BytesIO(), io.BytesIO()
        Image.new("RGB", (60, 40), "green").save(jpeg, "JPEG")
        Image.new("L", (60, 40), 99).save(png, "PNG")
        picture = Picture(
            title="Speech.", told="Gaps are losses.", images=(png.getvalue(),), media="png"
        )
        content = factories.make_content(photograph=jpeg.getvalue(), pictures=(picture,))
        pdf = read_pdf(render_pdf(content, plain_figures))
        root = pdf.resolve(pdf.catalog["StructTreeRoot"])
        told = [one.get("Alt") for one in pdf.walk(root) if pdf.read_kind(one) == "Figure"]
        assert "The telephone" in told
        assert "Speech. Gaps are losses." in told

    def test_it_is_a_pdf(self) -> None:
        load_weasyprint()
        assert render_pdf(factories.make_content()).startswith(b"%PDF")

    def test_without_the_extra_one_line_says_what_to_install(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setitem(sys.modules, "weasyprint", None)
        with pytest.raises(InputError, match=r"voicecheck\[pdf\]") as caught:
            render_pdf(factories.make_content())
        assert "\n" not in str(caught.value)


class TestFiles:
    def test_everything_is_written_and_nothing_else(self, folder: Any) -> None:
        expected = {
            "report.html", "chart.png", "chart.svg", "chart_transmit.png", "chart_receive.png",
            "chart_sidetone.png", "job_sheet.png", "findings.csv", "response.csv", "report.json",
        }  # fmt: skip
        assert {path.name for path in folder.iterdir()} == expected

    def test_findings_read_back_as_they_are(self, folder: Any) -> None:
        text = (folder / "findings.csv").read_text(encoding="utf-8")
        rows = list(csv.DictReader(io.StringIO(text)))
        wanted = [
            (comparison.stage, finding)
            for comparison in factories.make_content().comparisons
            for finding in comparison.findings
        ]
        assert len(rows) == len(wanted)
        for row, (stage, finding) in zip(rows, wanted, strict=True):
            assert (row["stage"], row["path"], row["verdict"]) == (
                stage,
                finding.path,
                finding.verdict,
            )
            assert (float(row["value"]) if row["value"] else None) == finding.value
            assert (float(row["low"]) if row["low"] else None) == finding.low

    def test_responses_read_back_and_withheld_is_empty(self, folder: Any) -> None:
        runs = factories.make_job_runs()
        text = (folder / "response.csv").read_text(encoding="utf-8")
        rows = list(csv.DictReader(io.StringIO(text)))
        assert len(rows) == sum(len(run.pooled.response.frequency_hz) for run in runs)
        first = [row for row in rows if (row["path"], row["stage"]) == ("transmit", "before")]
        level = np.array([float(row["level_db"] or "nan") for row in first])
        np.testing.assert_allclose(level, runs[0].pooled.response.level_db, rtol=1e-5)
        assert np.isnan(level).sum() == 4
        assert {row["unit"] for row in rows} == {"dB relative"}

    def test_json_gives_the_records_back(self, folder: Any) -> None:
        content = factories.make_content()
        document = json.loads((folder / "report.json").read_text(encoding="utf-8"))
        assert document["schema"] == "voicecheck.report/1"
        assert from_json(json.dumps(document["job"]), Job) == content.job
        for run, stored in zip(content.runs, document["runs"], strict=True):
            assert from_json(json.dumps(stored), Run).same_as(run)
        for path, stored in document["baselines"].items():
            assert from_json(json.dumps(stored), Baseline).same_as(content.baselines[path])
        for one, stored in zip(content.comparisons, document["comparisons"], strict=True):
            assert from_json(json.dumps(stored), Comparison) == one

    def test_an_unwritable_place_changes_nothing(self, tmp_path: Path) -> None:
        (tmp_path / "taken").write_text("here", encoding="utf-8")
        with pytest.raises(InputError, match="cannot be written"):
            write_report(factories.make_content(), tmp_path / "taken")
        assert (tmp_path / "taken").read_text(encoding="utf-8") == "here"

    def test_an_old_report_is_replaced_whole(self, tmp_path: Path) -> None:
        (tmp_path / "report.html").write_text("old", encoding="utf-8")
        write_report(factories.make_content(), tmp_path)
        text = (tmp_path / "report.html").read_text(encoding="utf-8")
        assert text.endswith("</html>")
        assert not list(tmp_path.glob(".*"))


def test_the_language_of_a_report_is_an_option(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    from typer.testing import CliRunner

    from voicecheck.cli import make_app

    asked = {}

    def report_job(book: Any, job: Any, folder: Any, **options: Any) -> Any:
        asked.update(options)
        return ()

    monkeypatch.setattr("voicecheck.workflow.papers.reporting.report_job", report_job)
    words = ["report", "1", "--language", "nb", "--json", "--book", str(tmp_path / "book")]
    done = CliRunner().invoke(make_app(), words)
    assert done.exit_code == 0, done.output
    assert asked["language"] == "nb"
