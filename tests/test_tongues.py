# mypy: disable-error-code="arg-type,misc,no-untyped-call"
"""What an owner reads in five languages: whole, plain, and in one language at a time."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import factories
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from reportpage import Page
from services import need_module
from test_report_owner import A_CODE, OF_AN_ENGINEER, make_marks, read_owner_page
from tongues import (
    ENGLISH,
    TONGUES,
    find_names,
    list_owner_sentences,
    read_tongue,
    without_form,
)  # fmt: skip

from voicecheck.charts import draw_owner_picture
from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.records import Job
from voicecheck.records.sets import Telephone, Work
from voicecheck.report import ReportContent, Voices, render_html
from voicecheck.report.notes import list_cautions
from voicecheck.report.slips import SlipContent, render_slip
from voicecheck.words import LETTER_TERRITORIES, load_words
from voicecheck.workflow.checks.run import run_check
from voicecheck.workflow.checks.source import Source
from voicecheck.workflow.papers.reporting import make_report_file

OWNERS = list_owner_sentences()
ALIKE = {
    ("nl", "owner_stage", "after"), ("fr", "report", "page"),
}  # fmt: skip
"""Words that are spelt as in English."""
ENGINEERS = {
    "de": (
        "kurtosis", "klirrfaktor", "klirren", "pegel", "dezibel", "prozent", "hertz", "oberton",
        "spektrum", "rückhören", "grenzwert", "sendeweg", "empfangsweg", "frequenz", "effektivwert",
    ),
    "fr": (
        "kurtosis", "décibel", "décibels", "hertz", "harmonique", "spectre", "fréquence",
        "distorsion", "effet", "local", "émission", "réception", "niveau", "impédance",
    ),
    "es": (
        "curtosis", "decibelio", "decibelios", "hercio", "hercios", "armónico", "espectro",
        "frecuencia", "distorsión", "nivel", "impedancia", "emisión", "recepción",
    ),
    "nl": (
        "kurtosis", "decibel", "hertz", "harmonische", "spectrum", "frequentie", "vervorming",
        "niveau", "impedantie", "procent", "zijtoon",
    ),
}  # fmt: skip
"""Beside those of the English page, each in its own language."""


def make_contents(language: str) -> dict[str, ReportContent]:
    """Jobs of every kind that an owner's page has a sentence for."""
    every = tuple(
        factories.replace(mark, partly="" if mark.key != "dials" else mark.partly)
        for mark in factories.make_marks()
    )
    return {
        "all": factories.make_content(language=language, marks=every),
        "before": factories.make_content(
            language=language,
            marks=make_marks(talks=("outside", None), hears=("doubtful", None)),
        ),
        "bare": factories.make_content(
            language=language, runs=(), baselines={}, comparisons=(),
            marks=make_marks(dials=("within", None), line=("not comparable", None)),
            voices=Voices(before=b"fLaC1", after=b"fLaC2", is_levelled=True),
            has_made_checks=True, other_checks={"dial": "x"},
            job=factories.replace(factories.JOB, notes=tuple("abcdefg")),
        ),
        "idle": factories.make_content(
            language=language, runs=(), baselines={}, comparisons=(), marks=make_marks(),
            job=factories.replace(factories.JOB, notes=(), complaint=""),
            other_checks={"dial": "x"},
        ),
    }  # fmt: skip


