"""What is said at the end of a piece of work, wherever it is shown."""

from __future__ import annotations

from dataclasses import dataclass

from voicecheck.records.standing import NextStep
from voicecheck.words import Words


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldPart:
    """One part of the set: its name, what is said of it, and its state in a word."""

    name: str
    sentence: str
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """
    A comparison in a few lines.

    Parameters
    ----------
    simulated : str
        That no real telephone was measured; "" where one was.
    headline : str
        Well or not, at which stage, held against what.
    parts : tuple of ToldPart
    lead : tuple of str
        Told before the parts: of a change, how the set is now and was as found.
    lines : tuple of str
        Told after them: the likely cause, how sure, what else was tested.
    next_step : NextStep or None
        Of the job.
    """

    simulated: str
    headline: str
    parts: tuple[ToldPart, ...]
    lead: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()
    next_step: NextStep | None = None


def say_stage_name(stage: str, words: Words) -> str:
    """A stage as people say it; one of the user's own as it is."""
    return words.say_own("standing", f"stage_{stage}", stage)


def write_sentence(text: str) -> str:
    """
    A phrase as a sentence.

    Examples
    --------
    >>> write_sentence("it crackles.")
    'It crackles.'
    """
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."
