"""The handbook: whole, true to its drawings, in its own words, and its commands are run."""

from __future__ import annotations

import os
import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from handbookdrawings import draw_all
from helpers import run_program
from markupsafe import escape
from reportpage import Page
from typer.main import get_command

import voicecheck.__main__
from voicecheck.cli.commands import ENTRIES
from voicecheck.cli.main import make_app
from voicecheck.errors import InputError
from voicecheck.handbook import (
    CONTENTS,
    FOLDER,
    LINK,
    list_drawings,
    list_topics,
    load_topic,
    read_drawing,
    render_topic,
)
from voicecheck.words import load_words

ROOT = Path(__file__).parents[1]
TOPICS = list_topics()
RUN = re.compile(r"<!-- run: in an empty folder -->\n```console\n(.*?)```", re.DOTALL)
CONSOLE = re.compile(r"```console\n(.*?)```", re.DOTALL)
HISTORY = "changes"


def read_raw(name: str) -> str:
    return (FOLDER / f"{name}.md").read_text(encoding="utf-8")


def list_lines(text: str) -> Iterator[list[str]]:
    """Words of every command that is shown, without the program's name."""
    for block in CONSOLE.findall(text):
        for line in block.strip().splitlines():
            for part in line.split(" && "):
                program, *words = shlex.split(part)
                if program == "voicecheck":
                    yield words


def list_glossary() -> list[tuple[str, list[str]]]:
    """Each word, and what is not said in its place."""
    rows = re.findall(r"^\| ([^|]+) \| [^|]+ \| ?([^|]*?) ?\|$", read_raw("glossary"), re.MULTILINE)
    return [(word, [one for one in bad.split(", ") if one]) for word, bad in rows[1:]]


def strip_code(text: str) -> str:
    return re.sub(r"```.*?```|`[^`]*`", " ", text, flags=re.DOTALL)


class TestWhole:
    def test_every_page_is_in_the_contents_and_every_link_leads_somewhere(self) -> None:
        assert set(TOPICS) == {path.stem for path in FOLDER.glob("*.md")}
        for name in TOPICS:
            text = read_raw(name)
            for target in re.findall(r"\]\(([^)]+)\)", text):
                assert (FOLDER / target).is_file(), (name, target)
            assert text.startswith("# "), name

    def test_drawings_are_those_of_the_calibration(self) -> None:
        """`python tests/handbookdrawings.py` makes them anew."""
        drawn = draw_all()
        assert set(list_drawings()) == set(drawn)
        for name, text in drawn.items():
            assert read_drawing(name).decode("utf-8") == text, name
            assert f"]({name})" in read_raw("wiring"), name

    def test_another_page_is_refused_with_those_there_are(self) -> None:
        for name in ("", "Bench", "../words/en", "bench.md"):
            with pytest.raises(InputError, match="need one of first-job, cautions"):
                load_topic(name)
        with pytest.raises(InputError, match="no drawing"):
            read_drawing("../wiring.toml")

    def test_the_page_of_standards_names_tests_that_exist_and_leaves_none_out(self) -> None:
        named = set(re.findall(r"`(test_\w+\.py)`", read_raw("standards")))
        there = {path.name for path in (ROOT / "tests").glob("test_*.py")}
        assert named <= there
        assert {name for name in there if name.startswith("test_standard_")} <= named


class TestWords:
    def test_a_word_stands_for_one_thing(self) -> None:
        words = [word for row, _ in list_glossary() for word in row.split(", ")]
        assert len(words) == len(set(words)) > 30
        other = {bad for _, bads in list_glossary() for bad in bads}
        assert not other & set(words)

    @pytest.mark.parametrize("name", [one for one in TOPICS if one not in ("glossary", HISTORY)])
    def test_no_page_says_it_otherwise(self, name: str) -> None:
        text = strip_code(read_raw(name)).casefold()
        for word, bads in list_glossary():
            for bad in bads:
                assert not re.search(rf"\b{re.escape(bad.casefold())}s?\b", text), (word, bad)

    def test_every_word_is_used(self) -> None:
        pages = [name for name in TOPICS if name not in ("glossary", HISTORY)]
        text = " ".join(" ".join(read_raw(name).split()) for name in pages).casefold()
        for row, _ in list_glossary():
            for word in row.split(", "):
                assert word in text, word

    def test_every_caution_is_there_word_for_word(self) -> None:
        text = read_raw("cautions")
        cautions = load_words("en").sections["caution"]
        assert len(cautions) >= 12
        for key, caution in cautions.items():
            assert f"- {caution}\n" in text, key