class TestFiles:
    @pytest.mark.parametrize("tag", TONGUES)
    def test_no_sentence_is_missing_and_none_is_idle(self, tag: str) -> None:
        wanted = {(section, without_form(key)) for section, key in OWNERS}
        assert {(section, without_form(key)) for section, key in read_tongue(tag)} == wanted

    @pytest.mark.parametrize("tag", TONGUES)
    def test_each_fills_in_what_the_english_one_does(self, tag: str) -> None:
        forms = {(section, without_form(key)): text for (section, key), text in OWNERS.items()}
        for (section, key), sentence in read_tongue(tag).items():
            if section == "language":
                continue
            assert find_names(sentence) == find_names(forms[section, without_form(key)]), key
            has_words = re.search(r"[^\W\d_]", re.sub(r"\{\w+\}", "", sentence))
            is_alike = (tag, section, key) in ALIKE or not has_words
            assert is_alike or sentence != ENGLISH.sections[section].get(key), (section, key)

    @pytest.mark.parametrize("tag", TONGUES)
    def test_signs_and_plurals_are_those_of_the_common_locale_data(self, tag: str) -> None:
        """Unicode CLDR, as Babel carries it."""
        from babel import Locale

        locale, words = Locale.parse(tag), load_words(tag)
        symbols = locale.number_symbols
        assert words.say("language", "decimal") == symbols.get("latn", symbols)["decimal"]
        assert words.say("language", "date") == str(locale.date_formats["long"].pattern)
        assert words.say("language", "direction") == locale.character_order.replace(
            "left-to-right", "ltr"
        )
        keys = [(section, key) for section, key in read_tongue(tag)]
        counted = {(s, without_form(key)) for s, key in keys if without_form(key) != key}
        for section, key in counted - set(keys):
            assert ENGLISH.has(section, f"{key}_one")
            for n in range(30):
                form = locale.plural_form(n)
                assert (section, f"{key}_{form}") in keys, (key, n)

    @pytest.mark.parametrize("tag", ["en", *TONGUES])
    def test_none_is_an_engineers(self, tag: str) -> None:
        told = OWNERS if tag == "en" else read_tongue(tag)
        forbidden = {*OF_AN_ENGINEER, *ENGINEERS.get(tag, ())}
        for (section, key), sentence in told.items():
            if section in ("language", "flex_part") or (section, key) == ("report", "subject"):
                continue
            bare = re.sub(r"\{\w+\}", "", sentence)
            words = {word.lower() for word in re.findall(r"[^\W\d_]+", bare)}
            assert not words & forbidden, (section, key)
            assert not A_CODE.search(bare), (section, key)


class TestGrammar:
    @pytest.mark.parametrize(
        ("tag", "one", "many"),
        [
            ("de", "1 weiterer Punkt", "3 weitere Punkte"),
            ("fr", "1 autre point", "3 autres points"),
            ("es", "1 punto más", "3 puntos más"),
            ("nl", "Nog 1 punt", "Nog 3 punten"),
        ],
    )
    def test_a_number_chooses_the_form(self, tag: str, one: str, many: str) -> None:
        words = load_words(tag)
        assert words.count("owner_page", "more_done", 1).startswith(one)
        assert words.count("owner_page", "more_done", 3).startswith(many)

    def test_nothing_is_one_in_french_alone(self) -> None:
        assert load_words("fr").count("owner_page", "more_done", 0).startswith("0 autre point ")
        assert load_words("de").count("owner_page", "more_done", 0).startswith("0 weitere Punkte")

    @pytest.mark.parametrize(
        ("tag", "day"),
        [
            ("en", "2031-04-02"), ("de", "2. April 2031"), ("fr", "2 avril 2031"),
            ("es", "2 de abril de 2031"), ("nl", "2 april 2031"),
        ],
    )  # fmt: skip
    def test_a_day_is_written_as_at_home(self, tag: str, day: str) -> None:
        assert load_words(tag).date("2031-04-02T08:00:00+00:00") == day

    def test_a_territory_has_its_own_signs_and_paper(self) -> None:
        spain, mexico = load_words("es"), load_words("es-MX")
        assert (spain.number(1.5), spain.paper) == ("1,5", "A4")
        assert (mexico.number(1.5), mexico.paper) == ("1.5", "Letter")
        assert mexico.code == "es-MX"
        assert mexico.say("owner_page", "found") == spain.say("owner_page", "found")
        assert load_words("en-US").paper == "Letter"
        assert load_words("en-GB").paper == "A4"
        assert "DE" not in LETTER_TERRITORIES

    @pytest.mark.parametrize("tag", ["xx", "de_DE", "../de", "de-", ""])
    def test_another_is_refused_with_those_there_are(self, tag: str) -> None:
        with pytest.raises(InputError, match="need one of de, en, es, fr, nl"):
            load_words(tag)


WORKED_JOB = factories.replace(
    factories.JOB,
    contact="a letter", used_on="an old line", keep_parts="the cord", promised="2031-05-02",
    work=(
        Work(kind="part", what="cord", old_value="brown", new_value="green"),
        Work(kind="part", what="cord", new_value="green"),
        Work(kind="part", what="cord", old_value="brown"),
        Work(kind="part", what="cord"),
        Work(kind="adjustment", what="gap", old_value="3", new_value="4"),
        Work(kind="adjustment", what="gap", new_value="4"),
        Work(kind="adjustment", what="gap", old_value="3"),
        Work(kind="adjustment", what="gap"),
        Work(kind="time", what="bench", value=75.0),
        Work(kind="hazard", what="bare wire"),
        Work(kind="hazard", what="bare wire", answer="taped"),
    ),
)  # fmt: skip


