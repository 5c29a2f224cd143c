"""Reports are checked as a reader meets them: by their text, their structure, their pages."""

from __future__ import annotations

import csv
import functools
import io
import itertools
import json
import re
import sys
from html.parser import HTMLParser

import factories
import numpy as np
import pytest

from voicecheck.charts import load_words
from voicecheck.errors import InputError
from voicecheck.records import (
    Baseline,
    Comparison,
    Job,
    Loudness,
    Problem,
    Run,
    from_json,
)
from voicecheck.records.benches import BenchCheck, CheckItem
from voicecheck.report import ReportContent, render_html, render_pdf, write_report
from voicecheck.report.notes import DATA_FOLDER
from voicecheck.report.render import draw_figures
from voicecheck.report.sentences import tell_found, tell_now
from voicecheck.report.tables import MOST_ROWS

VOID = {"meta", "br", "img", "link", "input", "hr"}
ENGLISH = load_words("en")
CAUTIONS = DATA_FOLDER / "cautions.csv"
CHECKS = DATA_FOLDER / "report" / "checks.csv"


class Page(HTMLParser):
    """A report taken apart: its tags, its text, its table; wrong nesting is an error."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.open: list[str] = []
        self.text: list[str] = []
        self.rows: list[list[str]] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" in self.open:
            return
        self.text.append(data)
        if self.open and {"td", "th"} & set(self.open):
            self.rows[-1][-1] += data

    def words(self) -> str:
        return " ".join(" ".join(self.text).split())

    def all(self, tag: str) -> list[dict[str, str]]:
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.fixture(scope="module")
def html() -> str:
    return render_html(factories.make_content())


@pytest.fixture(scope="module")
def page(html) -> Page:
    return Page(html)


class TestOwnerPage:
    def test_it_tells_what_was_found_done_and_is_now(self, page):
        text = page.words()
        order = ["What was found", "What was done", "How it is now", "Please note", "For the bench"]
        places = [text.index(heading) for heading in order]
        assert places == sorted(places)
        assert "Nobody hears me well, and it crackles." in text
        assert "Fitted a healthy carbon element." in text
        assert "After the work: as it should be for its type" in text

    def test_findings_are_told_by_how_far_they_are_beyond_the_limit(self):
        """Value -8.3 dB against a lower limit of -4.0 dB is 4.3 dB too quiet, on any scale."""
        talk, hear, own = tell_found(factories.make_content(), ENGLISH)
        assert talk.about == "How it talks"
        assert "too quiet, 4.3 dB below the limit" in talk.text
        assert "psophometric \u221261.0 dBFS, healthy sets up to \u221270.0 dBFS" in talk.text
        assert "1 more in the table" in talk.text
        assert "near 400 Hz 2.4 dB weaker" in hear.text
        assert "distortion at 1 kHz 9.7 %, healthy sets up to 6.3 %" in talk.text
        assert "not certain, near the limit: too quiet, 1.9 dB below" in hear.text
        assert own.text.startswith("as it should be")

    def test_outside_comes_before_doubtful(self):
        hear = tell_found(factories.make_content(), ENGLISH)[1].text
        assert hear.index("2.4 dB weaker") < hear.index("not certain")

    def test_changes_are_told_with_their_certainty(self):
        talk, _, own = tell_now(factories.make_content(), ENGLISH)
        assert "8.8 dB louder at 1 kHz than before, a real change" in talk.text
        assert "0.6 dB louder at 1 kHz than before, which could be chance" in own.text

    def test_what_a_comparison_says_of_itself_is_used(self):
        comparison = factories.replace(
            factories.make_comparison("before"), summary=("It talks far too quietly.",)
        )
        (statement,) = tell_found(factories.make_content(comparisons=(comparison,)), ENGLISH)
        assert statement.text == "It talks far too quietly."

    @pytest.mark.parametrize(
        ("changes", "expected"),
        [
            ({"comparisons": ()}, "nothing to compare with"),
            ({"runs": (factories.make_run("transmit", "after"),)}, "not measured before the work"),
            ({"runs": (factories.make_run("transmit", "before"),)}, "not been measured after"),
            ({"work_done": ()}, "No work is noted"),
        ],
    )
    def test_what_is_missing_is_said(self, changes, expected):
        comparisons = changes.pop("comparisons", ())
        content = factories.make_content(comparisons=comparisons, **changes)
        assert expected in Page(render_html(content)).words()


class TestBenchPage:
    def test_every_finding_is_there_with_value_uncertainty_limits_and_verdict(self, page):
        rows = {row[0]: row for row in page.rows if len(row) == 6}
        assert rows["noise bursts"][1:] == [
            "per second",
            "5.2 \u00b1 0.8 outside",
            "0.0 \u00b1 0.8 within",
            "up to 0.5",
            "",
        ]
        first = rows["response, worst point"]
        assert first[4] == "\u22124.0 to 4.0"
        distortion = next(row for row in page.rows if row[:1] == ["distortion at 1 kHz"])
        assert distortion[5] == "\u22125.4 \u00b1 0.8 real"
        n_pairs = len({(f.path, f.quantity) for f in factories.make_comparison("after").findings})
        assert len([row for row in page.rows if len(row) == 6]) == n_pairs + 1

    def test_not_comparable_says_why(self, page):
        assert "the baseline was taken at 25 mA" in page.words()

    def test_source_of_the_limits_and_conditions_are_there(self, page):
        text = page.words()
        for part in (
            "held against baseline of Hillview 2, 8 sets",
            "transmit (dB relative), receive (dB relative), sidetone (dB relative): 8 healthy sets",
            "feed 40 mA",
            "a burst 18 dB above the sweep at 6.41 s",
            "that sweep was set aside",
            "packed carbon (confidence high)",
            "Measured by",
        ):
            assert part in text

    def test_problems_of_one_kind_are_told_once_with_their_number(self):
        bursts = tuple(
            Problem(kind="burst", at_s=at_s, message="a burst", effect="all sweeps are used")
            for at_s in (2.5, 3.5, 6.0)
        )
        hum = Problem(kind="mains", message="hum at 50 Hz")
        run = factories.make_run("transmit", "before", problems=(*bursts, hum), n_recordings=2)
        text = Page(render_html(factories.make_content(runs=(run,)))).words()
        assert "transmit before: 6 times, as: a burst (at 2.50 s); all sweeps are used" in text
        assert text.count("a burst") == 1
        assert "transmit before: 2 times, as: hum at 50 Hz" in text

    def test_a_long_table_folds_what_is_within_and_keeps_its_numbers(self):
        comparisons = []
        for stage, value in (("before", 1.25), ("after", 1.75)):
            findings = [factories.make_finding("transmit", "mid_db", -8.0, "outside")]
            for i in range(MOST_ROWS + 1):
                findings.append(factories.make_finding("transmit", f"q_{i}", value, "within"))
            comparison = factories.make_comparison(stage)
            comparisons.append(factories.replace(comparison, findings=tuple(findings)))
        page = Page(render_html(factories.make_content(comparisons=tuple(comparisons))))
        listed = [row[0] for row in page.rows if len(row) == 5]
        assert listed == ["Quantity", "level, 500\u20132000 Hz"]
        folded = next(row[0] for row in page.rows if row[0].startswith("Within:"))
        for i in range(MOST_ROWS + 1):
            told = f"q {i} 1.2 \u00b1 0.8 \u2192 1.8 \u00b1 0.8 dB (\u22124.0 to 4.0)"
            assert told in folded

    def test_bench_check_is_told_or_said_to_be_missing(self):
        missing = Page(render_html(factories.make_content())).words()
        assert "Bench check of the day Not done" in missing
        items = (
            CheckItem(
                quantity="loop level", value=0.08, stored=0.05, limit=0.2, unit="dB", verdict="pass"
            ),
            CheckItem(
                quantity="reference handset", value=1.9, stored=0.1, limit=1.0, unit="dB",
                verdict="moved", message="check the seal",
            ),
            CheckItem(
                quantity="feed", value=None, stored=None, limit=1.0, unit="mA", verdict="not done"
            ),
        )  # fmt: skip
        check = BenchCheck(bench="shop bench", time_utc="2031-04-02T07:00:00+00:00", items=items)
        text = Page(render_html(factories.make_content(bench_check=check))).words()
        for part in (
            "shop bench, 2031-04-02: not passed; suspect the bench before the set.",
            "Passed: loop level 0.08 (was 0.05) dB.",
            "Moved: reference handset 1.90 (was 0.10) dB. check the seal",
            "Not checked: feed.",
        ):
            assert part in text
        passed = factories.replace(check, items=items[:1])
        text = Page(render_html(factories.make_content(bench_check=passed))).words()
        assert "nothing has moved" in text

    def test_what_was_not_tested_is_listed_unless_it_was(self):
        everything = Page(render_html(factories.make_content())).words()
        for name in ("dial:", "cords:", "hook switch:", "bell:", "live line:", "insulation:"):
            assert name in everything.partition("Not tested")[2]
        content = factories.make_content(
            runs=(factories.make_run("transmit", "before"),),
            other_checks={"dial": "10.1 pulses per second, 61 % break"},
        )
        text = Page(render_html(content)).words()
        left_open = text.partition("Not tested")[2].partition("Conditions")[0]
        assert "dial:" not in left_open
        assert "How it hears (receive): not measured" in left_open
        assert "dial: 10.1 pulses per second" in text.partition("Also tested")[2]

    def test_values_from_memory_are_marked_and_explained(self):
        plain = Page(render_html(factories.make_content())).words()
        assert "\u2020" not in plain
        run = factories.make_run("transmit", "after", unit="dB V/Pa")
        pooled = run.pooled.replace(loudness=Loudness(slr_db=8.04))
        content = factories.make_content(runs=(factories.replace(run, pooled=pooled),))
        text = Page(render_html(content)).words()
        assert "sending loudness rating 8.0 dB \u2020" in text
        assert "\u2020 rests on a value from memory" in text
        finding = factories.make_finding("transmit", "sinad_db", 20.0, "within", source="MEM")
        comparison = factories.replace(factories.make_comparison("after"), findings=(finding,))
        text = Page(render_html(factories.make_content(comparisons=(comparison,)))).words()
        assert "SINAD at 1 kHz \u2020" in text

    def test_it_gives_no_approval(self, page):
        assert page.words().count("gives no approval for connection to a public network") == 2

    def test_levels_that_are_relative_are_said_to_be(self, page):
        assert "levels are relative" in page.words().partition("Not tested")[2]


class TestStructure:
    def test_headings_are_real_and_skip_no_step(self, page):
        levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h[1-6]", tag)]
        assert levels[0] == 1
        assert levels.count(1) == 1
        assert all(after <= before + 1 for before, after in itertools.pairwise(levels))

    def test_language_title_and_viewport_are_stated(self, page):
        (root,) = page.all("html")
        assert root["lang"] == "en"
        assert root["dir"] == "ltr"
        assert page.all("title")

    def test_tables_can_be_read_aloud(self, page):
        assert page.all("caption")
        assert all("scope" in cell for cell in page.all("th"))
        header = next(row for row in page.rows if row)
        assert header == ["Quantity", "Unit", "before", "after", "Limits", "Change"]

    def test_charts_have_their_numbers_as_alternative_text(self, html, page):
        ids = {attributes["id"] for _, attributes in page.tags if "id" in attributes}
        charts = [a for _, a in page.tags if a.get("role") == "img"]
        assert len(charts) == 2
        for chart in charts:
            assert set(chart["aria-labelledby"].split()) <= ids
        run = factories.make_job_runs()[1]
        at_1khz = f"{run.pooled.response.level_db[28]:.1f}".replace("-", "\u2212")
        caption = html.partition("<figcaption")[2].partition("</figcaption>")[0]
        assert f"{at_1khz} dB at 1 kHz" in caption
        assert "Levels are relative" in caption

    def test_no_id_twice(self, page):
        ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
        assert len(ids) == len(set(ids))

    def test_one_file_without_script_or_outside_request(self, html, page):
        assert not page.all("script")
        assert not page.all("link")
        assert not [a for _, a in page.tags for name in a if name.startswith("on")]
        for _, attributes in page.tags:
            for name in ("src", "href", "xlink:href"):
                assert attributes.get(name, "#").startswith(("#", "data:"))
        assert "@import" not in html
        assert set(re.findall(r"url\((.)", html)) <= {"#"}

    def test_same_content_gives_the_same_file(self, html):
        assert render_html(factories.make_content()) == html


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
def plain_figures():
    return draw_figures(factories.make_content())


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The files of the ordinary report, written once; tests only read them."""
    folder = tmp_path_factory.mktemp("report") / "new" / "folder"
    paths = write_report(factories.make_content(), folder)
    assert all(path.parent == folder for path in paths)
    return folder


