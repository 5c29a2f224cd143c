# mypy: disable-error-code="arg-type,assignment,type-var,union-attr"
"""Reports are checked as a reader meets them: by their text, their structure, their pages."""

from __future__ import annotations

import csv
import dataclasses
import functools
import io
import itertools
import json
import re
from pathlib import Path
from typing import Any

import factories
import numpy as np
import pytest
from colours import contrast, to_linear
from reportpage import Page

from voicecheck import budgets
from voicecheck.errors import InputError
from voicecheck.records import (
    BudgetRow,
    Job,
    Loudness,
    Problem,
    Residual,
)
from voicecheck.records.benches import BenchCheck, CheckItem
from voicecheck.report import ReportContent, render_html
from voicecheck.report.notes import DATA_FOLDER
from voicecheck.report.render import _list_hints
from voicecheck.report.sentences import tell_comparison, tell_found, tell_now
from voicecheck.report.tables import MOST_ROWS
from voicecheck.words import load_words

ENGLISH = load_words("en")
CAUTIONS = DATA_FOLDER / "cautions.csv"
CHECKS = DATA_FOLDER / "report" / "checks.csv"


@pytest.fixture(scope="module")
def html() -> str:
    return render_html(factories.make_content())


@pytest.fixture(scope="module")
def page(html: str) -> Page:
    return Page(html)


class TestOwnerPage:
    def test_it_tells_what_was_found_done_and_is_now(self, page: Page) -> None:
        text = page.words()
        order = [
            "You told us", "We found", "We did", "How it is now", "Please mind", "For the bench",
            "What was found", "What was done",
        ]  # fmt: skip
        places = [text.index(heading) for heading in order]
        assert places == sorted(places)
        assert "Nobody hears me well, and it crackles." in text
        assert "Fitted a healthy carbon element." in text
        assert "Your telephone is well in what was tested: it talks, hears" in text

    def test_findings_are_told_by_how_far_they_are_beyond_the_limit(self) -> None:
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

    def test_outside_comes_before_doubtful(self) -> None:
        hear = tell_found(factories.make_content(), ENGLISH)[1].text
        assert hear.index("2.4 dB weaker") < hear.index("not certain")

    def test_changes_are_told_with_their_certainty(self) -> None:
        talk, _, own = tell_now(factories.make_content(), ENGLISH)
        assert "8.8 dB louder at 1 kHz than before, a real change" in talk.text
        assert "0.6 dB louder at 1 kHz than before, which could be chance" in own.text

    def test_a_crackle_is_told_beside_a_distortion(self) -> None:
        """Frying is the commonest complaint of carbon: no other finding may take its place."""
        findings = (
            factories.make_finding(
                "transmit", "thd_1000_percent", 9.7, "outside", low=None, high=6.3
            ),
            factories.make_finding("transmit", "kurtosis", 14.0, "outside", low=None, high=4.2),
        )
        comparison = factories.replace(factories.make_comparison("before"), findings=findings)
        (talk,) = tell_comparison(comparison, ENGLISH)
        assert "it crackles while nobody speaks" in talk.text
        assert "(kurtosis) 14.0, healthy sets up to 4.2" in talk.text
        assert "it distorts (distortion at 1 kHz 9.7 %" in talk.text

    def test_what_was_not_compared_is_told_with_its_reason(self) -> None:
        own = tell_found(factories.make_content(), ENGLISH)[2]
        told = "not compared: level, because the baseline was taken at 25 mA"
        assert own.text == f"as it should be, within the limits of its type; {told}."

    @pytest.mark.parametrize(
        ("changes", "expected"),
        [
            ({"comparisons": ()}, "nothing to compare with"),
            ({"runs": (factories.make_run("transmit", "after"),)}, "not measured before the work"),
            ({"runs": (factories.make_run("transmit", "before"),)}, "not been measured after"),
            ({"work_done": ()}, "No work is noted"),
        ],
    )
    def test_what_is_missing_is_said(self, changes: Any, expected: str) -> None:
        comparisons = changes.pop("comparisons", ())
        content = factories.make_content(comparisons=comparisons, **changes)
        assert expected in Page(render_html(content)).words()