def make_slip_content(language: str, kind: str, job: Job) -> SlipContent:
    """A slip with every line that there is, where the job has something to say on it."""
    telephone = Telephone(
        set=1, made_utc="2031-04-02T08:00:00+00:00", label=job.label, type_name=job.type_name,
        marks="scratched", part_dates="on the base", colour="green",
    )  # fmt: skip
    return SlipContent(
        kind=kind, job=job, telephone=telephone, simulated=True,
        now_utc="2031-05-02T09:00:00+00:00", language=language,
    )  # fmt: skip


def make_told(job: Job) -> set[str]:
    """Words of a job that its people wrote."""
    told = [
        job.label, job.owner, job.complaint, job.type_name, job.contact, job.used_on,
        job.keep_parts, *job.notes, "scratched on the base green",
    ]  # fmt: skip
    return set(re.findall(r"[^\W\d_]{2,}", " ".join(told)))


def write_marked(folder: Path) -> None:
    """A language with the owner's sentences alone, each in brackets."""
    tables: dict[str, dict[str, str]] = {}
    for (section, key), sentence in OWNERS.items():
        marked = sentence if section == "language" else f"\u27e6{sentence}\u27e7"
        tables.setdefault(section, {})[key] = marked
    tables["language"] |= {"bench": "en", "proofed": "no"}
    lines = []
    for section, table in tables.items():
        lines.append(f"[{section}]")
        lines += [
            f"{json.dumps(key)} = {json.dumps(text, ensure_ascii=False)}"
            for key, text in table.items()
        ]
    (folder / "xx.toml").write_text("\n".join(lines), encoding="utf-8")


def read_outside_brackets(text: str) -> str:
    depth, outside = 0, []
    for character in text:
        depth += {"\u27e6": 1, "\u27e7": -1}.get(character, 0)
        outside.append(character if depth == 0 else " ")
    return "".join(outside)


