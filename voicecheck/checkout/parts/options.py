"""What the electrical check may be told, and what its files hold once they are read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from msgspec import Meta

from voicecheck.checkout.options import CheckOptions
from voicecheck.records.terms import PartName

if TYPE_CHECKING:
    from voicecheck.records import Programme, Recording

USUAL_OHM: dict[str, float] = {
    "set": 600.0, "receiver": 100.0, "capacitor": 5000.0, "bell": 5000.0, "contact": 10.0,
    "feed": 10.0, "limiter": 100.0,
}  # fmt: skip
"""The resistor that tells most of a part, ohm (CALC: by the two channels' own errors)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Loaded:
    """
    What the files of an order hold.

    Parameters
    ----------
    programme : Programme or None
        The stimulus.
    takes : mapping of str to Recording
        "open", "short", "reference", "damped"; two channels each.
    ratios : mapping of str to Ratios
        "open", "short", "reference" as a bench's calibration keeps them.
    """

    programme: Programme | None = None
    takes: Mapping[str, Recording] = field(default_factory=dict)
    ratios: Mapping[str, Any] = field(default_factory=dict)


def _file(option: str, label: str, about: str) -> Any:
    return Meta(description=about, extra={"option": option, "label": label})


@dataclass(frozen=True, slots=True, kw_only=True)
class PartsOptions(CheckOptions):
    """What the electrical check of a part may be told."""

    part: Annotated[
        PartName,
        Meta(
            description="set, receiver, capacitor, bell, contact, feed or limiter.",
            extra={"label": "Part", "argument": "PART"},
        ),
    ] = "set"
    signal: Annotated[
        Path | None, _file("--signal", "Stimulus that was played", "The stimulus that was played.")
    ] = None
    resistor_ohm: Annotated[
        float | None,
        Meta(
            ge=0.1,
            le=1e6,
            description="Resistor in series with the part",
            extra={"label": "Resistor, ohm", "unit": "ohm", "remedy": "; was it kilohms?"},
        ),
    ] = None
    resistor_percent: Annotated[
        float,
        Meta(
            ge=0.001,
            le=20,
            description="What the resistor may be off by.",
            extra={"label": "Resistor's tolerance, %", "unit": "percent"},
        ),
    ] = 1.0
    reference: Annotated[
        Path | None,
        _file(
            "--reference",
            "Take of a known resistor",
            "Recording with a known resistor as the part.",
        ),
    ] = None
    reference_ohm: Annotated[
        float | None,
        Meta(
            ge=0.1,
            le=1e6,
            description="Value of the known resistor.",
            extra={"label": "Known resistor, ohm", "unit": "ohm"},
        ),
    ] = None
    reference_percent: Annotated[
        float,
        Meta(
            ge=0.001,
            le=20,
            description="What the known resistor may be off by.",
            extra={"label": "Known resistor's tolerance, %", "unit": "percent"},
        ),
    ] = 1.0
    open_end: Annotated[
        Path | None, _file("--open", "Take of an open end", "Recording with nothing as the part.")
    ] = None
    shorted: Annotated[
        Path | None, _file("--short", "Take of a short", "Recording with the clips joined.")
    ] = None
    damped: Annotated[
        Path | None,
        _file(
            "--damped",
            "Receiver with a finger on its cap",
            "Recording of the receiver, its diaphragm held by a finger.",
        ),
    ] = None
    line_impedance: Annotated[
        str,
        Meta(
            max_length=60,
            description="What a set's return loss is against, as 600 ohm, 900 ohm or Europe.",
            extra={"label": "Line impedance", "example": "600 ohm"},
        ),
    ] = "600 ohm"
    full_scale_v: Annotated[
        float | None,
        Meta(
            ge=1e-4,
            le=1000,
            description="Peak volts that record as full scale.",
            extra={"label": "Full scale, V", "unit": "V"},
        ),
    ] = None
    full_scale_percent: Annotated[
        float,
        Meta(
            ge=0.01,
            le=50,
            description="What those volts may be off by.",
            extra={"label": "Full scale's tolerance, %", "unit": "percent"},
        ),
    ] = 2.0
    loaded: Loaded = field(default_factory=Loaded)
    normal_values: tuple[Any, ...] = ()
    """`NormalValue` of the set type: what its figures are held against."""


TAKES = {"reference": "reference", "open_end": "open", "shorted": "short", "damped": "damped"}
"""Options that name files -> what the file holds."""