class TestBenchPage:
    def test_every_finding_is_there_with_value_uncertainty_limits_and_verdict(
        self, page: Page
    ) -> None:
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

    def test_not_comparable_says_why(self, page: Page) -> None:
        assert "the baseline was taken at 25 mA" in page.words()

    def test_source_of_the_limits_and_conditions_are_there(self, page: Page) -> None:
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

    def test_a_problem_of_several_paths_is_told_once_with_all_of_them(self) -> None:
        hum = Problem(kind="mains", message="hum at 50 Hz")
        runs = tuple(
            factories.make_run(path, stage, problems=(hum,), n_recordings=2)
            for path, stage in (("transmit", "before"), ("receive", "before"), ("receive", "after"))
        )
        text = Page(render_html(factories.make_content(runs=runs))).words()
        assert "transmit, receive before; receive after: 6 times, as: hum at 50 Hz" in text
        assert text.count("hum at 50 Hz") == 1

    def test_problems_of_one_kind_are_told_once_with_their_number(self) -> None:
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

    def test_a_long_table_folds_what_is_within_and_keeps_its_numbers(self) -> None:
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

    def test_bench_check_is_told_or_said_to_be_missing(self) -> None:
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

    def test_what_was_not_tested_is_listed_unless_it_was(self) -> None:
        everything = Page(render_html(factories.make_content())).words()
        bench = everything.partition("For the bench")[2]
        for name in ("dial:", "cords:", "hook switch:", "bell:", "live line:", "insulation:"):
            assert name in bench.partition("Not tested")[2]
        content = factories.make_content(
            runs=(factories.make_run("transmit", "before"),),
            other_checks={"dial": "10.1 pulses per second, 61 % break"},
        )
        text = Page(render_html(content)).words()
        bench = text.partition("For the bench")[2]
        left_open = bench.partition("Not tested")[2].partition("Conditions")[0]
        assert "dial:" not in left_open
        assert "How it hears (receive): not measured" in left_open
        assert "dial: 10.1 pulses per second" in text.partition("Also tested")[2]

    def test_values_from_memory_are_marked_and_explained(self) -> None:
        plain = Page(render_html(factories.make_content())).words()
        assert "\u2020" not in plain
        run = factories.make_run("transmit", "after", unit="dB V/Pa")
        pooled = run.pooled.replace(loudness=Loudness(slr_db=8.04, stmr_db=13.21))
        content = factories.make_content(runs=(factories.replace(run, pooled=pooled),))
        text = Page(render_html(content)).words()
        assert "sending loudness rating 8.0 dB \u2020" in text
        # Its weights are those of one of two conditions, and which is not settled.
        assert "13.2 dB" not in text
        assert "\u2020 rests on a value from memory" in text
        finding = factories.make_finding("transmit", "sinad_db", 20.0, "within", source="MEM")
        comparison = factories.replace(factories.make_comparison("after"), findings=(finding,))
        text = Page(render_html(factories.make_content(comparisons=(comparison,)))).words()
        assert "SINAD at 1 kHz \u2020" in text

    def test_it_gives_no_approval(self, page: Page) -> None:
        assert page.words().count("gives no approval for connection to a public network") == 2

    def test_every_caution_and_check_names_its_source(self) -> None:
        """A code stands in the table of sources, or the row says that there is none."""
        sources = DATA_FOLDER / "sources.csv"
        codes = {row["code"] for row in csv.DictReader(io.StringIO(sources.read_text("utf-8")))}
        for path in (CAUTIONS, CHECKS):
            for row in csv.DictReader(io.StringIO(path.read_text("utf-8"))):
                assert row["provenance"] in ("PUB", "PUB-2ND", "TRADE", "CALC", "PROP"), row
                assert set(row["source"].split(";")) <= codes | {"CALC", "PROP"}, row

    def test_levels_that_are_relative_are_said_to_be(self, page: Page) -> None:
        assert "levels are relative" in page.words().partition("Not tested")[2]


