# mypy: disable-error-code="arg-type,misc,union-attr"
"""The owner's page: plain words, few of them, and nothing claimed that was not tested."""

from __future__ import annotations

import math
import re
from typing import Any

import factories
import numpy as np
import pytest
from reportpage import Page

from voicecheck.charts import draw_owner_picture
from voicecheck.records import Comparison
from voicecheck.records.standing import Mark
from voicecheck.report import ReportContent, Voices, render_html
from voicecheck.report.loudness import find_loudness_step
from voicecheck.report.owner import tell_owner
from voicecheck.report.render import Figures
from voicecheck.words import load_words

ENGLISH = load_words("en")
MOST_WORDS = 170
OF_AN_ENGINEER = (
    "kurtosis", "thd", "psophometric", "dbm", "dbfs", "db", "hz", "khz", "outside", "sinad",
    "transmit", "sidetone", "baseline", "percent", "sd", "rms", "harmonic", "spectrum", "mem",
)  # fmt: skip
A_CODE = re.compile(r"\b[A-Z]{1,3}-?\d{1,3}\b|[α-ωΑ-Ω]|\w_\w")


def read_owner_page(html: str, *, ours: bool = False) -> str:
    """
    What is read on the page, the words in its pictures among it.

    `ours` leaves out names and dates, what owner and repairer wrote, the words in pictures, and
    the band that only a simulated job has.
    """
    article = html[html.index("<article") : html.index("</article>") + len("</article>")]
    # Said to those who cannot see the picture, in its place.
    text = re.sub(r"<title>.*?</title>", "", article)
    if ours:
        for part in (r"<h1.*?</h1>", r"<dl.*?</dl>", r"<q>.*?</q>", r"<svg.*?</svg>"):
            text = re.sub(part, "", text, flags=re.DOTALL)
        text = re.sub(r'<p class="simulated">.*?</p>', "", text)
        for note in factories.JOB.notes:
            text = text.replace(note, "")
    return Page(text).words()


@pytest.fixture(scope="module")
def text() -> str:
    return read_owner_page(render_html(factories.make_content()))


class TestWords:
    def test_there_are_few_of_them(self) -> None:
        """Beside names, and what owner and repairer said in their own."""
        html = render_html(factories.make_content())
        found = re.findall(r"[^\W\d_]+(?:['’][^\W\d_]+)?", read_owner_page(html, ours=True))
        assert 100 < len(found) <= MOST_WORDS

    def test_none_of_them_is_an_engineers(self, text: str) -> None:
        found = {word.lower() for word in re.findall(r"[^\W\d_]+", text)}
        assert not found & set(OF_AN_ENGINEER)
        assert not A_CODE.search(text)

    def test_every_sentence_that_may_stand_there_is_plain(self) -> None:
        """Not only those of one job."""
        sections = [name for name in ENGLISH.sections if name.startswith(("owner_", "loudness"))]
        assert len(sections) > 8
        for section in sections:
            for key, sentence in ENGLISH.sections[section].items():
                told = re.sub(r"\{\w+\}", "", sentence)
                words = {word.lower() for word in re.findall(r"[^\W\d_]+", told)}
                assert not words & set(OF_AN_ENGINEER), (section, key)
                assert not A_CODE.search(told), (section, key)


class TestLoudness:
    @pytest.mark.parametrize("change_db", np.round(np.arange(-30.0, 30.1, 0.7), 1))
    def test_the_words_are_those_nearest_to_stevens_rule(self, change_db: float) -> None:
        """Loudness doubles with each 10 dB (ISO 131); the nearest ratio is named."""
        said = find_loudness_step(change_db)
        if abs(change_db) < 1.5:
            assert said == "same"
            return
        ratios = {"slight": 1.2, "one_and_a_half": 1.5, "two": 2.0, "three": 3.0, "four": 4.0}
        louder = 2.0 ** (abs(change_db) / 10.0)
        nearest = min(ratios, key=lambda name: abs(math.log(louder / ratios[name])))
        if louder > 4.0 * math.sqrt(2.0):
            nearest = "many"
        assert said == f"{nearest}_{'up' if change_db > 0 else 'down'}"

    def test_a_sentence_tells_what_was_measured(self) -> None:
        """8.3 dB too faint is about half as loud, 8.8 dB more about twice."""
        page = tell_owner(factories.make_content(), ENGLISH)
        assert page.found[0] == "Your voice: about half as loud as it should be."
        assert page.now[0] == "Your voice: about twice as loud as before."

    def test_a_change_that_may_be_chance_is_none(self) -> None:
        finding = factories.make_finding("transmit", "at_1khz_db", 4.8, "doubtful")
        change = factories.replace(factories.make_change(), findings=(finding,))
        content = factories.make_content(comparisons=(change,))
        assert tell_owner(content, ENGLISH).now == (
            "Your voice: no difference you would hear from before.",
        )


def make_marks(**states: tuple[str, str | None]) -> tuple[Mark, ...]:
    """All eight, those that are not given not tested."""
    keys = [mark.key for mark in factories.make_marks()]
    given = {key.replace("_", "-"): state for key, state in states.items()}
    is_after = any(now is not None for _, now in states.values())
    untested = ("not tested", "not tested" if is_after else None)
    return tuple(
        Mark(
            key=key,
            as_found=given.get(key, untested)[0],
            now=given.get(key, untested)[1],
            sentence="",
        )
        for key in keys
    )


