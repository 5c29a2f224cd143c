"""What of a job says who its owner is: name, contact, voice, photographs."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from pathlib import PurePath
from typing import Any

from voicecheck.records.jobwords import PERSONAL_WORDS

PICTURES = (".jpg", ".jpeg", ".png", ".gif", ".webp", ".heic", ".tif", ".tiff", ".bmp")
SOUNDS = (".flac", ".wav", ".mp3", ".ogg", ".m4a", ".opus", ".aif", ".aiff")
KEPT_SOUND = re.compile(
    r"(?!speak)[a-z]+-(before|after)\.flac|trial-[a-z-]+-\d+\.flac|protocol-[a-z-]+-\d+\.flac"
)
"""Recordings of the other checks, of trials and the protocol: a dial, a bell; nobody's voice."""
SOMEBODY = "(owner)"
WORK_TEXTS = ("what", "old_value", "new_value", "answer", "withdrawn")
"""Of an entry of the work, where somebody may be named."""
ADDRESS = re.compile(r"[^\s,;]+@[^\s,;]+|\+?\d[\d ()/-]{4,}\d")
"""Of letters, and of telephones as people write their numbers."""
EDITED = re.compile(rf"(?:^|; )({'|'.join(PERSONAL_WORDS)}): (.*?)(?=; [a-z_ ]+: |$)", re.DOTALL)
"""How the time line writes what was changed of a job."""
SHORTEST = 3
"""Letters of a family name that is looked for by itself."""


def is_personal_file(name: str) -> bool:
    """
    Whether a file of a job is a photograph, or may hold somebody's voice.

    Examples
    --------
    >>> is_personal_file("hall.JPG"), is_personal_file("speak-after.flac")
    (True, True)
    >>> is_personal_file("bell-after.flac"), is_personal_file("check-speak.json")
    (False, False)
    """
    suffix = PurePath(name).suffix.lower()
    return suffix in PICTURES or (suffix in SOUNDS and not KEPT_SOUND.fullmatch(name))


def list_names(words: Mapping[str, Any]) -> tuple[str, ...]:
    """
    What an owner may be called by in a note: the words as they stand, family name, addresses.

    Examples
    --------
    >>> list_names({"owner": "A. Invented", "contact": "a@example.org, 0123 45"})
    ('a@example.org, 0123 45', 'a@example.org', 'A. Invented', 'Invented', '0123 45')
    """
    found = {(words[name] or "").strip() for name in PERSONAL_WORDS}
    owner = (words["owner"] or "").split()
    found |= {owner[-1]} if owner and len(owner[-1]) >= SHORTEST else set()
    found |= set(ADDRESS.findall(words["contact"] or ""))
    return sort_names(found)


def sort_names(names: Iterable[str]) -> tuple[str, ...]:
    """Names, the longest first, so that no part of one is left standing."""
    return tuple(sorted(filter(None, names), key=lambda one: (-len(one), one)))


def list_former_names(edits: Iterable[str]) -> set[str]:
    """
    What an owner was called before, out of a time line's lines of what was changed.

    Examples
    --------
    >>> sorted(list_former_names(["owner: B. Former; complaint: faint", "label: hall"]))
    ['B. Former', 'Former']
    """
    found: set[str] = set()
    for line in edits:
        said = dict.fromkeys(PERSONAL_WORDS, "")
        said |= {one[1]: one[2] for one in EDITED.finditer(line) if one[1] in said}
        found |= set(list_names(said))
    return found


def leave_out(text: str, names: Iterable[str]) -> str:
    """
    A text with nobody's name in it.

    Examples
    --------
    >>> leave_out("asked mrs invented; reinvented the hook", ("Mrs Invented", "Invented"))
    'asked (owner); reinvented the hook'
    """
    for name in names:
        pattern = rf"(?<![\w-]){re.escape(name)}(?!\w)"
        text = re.sub(pattern, SOMEBODY, text, flags=re.IGNORECASE)
    return text