class TestStructure:
    def test_headings_are_real_and_skip_no_step(self, page: Page) -> None:
        levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h[1-6]", tag)]
        assert levels[0] == 1
        assert levels.count(1) == 1
        assert all(after <= before + 1 for before, after in itertools.pairwise(levels))

    def test_language_title_and_viewport_are_stated(self, page: Page) -> None:
        (root,) = page.all("html")
        assert root["lang"] == "en"
        assert root["dir"] == "ltr"
        assert page.all("title")

    def test_tables_can_be_read_aloud(self, page: Page) -> None:
        assert page.all("caption")
        assert all("scope" in cell for cell in page.all("th"))
        header = next(row for row in page.rows if row)
        assert header == ["Quantity", "Unit", "before", "after", "Limits", "Change"]

    def test_charts_have_their_numbers_as_alternative_text(self, html: str, page: Page) -> None:
        ids = {attributes["id"] for _, attributes in page.tags if "id" in attributes}
        charts = [a for _, a in page.tags if a.get("role") == "img"]
        assert [chart.get("aria-label", "")[:11] for chart in charts[:2]] == [
            "How it talk",
            "How it hear",
        ]
        assert len(charts) == 4
        for chart in charts[2:]:
            assert set(chart["aria-labelledby"].split()) <= ids
        run = factories.make_job_runs()[1]
        at_1khz = f"{run.pooled.response.level_db[28]:.1f}".replace("-", "\u2212")
        caption = html.partition("<figcaption")[2].partition("</figcaption>")[0]
        assert f"{at_1khz} dB at 1 kHz" in caption
        assert "Levels are relative" in caption

    def test_no_id_twice(self, page: Page) -> None:
        ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
        assert len(ids) == len(set(ids))

    def test_one_file_without_script_or_outside_request(self, html: str, page: Page) -> None:
        assert not page.all("script")
        assert not page.all("link")
        assert not [a for _, a in page.tags for name in a if name.startswith("on")]
        for _, attributes in page.tags:
            for name in ("src", "href", "xlink:href"):
                assert attributes.get(name, "#").startswith(("#", "data:"))
        assert "@import" not in html
        assert set(re.findall(r"url\((.)", html)) <= {"#"}

    def test_text_stands_out_from_its_ground(self) -> None:
        """At least 4.5:1 for every ink on white and on the pale panels (WCAG 1.4.3)."""
        style = (DATA_FOLDER / "report" / "report.css").read_text(encoding="utf-8")
        colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", style))
        assert {"ink", "soft", "deep", "warm", "pale"} <= colours.keys()
        for ink in ("ink", "soft", "deep", "warm"):
            for ground in ("#ffffff", colours["pale"]):
                assert contrast(to_linear(colours[ink]), to_linear(ground)) >= 4.5, ink

    def test_same_content_gives_the_same_file(self, html: str) -> None:
        assert render_html(factories.make_content()) == html


def render_marked_language(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Any:
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
    def test_every_sentence_comes_from_the_language_file(
        self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
    ) -> None:
        """What stands outside the brackets is data: names, numbers, units, reasons."""
        page = Page(render_marked_language(monkeypatch, tmp_path))
        depth, outside = 0, []
        for character in page.words():
            depth += {"\u27e6": 1, "\u27e7": -1}.get(character, 0)
            outside.append(character if depth == 0 else " ")
        left = "".join(outside)
        data = [
            factories.JOB.label, factories.JOB.owner, factories.JOB.complaint, *factories.JOB.notes,
            factories.SET_TYPE.name, "the baseline was taken at 25 mA",
            "dBFS", "dB", "relative", "xx",
        ]  # fmt: skip
        for text in sorted(data, key=len, reverse=True):
            left = left.replace(" ".join(text.split()), " ")
        assert re.findall(r"[^\W\d_]{2,}", left) == []
        (root,) = page.all("html")
        assert root["lang"] == "xx"

    def test_every_caution_and_check_has_its_words(self) -> None:
        for path, key, section in (
            (CAUTIONS, "id", "caution"), (CHECKS, "check", "check_name"),
            (CHECKS, "check", "left_open"),
        ):  # fmt: skip
            for row in csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))):
                assert ENGLISH.has(section, row[key]), row

    def test_a_language_may_tell_the_likely_causes(self) -> None:
        own = {"hint_cause": {"F01": "k\u00f6rner kleben"}, "hint_next": {"F01": "klopfen"}}
        words = factories.replace(ENGLISH, sections={**ENGLISH.sections, **own})
        (hint,) = _list_hints(factories.make_content(), words)
        assert "k\u00f6rner kleben (confidence high). To tell it apart: klopfen" in hint


