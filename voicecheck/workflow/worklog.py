"""The lines of a job's work log in people's words; the book keeps them as records name them."""

from __future__ import annotations

import re

from voicecheck.records import Event
from voicecheck.records.verdicts import CHANGES
from voicecheck.words import Words
from voicecheck.workflow.strip import PATHS
from voicecheck.workflow.told import say_stage_name

MARKS: dict[str, str] = {path: mark for mark, path in PATHS.items()}
PIECE = r"(?:run|check)-\d+ \((?P<piece>.+?)\)"
SET_ASIDE = re.compile(PIECE + r": (?P<why>.*)", re.DOTALL)
FORMS = {
    "moved": re.compile(PIECE + r" to (?P<stage>.+?): (?P<why>.*)", re.DOTALL),
    "put aside": SET_ASIDE,
    "brought back": SET_ASIDE,
    "compared": re.compile(r"(?P<stage>.+?) against (?P<other>.+): (?P<found>.+)", re.DOTALL),
}
"""How the book writes a line, by its kind."""


def say_event(event: Event, words: Words) -> tuple[str, str]:
    """
    What happened and of what, as people say it.

    Parameters
    ----------
    event : Event
    words : Words

    Returns
    -------
    tuple of str
        What happened, and of what; what people wrote stays as they wrote it.

    Examples
    --------
    >>> from voicecheck.words import load_words
    >>> event = Event(at_utc="2031-04-02T09:30:00Z", kind="run", text="sidetone, after")
    >>> say_event(event, load_words())
    ('swept', 'own voice, after the work')
    """
    if event.kind == "stage":
        return event.text, ""
    return words.say_own("log", event.kind, event.kind), _say_text(event, words)


def _say_text(event: Event, words: Words) -> str:
    """What it was done to; as it stands where a line is of another form than today's."""
    if event.kind == "run":
        return _say_piece(event.text, words)
    if event.kind == "cause":
        return event.text.partition(": ")[2] or event.text
    match = FORMS[event.kind].fullmatch(event.text) if event.kind in FORMS else None
    if match is None:
        return event.text
    if event.kind == "compared":
        return _say_compared(match, words)
    piece, why = _say_piece(match["piece"], words), match["why"]
    if event.kind == "moved":
        stage = say_stage_name(match["stage"], words)
        return words.say("log", "piece_moved", piece=piece, stage=stage, why=why)
    return f"{piece}: {why}"


def _say_piece(piece: str, words: Words) -> str:
    """A run by its part of the set and its stage; a check by its name alone."""
    path, comma, stage = piece.partition(", ")
    if not comma:
        return piece
    mark = MARKS.get(path)
    name = words.say("mark", mark) if mark else words.say_own("log", path, path)
    return f"{name}, {say_stage_name(stage, words)}"


def _say_compared(match: re.Match[str], words: Words) -> str:
    found, other = match["found"], match["other"]
    # Against its own stage as found a set has changed or not; older books say "outside" there.
    is_change = other == "before"
    return words.say(
        "log",
        "held_against",
        stage=say_stage_name(match["stage"], words),
        other=say_stage_name(other, words),
        found=CHANGES.get(found, found) if is_change else found,
    )