@pytest.fixture
def marked(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    write_marked(tmp_path)

    def load(language: str = "en") -> Any:
        return load_words(language, tmp_path) if language == "xx" else load_words(language)

    for name in ("render", "slips"):
        monkeypatch.setattr(f"voicecheck.report.{name}.load_words", load)


class TestOnePaper:
    @pytest.mark.usefixtures("marked")
    @pytest.mark.parametrize("kind", ["all", "before", "bare", "idle"])
    def test_an_owner_reads_none_of_english_but_the_cautions(self, kind: str) -> None:
        """A made-up language that has the owner's sentences alone."""
        content = make_contents("xx")[kind]
        html = render_html(content)
        article = re.sub(r'<span class="english".*?</span>', "", html[: html.index("</article>")])
        left = read_outside_brackets(
            read_owner_page(article[article.index("<article") :] + "</article>")
        )
        job = content.job
        told = [job.label, job.owner, job.complaint, *job.notes, factories.SET_TYPE.name]
        for text in sorted(filter(None, told), key=len, reverse=True):
            left = left.replace(" ".join(text.split()), " ")
        left = re.sub(r"\bnot dialled: [\d ]+", "", left)
        assert re.findall(r"[^\W\d_]{2,}", left) == []
        for caution in list_cautions("owner", ENGLISH):
            assert caution in Page(html).words()

    @pytest.mark.usefixtures("marked")
    def test_margins_and_title_are_the_owners_too(self) -> None:
        html = render_html(make_contents("xx")["bare"])
        (title,) = re.findall(r"<title>(.*?)</title>", html)[:1]
        assert title.startswith("\u27e6")
        (first,) = re.findall(r"@page :first \{.*\}", html)
        assert r"\27e6" in first
        rest = re.findall(r"@page \{.*\}", html)[-1]
        assert r"\27e6" not in rest

    @pytest.mark.usefixtures("marked")
    @pytest.mark.parametrize("kind", ["take-in", "hand-back"])
    @pytest.mark.parametrize("job", [WORKED_JOB, factories.replace(factories.JOB, notes=())])
    def test_a_slip_has_none_of_english_either(self, kind: str, job: Job) -> None:
        html = render_slip(make_slip_content("xx", kind, job))
        text = Page(re.sub(r'<span class="english".*?</span>', "", html)).words()
        left = read_outside_brackets(text)
        assert set(re.findall(r"[^\W\d_]{2,}", left)) <= make_told(job)
        if kind == "hand-back":
            for caution in list_cautions("owner", ENGLISH):
                assert caution in Page(html).words()

    @pytest.mark.parametrize("tag", ["en", *TONGUES])
    @pytest.mark.parametrize("kind", ["take-in", "hand-back"])
    def test_a_slip_is_one_sheet_in_every_language(self, tag: str, kind: str) -> None:
        weasyprint = need_module("weasyprint", "PDF")
        html = render_slip(make_slip_content(tag, kind, WORKED_JOB))
        assert len(weasyprint.HTML(string=html).render().pages) == 1

    @pytest.mark.parametrize("tag", TONGUES)
    @pytest.mark.parametrize("kind", ["all", "before", "bare", "idle"])
    def test_the_owners_page_is_one_page_on_either_paper(self, tag: str, kind: str) -> None:
        """The pages for the bench begin on the second."""
        weasyprint = need_module("weasyprint", "PDF")
        paper = "Letter" if kind in ("all", "bare") else "A4"
        content = factories.replace(make_contents(tag)[kind], paper=paper)
        html = render_html(content)
        article = html[: html.index("</article>")] + "</article></main></body></html>"
        assert len(weasyprint.HTML(string=article).render().pages) == 1

    @pytest.mark.parametrize("tag", TONGUES)
    def test_the_bench_reads_one_language(self, tag: str) -> None:
        """Its pages are those of the English report, word for word."""

        def read_bench(language: str) -> str:
            html = render_html(make_contents(language)["all"])
            return html[html.index('<article class="page bench"') :].replace(
                ' lang="en" dir="ltr"', ""
            )

        assert read_bench(tag) == read_bench("en")

    @pytest.mark.parametrize("tag", TONGUES)
    def test_a_screen_reader_is_told_which(self, tag: str) -> None:
        page = Page(render_html(make_contents(tag)["bare"]))
        assert page.all("html")[0]["lang"] == tag
        assert page.all("article")[1]["lang"] == "en"
        assert [one["lang"] for one in page.all("span") if one.get("class") == "english"] == (
            ["en"] * 3
        )

    def test_a_proofed_language_needs_no_english(self) -> None:
        assert 'class="english"' not in render_html(make_contents("en")["bare"])


@pytest.fixture
def book(tmp_path: Path) -> Iterator[JobBook]:
    with JobBook.open(tmp_path / "book") as opened:
        opened.add_type(factories.SET_TYPE)
        opened.open_job("Hall set", factories.SET_TYPE.name, language="fr")
        for stage in ("before", "after"):
            run_check("dial", Source(simulated="healthy"), book=opened, job=1, stage=stage)
        yield opened


class TestJobs:
    def read_language(self, book: JobBook, **asked: str) -> tuple[str, str]:
        html = make_report_file(book, 1, "report.html", **asked).decode()
        (paper,) = set(re.findall(r"@page \{ size: (\w+)", html))
        return Page(html).all("html")[0]["lang"], paper

    def test_a_report_takes_the_jobs_language(self, book: JobBook) -> None:
        assert self.read_language(book) == ("fr", "A4")
        book.edit_job(1, language="fr-CA")
        assert self.read_language(book) == ("fr-CA", "Letter")
        book.edit_job(1, language="")
        assert self.read_language(book) == ("en", "A4")

    def test_another_may_be_asked_for(self, book: JobBook) -> None:
        assert self.read_language(book, language="nl", paper="Letter") == ("nl", "Letter")

    def test_one_that_is_not_there_is_refused_where_it_is_typed(self, book: JobBook) -> None:
        with pytest.raises(InputError, match="language: need one of de, en"):
            book.edit_job(1, language="german")
        assert book.load_job(1).language == "fr"


class TestPictures:
    @pytest.mark.parametrize("tag", ["en", *TONGUES])
    def test_nothing_is_cut_or_covered(self, tag: str) -> None:
        """Every word lies inside the picture, and none over another."""
        words = load_words(tag)
        runs = [run for run in factories.make_job_runs() if run.path == "receive"]
        assert {run.stage for run in runs} == {"before", "after"}
        figure = draw_owner_picture(runs, factories.make_baseline("receive"), None, words)
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        renderer = canvas.get_renderer()
        (axes,) = figure.axes
        texts = [*figure.texts, *axes.get_xticklabels(), *axes.get_yticklabels()]
        boxes = [text.get_window_extent(renderer) for text in texts if text.get_text()]
        assert len(boxes) > 8
        assert not [text for text in texts if "\u2026" in text.get_text()]
        for i, box in enumerate(boxes):
            assert 0.0 <= box.x0 < box.x1 <= figure.bbox.width, texts[i].get_text()
            assert 0.0 <= box.y0 < box.y1 <= figure.bbox.height, texts[i].get_text()
            assert not any(box.overlaps(other) for other in boxes[:i]), texts[i].get_text()