class TestContent:
    def test_no_run_or_unknown_paper_or_language_is_refused(self) -> None:
        with pytest.raises(InputError, match="sweep first"):
            factories.make_content(runs=())
        with pytest.raises(InputError, match="A4, Letter"):
            factories.make_content(paper="A3; } body { display: none")
        with pytest.raises(InputError, match="language"):
            render_html(factories.make_content(language="../../en"))

    def test_the_smallest_report(self) -> None:
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
            "It was tested, but there is nothing yet to compare it with.",
            "No comparison has been made",
            "No baseline for this type",
            "How it talks (transmit): not measured",
        ):
            assert part in text

    def test_a_run_without_any_response(self) -> None:
        run = factories.make_run("transmit", "before")
        run = factories.replace(run, pooled=run.pooled.replace(response=None, distortion=None))
        text = Page(render_html(factories.make_content(runs=(run,)))).words()
        assert "No response could be measured" in text


class TestBudgets:
    def test_each_interval_is_taken_apart(self) -> None:
        """Figures in rows, the parts of their intervals in columns, few degrees of freedom told."""
        run = factories.make_run("transmit", "after")
        bands = budgets.add_row(
            dataclasses.replace(run.pooled.bands, mid_db=-9.0, mid_uncertainty_db=None, budget={}),
            "mid_db",
            BudgetRow(name="noise", half_width=0.03),
        )
        bands = budgets.add_row(bands, "mid_db", BudgetRow(name="seats", half_width=0.4, dof=2.0))
        run = dataclasses.replace(run, pooled=run.pooled.replace(bands=bands))
        page = Page(render_html(factories.make_content(runs=(run,))))
        (row,) = [cells for cells in page.rows if cells[:2] == ["level, 500–2000 Hz", "−9.0"]]
        # The noise adds little and lends 0.1 of a degree of freedom: t falls from 4.30 to 4.11.
        assert row[3:] == ["± 0.39", "0.030", "0.40 (2)"]
        assert "What the intervals are made of" in page.words()

    def test_a_distortion_in_spikes_is_told(self) -> None:
        run = factories.make_run("receive", "after")
        one = np.ones(13)
        spiky = Residual(
            frequency_hz=1000.0 * 2.0 ** (np.arange(-7, 6) / 3.0),
            percent=one,
            below_percent=np.nan * one,
            uncertainty_percent=0.1 * one,
            crest_db=12.0 * one,
        )
        run = dataclasses.replace(run, pooled=run.pooled.replace(residual=spiky))
        told = Page(render_html(factories.make_content(runs=(run,)))).words()
        assert "it comes in spikes (crest 12 dB at 198 Hz)" in told

    def test_there_is_none_where_nothing_states_one(self) -> None:
        run = factories.make_run("transmit", "after")
        bare = run.pooled.replace(
            response=dataclasses.replace(run.pooled.response, budget=()),
            bands=dataclasses.replace(run.pooled.bands, budget={}),
        )
        content = factories.make_content(runs=(dataclasses.replace(run, pooled=bare),))
        assert "What the intervals are made of" not in render_html(content)