class TestTruth:
    def test_only_what_was_tested_is_claimed(self) -> None:
        marks = make_marks(talks=("outside", "within"), dials=("within", None))
        page = tell_owner(factories.make_content(marks=marks), ENGLISH)
        assert page.sentence == (
            "Your telephone is well in what was tested: it talks, as its kind should."
        )
        assert page.left_open[0].startswith("Not tested: hearing, your own voice, noise, dial")

    def test_one_bad_mark_is_not_hidden_by_good_ones(self) -> None:
        marks = make_marks(
            talks=("outside", "within"), rings=("outside", "outside"), hears=("within", "doubtful")
        )
        page = tell_owner(factories.make_content(marks=marks), ENGLISH)
        assert page.state == "outside"
        assert page.sentence.startswith(
            "Your telephone is not well: it does not ring as it should."
        )
        assert "It is not certain that it hears." in page.sentence

    def test_before_the_work_it_is_said_to_be_before(self) -> None:
        marks = make_marks(talks=("outside", None))
        page = tell_owner(factories.make_content(marks=marks), ENGLISH)
        assert page.sentence.startswith("As it came in, your telephone is not well")

    def test_what_no_limit_is_known_for_is_no_praise(self) -> None:
        marks = make_marks(talks=("not comparable", "not comparable"))
        page = tell_owner(factories.make_content(marks=marks), ENGLISH)
        assert page.state == ""
        assert "nothing yet to compare it with" in page.sentence

    def test_a_stand_in_is_not_its_kind(self) -> None:
        comparison = factories.make_comparison("after", "stand-in")
        content = factories.make_content(comparisons=(comparison,))
        assert "as any telephone should" in tell_owner(content, ENGLISH).sentence

    def test_what_was_done_in_part_is_told(self) -> None:
        marks = make_marks(dials=("not tested", "within"))
        marks = tuple(
            factories.replace(mark, partly="not dialled: 5 6") if mark.key == "dials" else mark
            for mark in marks
        )
        page = tell_owner(factories.make_content(marks=marks), ENGLISH)
        assert "Tested in part: dial (not dialled: 5 6)." in page.left_open

    def test_distortion_that_nobody_hears_is_not_told(self) -> None:
        def tell(percent: float) -> tuple[str, ...]:
            finding = factories.make_finding(
                "receive", "thd_1000_percent", percent, "outside", low=None, high=0.4
            )
            comparison = factories.replace(factories.make_comparison("before"), findings=(finding,))
            return tell_owner(factories.make_content(comparisons=(comparison,)), ENGLISH).found

        assert tell(0.6) == ("Nothing wrong in what was tested.",)
        assert tell(9.0) == ("The other end sounded harsh.",)

    def test_what_two_paths_say_alike_is_told_once(self) -> None:
        findings = tuple(
            factories.make_finding(path, "losses", 20.0, "outside", low=None, high=1.4)
            for path in ("transmit", "receive", "sidetone")
        )
        comparison = factories.replace(factories.make_comparison("before"), findings=findings)
        page = tell_owner(factories.make_content(comparisons=(comparison,)), ENGLISH)
        assert page.found == ("The sound broke off at times.",)


class TestPicture:
    def test_higher_is_louder_and_the_middle_of_good_sets_is_usual(self) -> None:
        runs = [run for run in factories.make_job_runs() if run.path == "transmit"]
        baseline = factories.make_baseline("transmit")
        figure = draw_owner_picture(runs, baseline, None, ENGLISH)
        (axes,) = figure.axes
        lines = {line.get_gid(): line for line in axes.lines if line.get_gid()}
        for run in runs:
            drawn = lines[f"owner-transmit-{run.stage}"].get_ydata()
            expected = run.pooled.response.level_db - (baseline.low_db + baseline.high_db) / 2.0
            np.testing.assert_allclose(drawn, np.clip(expected, -31.0, 16.0))
        labels = dict(
            zip(axes.get_yticks(), [t.get_text() for t in axes.get_yticklabels()], strict=True)
        )
        assert labels[0.0] == "usual"
        assert labels[10.0] == "twice as loud"
        assert labels[-10.0] == "half as loud"

    def test_without_good_sets_nothing_is_called_usual(self) -> None:
        runs = [factories.make_run("receive", "before")]
        figure = draw_owner_picture(runs, None, None, ENGLISH)
        assert "usual" not in [t.get_text() for t in figure.axes[0].get_yticklabels()]


def make_bare(**more: Any) -> ReportContent:
    """A job with nothing but a dial check."""
    comparisons: tuple[Comparison, ...] = ()
    return factories.make_content(
        runs=(), baselines={}, comparisons=comparisons, marks=make_marks(dials=("within", None)),
        other_checks={"dial": "10.0 pulses/s"}, **more,
    )  # fmt: skip


class TestEnclosures:
    def test_a_job_with_a_check_alone_has_a_report(self) -> None:
        page = Page(render_html(make_bare()))
        assert "it dials, as its kind should" in page.words()
        assert "dial: 10.0 pulses/s" in page.words()
        assert not [one for one in page.tags if one[1].get("role") == "img"]

    def test_photograph_shop_and_players_stand_on_the_page(self) -> None:
        voices = Voices(before=b"fLaC1", after=b"fLaC2")
        html = render_html(
            make_bare(photograph=b"\xff\xd8\xff", shop="Example Repairs", voices=voices), Figures()
        )
        page = Page(html)
        assert "Example Repairs" in read_owner_page(html)
        assert page.all("img")[0]["src"].startswith("data:image/jpeg;base64,")
        assert [one["src"][:22] for one in page.all("audio")] == ["data:audio/flac;base64"] * 2
        assert not page.all("script")

    def test_without_speech_there_is_no_player(self) -> None:
        assert not Page(render_html(make_bare())).all("audio")