class TestHostileText:
    @pytest.mark.parametrize("kind", HOSTILE)
    def test_it_is_shown_as_text_everywhere(self, kind, plain_figures):
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

    def test_files_are_written_whatever_the_text(self, tmp_path):
        for kind in ("path", "control", "emoji"):
            paths = write_report(make_hostile_content(HOSTILE[kind]), tmp_path / "out")
            assert all(path.parent == tmp_path / "out" for path in paths), kind
            json.loads((tmp_path / "out" / "report.json").read_text(encoding="utf-8"))
        assert sorted(path.name for path in tmp_path.iterdir()) == ["out"]

    def test_a_table_program_is_given_no_formula(self, tmp_path):
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


def make_full_content(paper: str) -> ReportContent:
    """Thirteen quantities on three paths, before and after, with hints and a bench check."""
    quantities = (
        "response", "shape", "mid_db", "low_db", "high_db", "at_1khz_db", "thd_315_percent",
        "thd_500_percent", "thd_1000_percent", "thd_max_percent", "sinad_db",
        "psophometric_dbfs", "compression_db",
    )  # fmt: skip

    def findings(verdict, value):
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
    return factories.make_content(paper=paper, comparisons=(*comparisons, change))


def load_weasyprint():
    """The library, or a skip that says what is missing: it or the system's Pango."""
    try:
        import weasyprint
    except (ImportError, OSError) as error:
        pytest.skip(f"PDF cannot be made here: {error}")
    return weasyprint


