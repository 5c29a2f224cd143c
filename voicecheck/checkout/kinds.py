"""
What a check is: one face for whatever takes, analyses, keeps and shows checks.

Each package of this tier describes its own check; the workflow puts them together with their made
scenes and pictures. Whoever asks the face need not know which check it is. All of it loads
without numpy: what is heavy loads when it is called.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, Protocol

from voicecheck.words import load_words

if TYPE_CHECKING:
    from voicecheck.records import Finding, Problem, Programme, Recording

Plays = Literal["nothing", "tone", "speech", "programme"]
"""What a sound device may play while a check is recorded."""

HEARING_CAUTION = "A tone plays. Keep the receiver on its coupler or on the bench, never at an ear."
LINE_CAUTION = (
    "Line battery and ringing can shock. Readings on a public line only where local "
    "rules allow and by whoever is licensed to; this program gives no approval."
)
ON_BENCH = "Put the set into the loop, its handset off the hook and its receiver on the coupler."
NOT_KNOWN = "-"
"""Stands in a table for a value that the recording cannot give."""


class Check(Protocol):
    """The record of any check."""

    @property
    def problems(self) -> tuple[Problem, ...]:
        """What was wrong with the recording, or with the set beside its figures."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """
    Figures as they are shown, on a terminal and on a page alike.

    Parameters
    ----------
    name : str
        What the rows are, for whoever cannot see the table.
    rows : tuple of tuple of str
        The first cell of each names the row.
    heads : tuple of str
        Of the columns; none where a row is a name and its value.
    """

    name: str
    rows: tuple[tuple[str, ...], ...]
    heads: tuple[str, ...] = ()


Shown = str | Table
"""A sentence or a table of figures."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """One row of a picture: when or from where to where, in the picture's unit, with its words."""

    name: str
    parts: tuple[tuple[float, float], ...]
    told: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spans:
    """A picture of a check by rows of spans on one axis."""

    title: str
    axis: str
    rows: tuple[Span, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Guide:
    """
    What a check is for, what may hurt, and what to do at the bench.

    Parameters
    ----------
    title, purpose : str
    steps : tuple of str
        Before and while a sound device records; "{moved}" is the part that is moved.
    cue : str
        Told as recording begins and nothing is played; "" where the steps are enough.
    caution : str
        To be read before anything else; "" where nothing may hurt.
    is_grave : bool
        It is told of made scenes too, and at a sound device whatever is kept quiet.
    playing_steps, playing_caution : tuple of str, str
        In place of these where a tone or speech goes out; as `steps` and `caution` without.
    seconds : float
        How long a sound device usually records.
    drawings : tuple of (str, str)
        Of the wires: name among those of the benches, and what it shows.
    """

    title: str
    purpose: str
    steps: tuple[str, ...] = ()
    cue: str = ""
    caution: str = ""
    is_grave: bool = False
    playing_steps: tuple[str, ...] = ()
    playing_caution: str = ""
    seconds: float = 20.0
    drawings: tuple[tuple[str, str], ...] = ()

    def list_steps(self, *, plays: bool, moved: str = "") -> tuple[str, ...]:
        """
        What to do at a sound device before and while the check is recorded.

        Examples
        --------
        >>> Guide(title="A", purpose="b", steps=("Move the {moved}.",)).list_steps(
        ...     plays=False, moved="cord")
        ('Move the cord.',)
        """
        steps = (self.playing_steps or self.steps) if plays else self.steps
        return tuple(step.format(moved=moved) for step in steps)

    def get_caution(self, *, plays: bool) -> str:
        """What may hurt while it is recorded; "" where nothing may."""
        return (self.playing_caution or self.caution) if plays else self.caution


def load_by_name(record: str) -> Callable[[], type]:
    """Give a record of `voicecheck.records` when it is asked for: records load numpy."""

    def load() -> type:
        from voicecheck import records

        found: type = getattr(records, record)
        return found

    return load


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckKind:
    """
    The face of one check.

    Parameters
    ----------
    name : str
        Of its command, its section of the page, its documents and its keys in the check list.
    about : str
        What the command's help says of it.
    options : type
        Frozen record of what it may be told (see `voicecheck.records.fields`).
    guide : Guide
    load_record : callable
        Gives the type of its record, which has `problems` and may have `findings`.
    schema : str
        Of its document.
    measure : callable or None
        Recording and options -> record; `None` where readings are typed in.
    rate : callable or None
        Options -> record, of readings that are typed in.
    describe : callable
        Record -> what was found, in one line.
    tabulate : callable
        Record -> sentences and tables of its figures.
    plays : str
        What may be played meanwhile.
    limits : str
        Table of the data folder whose regions it is held against; its options have a `region`.
    input : str
        Channel of a set-up bench that hears it, "line_tap" or "ear".
    read_number : callable or None
        Record and seconds recorded -> digits that are complete, where digits roll by.
    is_paced : bool
        Something is moved to a beat; its options have `moved`, `beat_s` and `places`.
    report_names : mapping of str to str
        Part that was moved, or the check's name, to its name on the report where that differs.
    beside : callable or None
        Record -> further results that the report tells by names of their own.
    picture : callable or None
        Record -> spans to be drawn, where no drawing of its own is registered.
    codings : tuple of str
        Families of telephone codings whose files are good enough for what it measures.
    least_rate_hz : int
        Slower recordings are refused; 0 where every rate will do.
    make_programme : callable or None
        Options and level, dBFS -> what is played while two channels are recorded; `None` of it
        where these options want to listen to one channel only.
    level_dbfs : float
        What is played at unless something else is asked for.
    """

    name: str
    about: str
    options: type
    guide: Guide
    load_record: Callable[[], type]
    schema: str
    describe: Callable[[Any], str]
    tabulate: Callable[[Any], tuple[Shown, ...]]
    measure: Callable[[Recording, Any], Any] | None = None
    rate: Callable[[Any], Any] | None = None
    plays: Plays = "nothing"
    limits: str = ""
    input: str = "line_tap"
    read_number: Callable[[Any, float], str] | None = None
    is_paced: bool = False
    report_names: Mapping[str, str] = field(default_factory=dict)
    beside: Callable[[Any], Mapping[str, str]] | None = None
    picture: Callable[[Any], Spans] | None = None
    codings: tuple[str, ...] = ()
    least_rate_hz: int = 0
    make_programme: Callable[[Any, float], Programme | None] | None = None
    level_dbfs: float = -30.0


def say(value: float | None, digits: int = 1, unit: str = "") -> str:
    """
    A figure with its unit; a dash where it is not known.

    Examples
    --------
    >>> say(10.016, 2, "pulses/s"), say(None)
    ('10.02 pulses/s', '-')
    """
    return NOT_KNOWN if value is None else f"{value:.{digits}f} {unit}".rstrip()


def say_doubted(value: float | None, half_width: float | None, digits: int = 1) -> str:
    """
    A figure with the half-width of its 95 % interval, where one is stated.

    Examples
    --------
    >>> say_doubted(10.0, 0.02, 2), say_doubted(10.0, None)
    ('10.00 +/- 0.02', '10.0')
    """
    doubt = "" if half_width is None or value is None else f" +/- {half_width:.{digits}f}"
    return say(value, digits) + doubt


def say_signed(value: float | None, digits: int = 1, unit: str = "") -> str:
    """A figure with its sign; a dash where it is not known."""
    return NOT_KNOWN if value is None else f"{value:+.{digits}f} {unit}".rstrip()


def say_cadence(cadence_s: tuple[float, ...] | None, none: str) -> str:
    """
    On and off times of a tone or a bell.

    Examples
    --------
    >>> say_cadence((0.5, 0.25), "steady"), say_cadence((), "steady")
    ('0.50 s on, 0.25 s off', 'steady')
    """
    parts = (f"{one:.2f} s {('on', 'off')[at % 2]}" for at, one in enumerate(cadence_s or ()))
    return ", ".join(parts) or none


def list_outside(findings: tuple[Finding, ...]) -> list[str]:
    """What is outside its limits, each once, in a line; and whose limits where there are two."""
    words = load_words()
    names: dict[str, list[str]] = {}
    for finding in findings:
        if finding.verdict == "outside":
            limits = names.setdefault(words.say("quantity", finding.quantity), [])
            limits += [words.say("limit", finding.limit)] if finding.limit else []
    told = [f"{name} ({', '.join(limits)})" if limits else name for name, limits in names.items()]
    return [f"outside: {', '.join(told)}"] if told else []
