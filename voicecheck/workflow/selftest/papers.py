"""A self-test as files, and as lines for a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from voicecheck.records.documents import format_json, to_document
from voicecheck.records.selftest import SelfTest, SelfTestLine
from voicecheck.workflow.selftest.sightwords import TITLE
from voicecheck.workflow.selftest.trying import TITLES
from voicecheck.writing import DOOR, Door

HTML_NAME, JSON_NAME = "selftest.html", "selftest.json"


def save_selftest(test: SelfTest, folder: Path, door: Door = DOOR) -> tuple[Path, ...]:
    """
    Write the page and the document of a self-test.

    Returns
    -------
    html, json : Path
    """
    from voicecheck.report.selftest import render_selftest

    html = render_selftest(test, TITLES, what_sight_is=TITLE, whole=say_whole(test))
    document = format_json(to_document(test)) + "\n"
    return door.write_all(folder, {HTML_NAME: html.encode(), JSON_NAME: document.encode()})


def say_selftest(test: SelfTest, *, with_all: bool = False) -> list[str]:
    """
    What a self-test gave, in lines.

    Parameters
    ----------
    test : SelfTest
    with_all : bool
        Also what passes, with its numbers.
    """
    told = []
    for group, title in TITLES.items():
        lines = [one for one in test.lines if one.group == group]
        if not lines:
            continue
        told.append(f"{title}: {say_count(lines)}")
        told += [say_line(one) for one in lines if with_all or one.outcome != "passes"]
    if test.told:
        told += ["", f"{TITLE}:", *(f"  {line}" for line in test.told)]
    return [*told, "", say_whole(test)]


def say_count(lines: Sequence[SelfTestLine]) -> str:
    """How many of those that were tried pass, and how many were not."""
    n_tried = sum(one.outcome != "not tried" for one in lines)
    if n_tried == 0:
        return "not tried"
    n_passed = sum(one.outcome == "passes" for one in lines)
    left = f", {len(lines) - n_tried} not tried" if n_tried < len(lines) else ""
    return f"{n_passed} of {n_tried} pass{left}"


def say_line(line: SelfTestLine) -> str:
    """One line with what was found and what to do."""
    told = f"  {line.title}: {line.outcome}"
    if line.told:
        told += f": {line.told}"
    if not line.advice:
        return told
    return f"{told}. {'What to do' if line.outcome == 'fails' else 'To have it'}: {line.advice}"


def say_whole(test: SelfTest) -> str:
    """The verdict."""
    n_left = test.count("not tried")
    left = f"; {n_left} not tried" if n_left else ""
    n_passed, n_failed = test.count("passes"), test.count("fails")
    told = f"All {n_passed} pass{left}."
    if n_failed:
        told = f"{n_failed} of {n_failed + n_passed} fail{'s' if n_failed == 1 else ''}{left}."
    return f"{told} {say_only(test)}".strip()


def say_only(test: SelfTest) -> str:
    """Which parts alone were tried; nothing where all were."""
    return f"Only this was tried: {', '.join(test.only)}." if test.only else ""