class TestPdf:
    @pytest.mark.parametrize("paper", ["A4", "Letter"])
    @pytest.mark.parametrize("make", [factories.make_content, make_full_content])
    def test_it_prints_to_two_pages(self, paper, make):
        """An ordinary job and one where everything was bad and is doubtful still."""
        weasyprint = load_weasyprint()
        html = render_html(make(paper=paper))
        document = weasyprint.HTML(string=html).render()
        assert len(document.pages) == 2
        width_mm = document.pages[0].width / 96 * 25.4
        assert width_mm == pytest.approx({"A4": 210.0, "Letter": 215.9}[paper], abs=0.1)

    def test_it_is_a_pdf(self):
        load_weasyprint()
        assert render_pdf(factories.make_content()).startswith(b"%PDF")

    def test_without_the_extra_one_line_says_what_to_install(self, monkeypatch):
        monkeypatch.setitem(sys.modules, "weasyprint", None)
        with pytest.raises(InputError, match=r"voicecheck\[pdf\]") as caught:
            render_pdf(factories.make_content())
        assert "\n" not in str(caught.value)


class TestFiles:
    def test_everything_is_written_and_nothing_else(self, folder):
        expected = {
            "report.html", "chart.png", "chart.svg", "chart_transmit.png", "chart_receive.png",
            "chart_sidetone.png", "job_sheet.png", "findings.csv", "response.csv", "report.json",
        }  # fmt: skip
        assert {path.name for path in folder.iterdir()} == expected

    def test_findings_read_back_as_they_are(self, folder):
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

    def test_responses_read_back_and_withheld_is_empty(self, folder):
        runs = factories.make_job_runs()
        text = (folder / "response.csv").read_text(encoding="utf-8")
        rows = list(csv.DictReader(io.StringIO(text)))
        assert len(rows) == sum(len(run.pooled.response.frequency_hz) for run in runs)
        first = [row for row in rows if (row["path"], row["stage"]) == ("transmit", "before")]
        level = np.array([float(row["level_db"] or "nan") for row in first])
        np.testing.assert_allclose(level, runs[0].pooled.response.level_db, rtol=1e-5)
        assert np.isnan(level).sum() == 4
        assert {row["unit"] for row in rows} == {"dB relative"}

    def test_json_gives_the_records_back(self, folder):
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

    def test_an_unwritable_place_changes_nothing(self, tmp_path):
        (tmp_path / "taken").write_text("here", encoding="utf-8")
        with pytest.raises(InputError, match="cannot be written"):
            write_report(factories.make_content(), tmp_path / "taken")
        assert (tmp_path / "taken").read_text(encoding="utf-8") == "here"

    def test_an_old_report_is_replaced_whole(self, tmp_path):
        (tmp_path / "report.html").write_text("old", encoding="utf-8")
        write_report(factories.make_content(), tmp_path)
        text = (tmp_path / "report.html").read_text(encoding="utf-8")
        assert text.endswith("</html>")
        assert not list(tmp_path.glob(".*"))


