"""No command prints a code, and none an engineer's word before it is asked for numbers."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from telling import SHOUT, call, fill_book

from voicecheck.cli.helping import EXAMPLES

CODE = re.compile(
    r"\bF\d\d\b|\bS\d\d\b|\b(?:MEM|PROP|TRADE|CALC|PUB(?:-2ND|-ABS)?)\b"
    r"|\b[a-z0-9]+(?:_[a-z0-9]+)*_(?:db|dbm|dbfs|hz|percent|ms|s|pps|ma|v|ohm)\b"
)
ENGINEERS = re.compile(
    r"kurtosis|psophometric|crest|\bTHD\b|SINAD|C-message|\boutlier", re.IGNORECASE
)
HELD = ("compare 9", "compare 9 --stage before", "compare 9 --against before",
        "compare 9 --stage before --against mask:narrowband-handset-transmit")  # fmt: skip
WALKS = (
    *HELD, "type list", "job open two --type 'Hillview 2'", "job list", "job show 9", "job takes 9",
    "job timeline 9", "job note 9 'new cord'", "job edit 9 --complaint faint", "job done 6",
    "job done 6 --undo", "job close 8", "job reopen 8", "job remove 7", "job restore 7",
    "job cause 9 'worn cord'", "element 9", "masks", "baseline list",
    "baseline show 'Hillview 2'", "baseline build 'Hillview 2'", "book verify", "handsets",
    "work hazard 9 'worn cord'", "work answer 9 1 'cord replaced'", "work part 9 cord --new brown",
    "work adjust 9 clapper --old far --new near", "work ohms 9 receiver 63.5", "work time 9 40",
    "work list 9", "work withdraw 9 2 --why 'wrong job'", "work correct 9 1 'new cord, brown'",
    "set list", "shop", "statistics", "set show 1", "set edit 1 --colour green",
    "help", "check 9", "check 9 --done 1", "bench list", "type edit 'Hillview 2' --region Sweden",
    "dial 9 --simulated slow+bouncing:37", "tones 9 --simulated busy",
    "flex 9 --simulated cord-break", "bell 9 --simulated healthy", "speak 9 --simulated quiet",
    "line 9 --on-hook-v 48 --loop-ma 13", "parts capacitor 9 --simulated healthy",
    "sweep 9 --path loop --simulated carbon --seats 1", "trial crackle 9 --simulated carbon",
    "trial termination 9 --simulated carbon", "line list", "line show 'exchange, Sweden'",
    "fits 9 --line 'exchange, Sweden'", "protocol start --type 'Hillview 2'",
    "protocol next 9 --simulated carbon", "protocol show 9",
)  # fmt: skip
IN_TABLES = (
    *(f"{one} --numbers" for one in HELD), "job show 9 --numbers",
    "dial 9 --simulated slow+bouncing:37 --numbers", "line 9 --loop-ma 13 --numbers",
)  # fmt: skip
BOOKLESS = {"masks", "handsets", "help"}
BY_HAND = {
    "demo", "page", "devices", "watch", "report", "import", "book backup", "book reanalyze",
    "book salvage", "book empty-bin", "signal", "analyze", "frying", "job attach", "job export",
    "job label", "job forget", "book restore", "slip", "export job", "export baseline",
    "baseline export", "baseline import", "job move", "job aside", "job back",
    "type add", "type remove", "line add", "selftest", "protocol hide", "protocol open",
    "protocol bundle", "protocol again",
}  # fmt: skip
"""What writes files, needs other books or devices, or says a line and no more."""
GROUPS = {"bench", "job", "type", "baseline", "book", "export", "set", "work", "protocol"}


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("words") / "book"
    fill_book(folder)
    return folder


def list_words(text: str, kind: re.Pattern[str]) -> list[str]:
    return sorted(set(kind.findall(text)))


def split(line: str) -> list[str]:
    return [one.strip("'") for one in re.findall(r"'[^']*'|\S+", line)]


def test_every_command_is_walked_or_named() -> None:
    walked = (*WALKS, *IN_TABLES)
    missing = [
        name
        for name in EXAMPLES
        if name not in BY_HAND
        and not name.startswith("bench ")
        and name
        not in {"bench", "job", "type", "baseline", "book", "export", "set", "work", "protocol"}
        and not any(line == name or line.startswith(f"{name} ") for line in walked)
    ]
    assert missing == []


def test_no_code_and_no_word_of_an_engineer(book: Path) -> None:
    found = {}
    for line in WALKS:
        text = call(*split(line), book=None if line in BOOKLESS else book, is_all=True)
        bad = [*list_words(text, CODE), *list_words(text, ENGINEERS)]
        if bad:
            found[line] = bad
    assert found == {}


def test_tables_hold_no_code_either(book: Path) -> None:
    found = {}
    for line in IN_TABLES:
        if bad := list_words(call(*split(line), book=book, is_all=True), CODE):
            found[line] = bad
    assert found == {}


def test_what_is_looked_for_would_be_found() -> None:
    told = "F03 S41 PUB-2ND thd_315_percent bounce_ms loop_ma MEM"
    assert len(list_words(told, CODE)) == 7
    assert list_words("crackle (kurtosis)", ENGINEERS) == ["kurtosis"]
    assert list_words("narrowband-handset-transmit 48 V", CODE) == []


@pytest.mark.parametrize("line", [*HELD, "job show 9", "job takes 9", "element 9"])
def test_whatever_rests_on_no_real_telephone_says_so(book: Path, line: str) -> None:
    assert SHOUT in call(*split(line), book=book).splitlines()
