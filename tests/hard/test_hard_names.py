"""Names, notes and files with commands to the terminal in them: no command prints one raw."""

from __future__ import annotations

import dataclasses
import json
import re
import shlex
import shutil
import unicodedata
from pathlib import Path
from typing import Any

import pytest
from audio_files import run_main
from telling import fill_book
from test_cli_words import BOOKLESS, IN_TABLES, WALKS

from voicecheck.cli.helping import EXAMPLES
from voicecheck.cli.screen import clean_lines
from voicecheck.jobbook import JobBook
from voicecheck.records import Device

HOSTILE = "x\x1b[2J\x07\r\x08\x9b31m\u202egnp\u2066\u2028\x7fé"
LONG = "n" * 250
BIDI = set("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
FREE = {"page", "demo"}
"""What serves, or makes a book of its own whatever is typed after it."""


def list_raw(text: str) -> set[str]:
    """Characters that a terminal would take for more than a letter, by the Unicode tables."""
    return {
        repr(one)
        for one in text
        if one in BIDI
        or (unicodedata.category(one) in {"Cc", "Zl", "Zp", "Cs"} and one not in "\n\t")
    }


@pytest.fixture(scope="module")
def made_book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A book in which every word that a user may type is hostile."""
    folder = tmp_path_factory.mktemp("hostile")
    where = folder / "book"
    fill_book(where, n_good=3)
    (file := folder / f"a\x1b[2Jb\x07\u202e{LONG[:150]}.txt").write_text("paper")
    with JobBook.open(where) as opened:
        kind = dataclasses.replace(opened.list_types()[0], region=HOSTILE, notes=HOSTILE)
        opened.edit_type(kind)
        for number in (1, 4):
            words = {"label": HOSTILE, "owner": HOSTILE, "complaint": HOSTILE}
            opened.edit_job(number, **words)
            opened.add_note(number, f"{HOSTILE}\n{HOSTILE}")
            opened.attach_file(number, file)
    code, _, said = run_main(
        "bench", "add", HOSTILE, "--device", HOSTILE, "--input-device", HOSTILE,
        "--book", str(where),
    )  # fmt: skip
    assert code == 0, said
    return where


@pytest.fixture
def book(made_book: Path, tmp_path: Path) -> Path:
    """A copy, since many commands change what others would look at."""
    return Path(shutil.copytree(made_book, tmp_path / "kept" / "book"))


def walk(line: str, book: Path) -> tuple[int, str, str]:
    """One command as the word list walks it, on a job of this book."""
    words = shlex.split(re.sub(r"\b[6-9]\b", "4", line, count=1))
    with_book = [] if words[0] in BOOKLESS else ["--book", str(book)]
    return run_main(*words, *with_book)


@pytest.mark.parametrize("line", sorted({*WALKS, *IN_TABLES}))
def test_no_command_prints_what_a_user_typed_raw(line: str, book: Path) -> None:
    code, out, said = walk(line, book)
    assert list_raw(out + said) == set()
    assert code in {0, 2}, said


@pytest.mark.parametrize("line", ["job show 1", "job list", "job timeline 1", "bench list"])
def test_what_was_typed_is_there_written_out(line: str, book: Path) -> None:
    """Nothing is left out: the hostile words were really printed."""
    _, out, _ = walk(line, book)
    assert "\\u001b[2J" in out
    assert "\\u202e" in out


def test_json_gives_back_what_was_typed(book: Path) -> None:
    _, out, _ = run_main("job", "show", "1", "--json", "--book", str(book))
    assert list_raw(out) == set()
    document = json.loads(out)
    assert document["owner"] == HOSTILE
    assert document["notes"][0] == f"{HOSTILE}\n{HOSTILE}"


@pytest.mark.parametrize("name", sorted(set(EXAMPLES) - FREE))
@pytest.mark.parametrize("hostile", [HOSTILE, LONG, f"a/\udcff\x1b{LONG}"])
def test_what_is_typed_into_a_command_comes_back_in_one_line(
    name: str, hostile: str, book: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As an argument, as an option's value, as an option: one short line."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("VOICECHECK_BOOK", str(book))
    for more in ([hostile], [hostile] * 3, [f"--{hostile}"], ["--book", f"{tmp_path}/{hostile}/x"]):
        code, out, said = run_main(*name.split(), *more)
        assert list_raw(out + said) == set()
        if code:
            *cautions, line = said.strip().splitlines()
            assert code in {2, 3, 4, 5}, said
            assert all(one.startswith("Caution: ") for one in cautions), said
            assert len(line) < 800, said


def test_names_of_devices_are_only_letters(monkeypatch: pytest.MonkeyPatch) -> None:
    from voicecheck.bench.soundcard import card

    fields = {field.name: 1 for field in dataclasses.fields(Device)}
    device: Any = Device(**{**fields, "name": HOSTILE, "host_api": HOSTILE})  # type: ignore[arg-type]
    monkeypatch.setattr(card, "list_devices", lambda: (device,))
    for words in (["devices"], ["devices", "--json"]):
        code, out, said = run_main(*words)
        assert (code, list_raw(out + said)) == (0, set())
        assert "\\u001b" in out


def test_a_file_of_a_hostile_name_is_written_and_told(book: Path, tmp_path: Path) -> None:
    target = tmp_path / "out\x1b[31m\u202e.zip"
    code, out, said = run_main("job", "export", "4", str(target), "--book", str(book))
    assert code == 0, said
    assert target.is_file()
    assert list_raw(out + said) == set()
    shutil.copy(target, tmp_path / "again.zip")


def test_what_is_looked_for_would_be_found() -> None:
    assert len(list_raw(HOSTILE)) == 9
    assert list_raw("é and 日本, a tab\t and a new line\n") == set()


def test_ordinary_letters_stay_as_they_are() -> None:
    text = "Åse's 电话 telefone, ½ Ω µ, naïve: 👩‍🔧 नमस्ते\n\ttab"
    assert clean_lines(text) == text
