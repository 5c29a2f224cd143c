"""The electrical check of a part: what is played, what was found."""

from __future__ import annotations

from dataclasses import dataclass, field

from voicecheck.records.jobs import Finding
from voicecheck.records.signals import Problem


@dataclass(frozen=True, slots=True, kw_only=True)
class PartsRecipe:
    """
    Everything that is needed to make the stimulus of the electrical check again.

    Levels are in dBFS re a full-scale sine, those of the steps in dB re `level_dbfs`. The tones
    are played one after another, each long enough for its lock-in; `hold_s` is how long about
    1 kHz then stays for a contact that is moved.
    """

    rate_hz: int = 48000
    level_dbfs: float = -12.0
    cap_dbfs: float = -3.0
    tones_hz: tuple[float, ...] = ()
    step_levels_db: tuple[float, ...] = ()
    hold_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PartFigure:
    """A figure of a part; `None` is withheld. The uncertainty is that of a 95 % interval."""

    value: float | None
    uncertainty: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PartRow:
    """One part of a figure's uncertainty: half-width of a 95 % interval in the figure's unit."""

    name: str
    half_width: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PartEvent:
    """What a contact did while it was moved, as `FlexEvent` tells it of a tone."""

    kind: str
    at_s: float
    duration_ms: float
    depth_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PartsCheck:
    """
    One part between a resistor and two inputs.

    `impedance_ohm` holds real and imaginary part at each frequency, `uncertainty_ohm` half the
    width of a 95 % interval of its magnitude. `budget` says what the uncertainty of each figure is
    made of; `causes` are what the figures speak for, in words; `findings` hold figures against what
    the set type says.
    """

    part: str
    frequency_hz: tuple[float, ...] = ()
    impedance_ohm: tuple[tuple[float, float], ...] = ()
    uncertainty_ohm: tuple[float | None, ...] = ()
    figures: dict[str, PartFigure] = field(default_factory=dict)
    budget: dict[str, tuple[PartRow, ...]] = field(default_factory=dict)
    resistor_ohm: float | None = None
    corrections: tuple[str, ...] = ()
    line_impedance: str = ""
    return_loss_db: tuple[float | None, ...] = ()
    events: tuple[PartEvent, ...] = ()
    causes: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    notes: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()
