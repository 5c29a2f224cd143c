"""Where a limit or a cause comes from, in words: codes are for files alone."""

from __future__ import annotations

import csv
import re
from functools import cache
from importlib import resources

from voicecheck.words import Words

CODE = re.compile(r"\bS\d{2}\b")
TAG = re.compile(r"\b(?:PUB-2ND|PUB-ABS|PUB|TRADE|CALC|MEM|PROP)\b")
TWICE = re.compile(r"(?P<told>.+) \((?P=told)\)")


@cache
def load_references() -> dict[str, str]:
    """Sources by their code, as they are cited."""
    source = resources.files("voicecheck") / "data" / "sources.csv"
    rows = csv.DictReader(source.read_text(encoding="utf-8").splitlines())
    return {row["code"]: row["reference"] for row in rows}


def say_source(text: str, words: Words) -> str:
    """
    A source with its provenance, without a code.

    Parameters
    ----------
    text : str
        As a table of the program has it.
    words : Words

    Examples
    --------
    >>> from voicecheck.words import load_words
    >>> say_source("PROP (PROP)", load_words("en")), say_source("S57 (TRADE)", load_words("en"))
    ('rule of thumb, no standard', 'Ringing voltage pages (common practice of the trade)')
    """
    references = load_references()
    told = CODE.sub(lambda found: references.get(found[0], found[0]), text)
    told = TAG.sub(lambda found: words.say("provenance", found[0]), told)
    twice = TWICE.fullmatch(told)
    return twice["told"] if twice else told
