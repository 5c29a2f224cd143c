"""The words of DEVELOPERS.md: one meaning each, at home in the modules that carry their name."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "voicecheck"
NOT_WORDS = ("foretell", "surprise", "ladder", "manager", "utils", "process", "helper")
"""The trade has other words for these, or they say nothing."""


def read_rows() -> dict[tuple[str, ...], tuple[str, list[str]]]:
    """Words of each row of the table, their meaning and their modules."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.partition("## Words\n")[2].partition("\n## ")[0]
    cells = re.findall(r"^\| ([^|]+) \| ([^|]+) \| ?([^|]*) ?\|$", table, flags=re.MULTILINE)[1:]
    return {
        tuple(words.split(", ")): (meaning, re.findall(r"`([^`]+)`", homes))
        for words, meaning, homes in cells
    }


def list_modules() -> list[str]:
    """Modules and packages, as `web/desk`."""
    found = [path.relative_to(PACKAGE).with_suffix("") for path in PACKAGE.rglob("*.py")]
    packages = {path.parent for path in found if path.name == "__init__"} - {Path()}
    return sorted(
        map(Path.as_posix, {path for path in found if path.name != "__init__"} | packages)
    )


ROWS = read_rows()


def is_name_of(word: str, name: str) -> bool:
    """Whether a module's name is that word, alone or as many of them."""
    bare = word.replace(" ", "")
    many = {bare + "s", bare + "es", bare[:-1] + "ies"}
    return name in {bare, *many}


def test_no_word_has_two_meanings() -> None:
    words = [word for row in ROWS for word in row]
    assert len(words) == len(set(words)) >= 40
    meanings = [meaning for meaning, _ in ROWS.values()]
    assert len(meanings) == len(set(meanings))


@pytest.mark.parametrize("row", ROWS, ids=", ".join)
def test_modules_of_that_name_are_those_of_the_row(row: tuple[str, ...]) -> None:
    homes, modules = set(ROWS[row][1]), list_modules()
    assert homes - set(modules) == set(), "these are gone"
    named = {name for name in modules for word in row if is_name_of(word, Path(name).name)}
    assert named <= homes, f"{row[0]} is the name of these, too: say so in its row, or rename them"


def test_no_module_is_named_by_what_the_trade_calls_otherwise() -> None:
    assert [name for name in list_modules() if any(word in name for word in NOT_WORDS)] == []
