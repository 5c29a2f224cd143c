"""Documents of the trials: what each take gave, what follows, and what that says of the causes."""

from __future__ import annotations

from dataclasses import dataclass, field

from voicecheck.records.signals import Problem


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialReading:
    """
    What one take of a trial gave.

    Parameters
    ----------
    step : str
        Of the trial's table.
    figures : dict of str to float or None
        By names that end with their units, as "level_db"; `None` where it could not be read.
    sound_sha256 : str
        Of the recording that is kept with the job; "" where none is.
    problems : tuple of Problem
    """

    step: str
    figures: dict[str, float | None] = field(default_factory=dict)
    sound_sha256: str = ""
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialEvidence:
    """
    How much a trial's outcome says for one cause.

    Parameters
    ----------
    code : str
        Of the fault table.
    probability : float
        Of this outcome where that is the cause.
    ratio : float
        The same over its mean among all causes: above 1 it speaks for the cause.
    n_cases : int
        Telephones that the probability was counted on.
    source : str
    """

    code: str
    probability: float
    ratio: float
    n_cases: int
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """
    One trial of a job.

    Parameters
    ----------
    name, outcome : str
        Of the trials' table.
    transmitter : str
        Kind of the set type's transmitter, by which the outcome is weighed.
    figures : dict of str to float or None
        What the outcome rests on.
    readings : tuple of TrialReading
        In the order of the steps.
    evidence : tuple of TrialEvidence
        For and against causes, the strongest first.
    problems : tuple of Problem
        Of all takes.
    """

    name: str
    outcome: str
    transmitter: str = ""
    figures: dict[str, float | None] = field(default_factory=dict)
    readings: tuple[TrialReading, ...] = ()
    evidence: tuple[TrialEvidence, ...] = ()
    problems: tuple[Problem, ...] = ()
