"""Lines that a set may be put on, and how a set stands to one of them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Literal

from msgspec import Meta

from voicecheck.records.terms import MarkState

LineKind = Literal["exchange", "adapter", "private exchange"]
FitPart = Literal["dial", "bell", "level", "sidetone", "polarity"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LineProfile:
    """
    A line by what it asks of a set and what it gives; `None` and "" are not stated.

    `digit_ends_ms` is the make after which a digit is taken as finished. `sources` says by field
    where a value is from. A field that can be typed has its bounds and its label.
    """

    name: str
    kind: Annotated[LineKind, Meta(description="What stands at its far end.")] = "exchange"
    about: Annotated[str, Meta(max_length=300, description="In a few words, or whose it is.")] = ""
    region: Annotated[str, Meta(max_length=60, description="Country or region.")] = ""
    period: Annotated[str, Meta(max_length=60, description="When there were such lines.")] = ""
    takes_pulses: Annotated[
        bool | None,
        Meta(description="Whether it takes dial pulses: yes or no.", extra={"option": "--pulses"}),
    ] = None
    break_low_ms: (
        Annotated[
            float,
            Meta(ge=1, le=2000, description="Shortest break that it takes.", extra={"unit": "ms"}),
        ]
        | None
    ) = None
    break_high_ms: (
        Annotated[
            float,
            Meta(ge=1, le=2000, description="Longest break that it takes.", extra={"unit": "ms"}),
        ]
        | None
    ) = None
    make_low_ms: (
        Annotated[
            float,
            Meta(ge=1, le=2000, description="Shortest make that it takes.", extra={"unit": "ms"}),
        ]
        | None
    ) = None
    make_high_ms: (
        Annotated[
            float,
            Meta(ge=1, le=2000, description="Longest make within a digit.", extra={"unit": "ms"}),
        ]
        | None
    ) = None
    digit_ends_ms: (
        Annotated[
            float,
            Meta(
                ge=1,
                le=5000,
                description="Make after which a digit is taken as finished.",
                extra={"unit": "ms"},
            ),
        ]
        | None
    ) = None
    feed_v: (
        Annotated[
            float,
            Meta(ge=1, le=150, description="Volts while the handset rests.", extra={"unit": "V"}),
        ]
        | None
    ) = None
    feed_low_ma: (
        Annotated[
            float,
            Meta(
                ge=1,
                le=200,
                description="Least current through a lifted set.",
                extra={"unit": "mA"},
            ),
        ]
        | None
    ) = None
    feed_high_ma: (
        Annotated[
            float,
            Meta(
                ge=1, le=200, description="Most current through a lifted set.", extra={"unit": "mA"}
            ),
        ]
        | None
    ) = None
    ringing_v: (
        Annotated[float, Meta(ge=1, le=200, description="Ringing, volts RMS.", extra={"unit": "V"})]
        | None
    ) = None
    ringing_hz: (
        Annotated[
            float, Meta(ge=10, le=100, description="Ringing frequency.", extra={"unit": "Hz"})
        ]
        | None
    ) = None
    ringing_wave: Annotated[
        Literal["", "sine", "square", "trapezoid"], Meta(description="Shape of the ringing.")
    ] = ""
    ringing_offset_v: (
        Annotated[
            float,
            Meta(
                ge=0, le=100, description="Direct voltage under the ringing.", extra={"unit": "V"}
            ),
        ]
        | None
    ) = None
    ringer_equivalence: (
        Annotated[
            float,
            Meta(
                ge=0.1,
                le=20,
                description="Ringer equivalences that it can ring.",
                extra={"unit": ""},
            ),
        ]
        | None
    ) = None
    impedance: Annotated[
        str, Meta(max_length=60, description="Its own impedance, by name; see line list.")
    ] = ""
    balance: Annotated[
        str,
        Meta(
            max_length=60,
            description="Impedance that the set's balance was made for, by name, if it is known.",
        ),
    ] = ""
    loop: Annotated[
        str, Meta(max_length=60, description="Test loop between set and exchange, by name.")
    ] = ""
    tones: Annotated[str, Meta(max_length=60, description="Region whose tones it sends.")] = ""
    sources: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class FitFinding:
    """
    One thing that a line asks of a set: value, limits, verdict, a sentence, and what to do.

    `uncertainty` is half the width of a 95 % interval. `bound` is what may be said of a chance
    with no model of the spread at all, lowest and highest, in percent; `advice` is empty where
    nothing is to be done.
    """

    part: FitPart
    quantity: str
    value: float | None
    unit: str
    verdict: MarkState
    sentence: str
    advice: str = ""
    uncertainty: float | None = None
    low: float | None = None
    high: float | None = None
    bound: tuple[float, float] | None = None
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A set on a line; `overall` is the gravest verdict, where untested weighs more than within."""

    line: str
    stage: str
    findings: tuple[FitFinding, ...]
    overall: MarkState
    job: int | None = None
    is_simulated: bool = False
