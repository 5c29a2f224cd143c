"""Outputs and books that lead nowhere, in every command that writes: one line, nothing written."""

from __future__ import annotations

from pathlib import Path

import pytest
from audio_files import run_main
from writers import BOOKLESS, FURTHER, WRITERS, get_words, make_place, typed_in

FILE = "in/photo.jpg"
NOWHERE = ("~nobody-of-that-name/y", "n" * 300, f"{FILE}/y", "a\0b")
INTO_FOLDERS = {"report", "selftest", "demo", "book backup", "book restore", "book salvage"}
WITH_OUTPUT = {**WRITERS, **FURTHER}
OUTPUTS = sorted(
    name for name, words in WITH_OUTPUT.items() if "out" in words.replace("/", " ").split()
)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    make_place(place := tmp_path_factory.mktemp("places") / "place")
    return place


def list_names(place: Path) -> set[str]:
    """Everything there is, but for what SQLite keeps beside a book that is open."""
    inner = (one.relative_to(place) for one in place.rglob("*") if ".db-" not in one.name)
    return {str(one) for one in inner if one.parts[0] != "home"}


def refuse(place: Path, words: list[str]) -> None:
    before = list_names(place)
    with typed_in(place):
        code, _, said = run_main(*words)
    lines = [line for line in said.splitlines() if line.startswith("voicecheck: ")]
    assert code in {2, 5}, (words, said)
    assert len(lines) == 1, said
    assert "unexpected" not in said
    assert len(lines[0]) < 800
    assert list_names(place) == before


def put(words: list[str], target: str) -> list[str]:
    """The words with another output, of the same ending where its name has one."""
    (old,) = [word for word in words if word == "out" or word.startswith("out/")]
    ending = Path(old).suffix if target not in {".", ""} else ""
    return [f"{target}{ending}" if word == old else word for word in words]


def test_there_are_many() -> None:
    assert len(OUTPUTS) > 15
    assert set(OUTPUTS) >= INTO_FOLDERS


@pytest.mark.parametrize("name", OUTPUTS)
def test_an_output_that_leads_nowhere(name: str, place: Path) -> None:
    for target in NOWHERE:
        refuse(place, put(get_words(name), target))


@pytest.mark.parametrize("name", sorted({*OUTPUTS} - {"report", "selftest"}))
def test_a_dot_as_output(name: str, place: Path) -> None:
    """No file, and no new folder; a report may be written into the folder where one is."""
    for target in (".", ""):
        refuse(place, put(get_words(name), target))


@pytest.mark.parametrize("name", sorted({*WRITERS} - BOOKLESS))
def test_a_book_that_leads_nowhere(name: str, place: Path) -> None:
    words = get_words(name)
    for target in (*NOWHERE, FILE):
        refuse(place, [*words[: words.index("--book")], "--book", target])