def render_marked_language(monkeypatch, tmp_path):
    """A report in a language whose every sentence stands in brackets."""
    for section, table in load_words("en").sections.items():
        lines = [f"[{section if section.isidentifier() else json.dumps(section)}]"]
        for key, sentence in table.items():
            marked = sentence if section == "language" else f"\u27e6{sentence}\u27e7"
            lines.append(f"{json.dumps(key)} = {json.dumps(marked, ensure_ascii=False)}")
        with (tmp_path / "xx.toml").open("a", encoding="utf-8") as file:
            file.write("\n".join(lines) + "\n")
    load_marked = functools.partial(load_words, folder=tmp_path)
    for name in ("report.render", "charts.response", "charts.summary", "charts.sheet"):
        monkeypatch.setattr(f"voicecheck.{name}.load_words", load_marked)
    return render_html(factories.make_content(language="xx", bench_check=None))


class TestLanguage:
    def test_every_sentence_comes_from_the_language_file(self, monkeypatch, tmp_path):
        """What stands outside the brackets is data: names, numbers, units, cautions, reasons."""
        page = Page(render_marked_language(monkeypatch, tmp_path))
        depth, outside = 0, []
        for character in page.words():
            depth += {"\u27e6": 1, "\u27e7": -1}.get(character, 0)
            outside.append(character if depth == 0 else " ")
        left = "".join(outside)
        data = [
            factories.JOB.label, factories.JOB.owner, factories.JOB.complaint, *factories.JOB.notes,
            factories.SET_TYPE.name, "carbon", "the baseline was taken at 25 mA",
            "dBFS", "dB", "relative", "xx",
        ]  # fmt: skip
        for row in csv.DictReader(io.StringIO(CAUTIONS.read_text(encoding="utf-8"))):
            data.append(row["caution"])
        for row in csv.DictReader(io.StringIO(CHECKS.read_text(encoding="utf-8"))):
            data.append(f"{row['name']}: {row['left_open']}")
        for text in sorted(data, key=len, reverse=True):
            left = left.replace(" ".join(text.split()), " ")
        assert re.findall(r"[^\W\d_]{2,}", left) == []
        (root,) = page.all("html")
        assert root["lang"] == "xx"


