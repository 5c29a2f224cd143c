"""Documents of the protocol: what each part of the two evenings gave, and what that shows."""

from __future__ import annotations

from dataclasses import dataclass, field

from voicecheck.records.signals import SIMULATED, Calibration, Problem
from voicecheck.records.terms import MarkState


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtocolPart:
    """
    What one part gave; kept with its job as it is done.

    Parameters
    ----------
    part, step : str
        Of the protocol's table, as "seats 2A" and "seats".
    taken_utc, bench, version : str
    figures : dict of str to float or None
        By names that end with their units; `None` where it could not be read.
    uncertainty : dict of str to float
        Half-width of a 95 % interval of each figure, by the same names, where there is one.
    typed : dict of str to float
        What somebody read off a meter.
    sounds : tuple of str
        SHA-256 of each recording, in the order of the takes.
    calibration : Calibration or None
        Of recordings that hold no programme; the others carry their own.
    answer : str
        What the program said of a round, before the envelope was opened; or an envelope's SHA-256.
    plants : tuple of str
        What was in the envelope, once it is open.
    problems : tuple of Problem
        Of all takes, each once; why a figure is withheld stands there.
    """

    part: str
    step: str
    taken_utc: str
    bench: str
    version: str
    figures: dict[str, float | None] = field(default_factory=dict)
    uncertainty: dict[str, float] = field(default_factory=dict)
    typed: dict[str, float] = field(default_factory=dict)
    sounds: tuple[str, ...] = ()
    calibration: Calibration | None = None
    answer: str = ""
    plants: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()

    @property
    def is_simulated(self) -> bool:
        """Whether nothing real was recorded."""
        return self.bench == SIMULATED


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtocolFinding:
    """
    What one step shows.

    Parameters
    ----------
    step, quantity, unit : str
    value, uncertainty : float or None
        With the half-width of its 95 % interval.
    expected, expected_uncertainty : float or None
        What it is held against.
    low, high : float or None
        Where it is within.
    verdict : str
    said : str
        The same as a sentence.
    source : str
    """

    step: str
    quantity: str
    unit: str
    verdict: MarkState
    said: str
    value: float | None = None
    uncertainty: float | None = None
    expected: float | None = None
    expected_uncertainty: float | None = None
    low: float | None = None
    high: float | None = None
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Protocol:
    """
    The protocol of a job as far as it was done.

    Parameters
    ----------
    job : int or None
    version : str
        That judged it.
    parts : tuple of ProtocolPart
        Of each the newest, in the order of the evenings.
    missing : tuple of str
        Parts that were not done.
    findings : tuple of ProtocolFinding
    overall : str
        The gravest verdict; "not tested" while no step can be judged.
    told : tuple of str
        What the bench can tell at all, by its takes without a set.
    """

    job: int | None
    version: str
    overall: MarkState
    parts: tuple[ProtocolPart, ...] = ()
    missing: tuple[str, ...] = ()
    findings: tuple[ProtocolFinding, ...] = ()
    told: tuple[str, ...] = ()

    @property
    def is_simulated(self) -> bool:
        """Whether any part of it was recorded on no real bench."""
        return any(one.is_simulated for one in self.parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangedFigure:
    """
    A figure that the present version reads otherwise from the same recording.

    `is_beyond` says that the change exceeds the interval that was stated for it.
    """

    part: str
    figure: str
    was: float | None
    now: float | None
    uncertainty: float | None
    is_beyond: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangedVerdict:
    """A finding or a round's answer that is another."""

    step: str
    quantity: str
    was: str
    now: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtocolAgain:
    """
    A protocol's recordings, read by the present version.

    Parameters
    ----------
    was_version, version : str
        That judged it then, and now.
    n_recordings, n_figures : int
        That were read again.
    changed : tuple of ChangedFigure
    verdicts : tuple of ChangedVerdict
    now : Protocol
    """

    was_version: str
    version: str
    n_recordings: int
    n_figures: int
    now: Protocol
    changed: tuple[ChangedFigure, ...] = ()
    verdicts: tuple[ChangedVerdict, ...] = ()

    @property
    def is_simulated(self) -> bool:
        """Whether any of it was recorded on no real bench."""
        return self.now.is_simulated
