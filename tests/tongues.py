"""What an owner reads: the sentences that every language has to have."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from voicecheck.words import WORDS_FOLDER, load_words

TONGUES = ("de", "fr", "es", "nl")
ENGLISH = load_words("en")
WHOLE_SECTIONS = (
    "language", "path", "mark", "flex_part", "slip", "loudness", "loudness_against",
    *(name for name in ENGLISH.sections if name.startswith("owner_")),
)  # fmt: skip
SINGLE = {
    "standing": ("digits_missing", "parts_missing"),
    "chart": ("simulated",),
    "owner": ("no_work",),
    "report": (
        "kicker", "title", "owner", "set_type", "job", "date", "came_in", "went_out", "page",
        "made", "subject",
    ),
    "work": (
        "part_both", "part_new", "part_old", "part", "adjustment_both", "adjustment_new",
        "adjustment_old", "adjustment",
    ),
    "caution": ("approval-owner", "emergency", "storm"),
}  # fmt: skip
"""Of sections that are the bench's otherwise."""
BENCH_ALONE = {"path": ("loop",)}
FORM = re.compile(r"_(zero|one|two|few|many|other)$")


def list_owner_sentences() -> dict[tuple[str, str], str]:
    """English sentences by section and key."""
    return {
        (section, key): sentence
        for section, table in ENGLISH.sections.items()
        for key, sentence in table.items()
        if (section in WHOLE_SECTIONS or key in SINGLE.get(section, ()))
        and key not in BENCH_ALONE.get(section, ())
    }


def read_tongue(tag: str, folder: Path = WORDS_FOLDER) -> dict[tuple[str, str], str]:
    """Sentences of one file alone, without what English lends it."""
    tables: Mapping[str, Mapping[str, Any]] = tomllib.loads(
        (folder / f"{tag}.toml").read_text(encoding="utf-8")
    )
    return {
        (section, key): text for section, table in tables.items() for key, text in table.items()
    }


def find_names(sentence: str) -> set[str]:
    """What is filled in."""
    return set(re.findall(r"\{(\w+)\}", sentence))


def without_form(key: str) -> str:
    """A key without the form of its plural."""
    return FORM.sub("", key)