class TestContent:
    def test_no_run_or_unknown_paper_or_language_is_refused(self):
        with pytest.raises(InputError, match="sweep first"):
            factories.make_content(runs=())
        with pytest.raises(InputError, match="A4, Letter"):
            factories.make_content(paper="A3; } body { display: none")
        with pytest.raises(InputError, match="language"):
            render_html(factories.make_content(language="../../en"))

    def test_the_smallest_report(self):
        """One run, nothing else: still a report, and honest about what it lacks."""
        content = ReportContent(
            job=Job(job=1, label="x", type_name="Hillview 2", opened_utc="2031-01-01"),
            set_type=None,
            runs=(factories.make_run("sidetone", "before"),),
            now_utc="2031-01-01T00:00:00+00:00",
            version="0.1.0",
        )
        text = Page(render_html(content)).words()
        for part in (
            "Measured; nothing to compare with yet",
            "No comparison has been made",
            "No baseline for this type",
            "How it talks (transmit): not measured",
        ):
            assert part in text

    def test_a_run_without_any_response(self):
        run = factories.make_run("transmit", "before")
        run = factories.replace(run, pooled=run.pooled.replace(response=None, distortion=None))
        text = Page(render_html(factories.make_content(runs=(run,)))).words()
        assert "No response could be measured" in text