class TestCommands:
    def test_every_line_is_one_that_the_program_takes(self) -> None:
        """Options and arguments are those of the command; nothing is carried out."""
        assert ENTRIES[-1].names == ("page",), voicecheck.__main__.__doc__
        app: Any = get_command(make_app())
        seen = 0
        for name in TOPICS:
            for words in list_lines(read_raw(name)):
                command, rest = app.commands[words[0]], words[1:]
                if hasattr(command, "commands"):
                    # What names no command of `line` is a reading of a meter.
                    named = words[1] in command.commands or words[0] != "line"
                    inner, rest = (words[1], words[2:]) if named else ("readings", words[1:])
                    command = command.commands[inner]
                command.make_context(" ".join(words), rest)
                seen += 1
        assert seen > 100

    def test_a_whole_job_is_among_those_that_are_run(self) -> None:
        (block,) = RUN.findall(read_raw("commands"))
        assert len(block.strip().splitlines()) > 40
        assert "voicecheck report 3" in block

    @pytest.mark.parametrize("name", [one for one in TOPICS if RUN.search(read_raw(one))])
    def test_a_block_that_is_run_ends_well(self, name: str, tmp_path: Path) -> None:
        environment = {**os.environ, "VOICECHECK_BOOK": str(tmp_path / "book")}
        for block in RUN.findall(read_raw(name)):
            for line in block.strip().splitlines():
                program, *words = shlex.split(line)
                assert program == "voicecheck"
                done = run_program(*words, folder=tmp_path, environment=environment)
                assert done.returncode == 0, (line, done.stderr)


class TestShown:
    def test_the_terminal_shows_a_page_as_it_is_written(self, tmp_path: Path) -> None:
        done = run_program("help", "carbon", folder=tmp_path)
        assert (done.returncode, done.stderr) == (0, "")
        assert done.stdout.startswith("# Carbon\n")
        assert "microwave" in done.stdout
        first = run_program("help", folder=tmp_path).stdout
        assert "voicecheck help bench" in first
        assert "<!--" not in run_program("help", "first-job", folder=tmp_path).stdout

    def test_a_page_that_is_none_is_told_in_one_line(self, tmp_path: Path) -> None:
        done = run_program("help", "swoop", folder=tmp_path)
        assert done.returncode == 2
        assert len(done.stderr.strip().splitlines()) == 1
        assert "first-job" in done.stderr

    @pytest.mark.parametrize("name", TOPICS)
    def test_html_is_whole_and_leads_to_other_pages(self, name: str) -> None:
        html = render_topic(name)
        page = Page(html)
        linked = [one["href"] for one in page.all("a")]
        assert linked == [f"/help/{one}" for one in LINK.findall(load_topic(name).text)]
        for image in page.all("img"):
            assert image["src"].removeprefix("/help/") in list_drawings()
            assert image["alt"]
        assert len(page.all("h1")) == 1
        assert "<!--" not in html

    def test_html_of_a_page_is_text(self, monkeypatch: pytest.MonkeyPatch) -> None:
        def read(_: str) -> str:
            return "# Carbon\n\n<script>alert(1)</script>\n"

        monkeypatch.setattr("voicecheck.handbook._read", read)
        monkeypatch.setattr("voicecheck.handbook.list_topics", lambda: ("carbon",))
        load_topic.cache_clear()
        render_topic.cache_clear()
        html = render_topic("carbon")
        load_topic.cache_clear()
        render_topic.cache_clear()
        assert "<script" not in html
        assert "&lt;script&gt;" in html


SCREENS = {
    "/": "first-job", "/jobs/1": "verdicts", "/jobs/1/checks": "checks", "/types": "no-good-set",
    "/jobs/1/trials": "trials",
    "/type?name=Lakeside%204": "no-good-set", "/benches": "bench", "/meter": "bench",
    "/sets": "taking-in",
}  # fmt: skip


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    from pagetest import fill_book, open_client

    with open_client(fill_book(tmp_path_factory.mktemp("help") / "book")) as client:
        yield client


class TestPage:
    def test_help_shows_every_page(self, client: Any) -> None:
        for name in TOPICS:
            address = "/help" if name == CONTENTS else f"/help/{name}"
            answer = client.get(address)
            assert answer.status_code == 200
            title = str(escape(load_topic(name).title))
            assert f"<title>{title}</title>" in answer.text
        assert client.get("/help/nothing").status_code == 404

    def test_drawings_are_shown_and_nothing_else(self, client: Any) -> None:
        answer = client.get("/help/wires-load.svg")
        assert answer.headers["content-type"] == "image/svg+xml"
        assert client.get("/help/nothing.svg").status_code == 404

    @pytest.mark.parametrize(("address", "topic"), SCREENS.items())
    def test_a_screen_leads_to_its_page(self, client: Any, address: str, topic: str) -> None:
        linked = [one.get("href") for one in Page(client.get(address).text).all("a")]
        assert f"/help/{topic}" in linked
        assert "/help" in linked
