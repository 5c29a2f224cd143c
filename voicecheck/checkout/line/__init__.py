"""Line: readings of a meter on the line or the bench feed, typed in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

from msgspec import Meta

from voicecheck.checkout.kinds import LINE_CAUTION, CheckKind, Guide, load_by_name
from voicecheck.checkout.line.words import describe_line, list_beside, tabulate_line
from voicecheck.checkout.options import CheckOptions, Region

if TYPE_CHECKING:
    from voicecheck.records import LineCheck

UNIT = "; the right unit?"
"""Beyond these bounds is a slip of the unit: no line has it, some meter shows it in another."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineOptions(CheckOptions):
    """Readings of a line; `None` is not read."""

    on_hook_v: Annotated[
        float | None,
        Meta(
            ge=0,
            le=150,
            description="Volts, handset on its hook.",
            extra={"label": "On-hook, V", "unit": "V", "remedy": UNIT},
        ),
    ] = None
    off_hook_v: Annotated[
        float | None,
        Meta(
            ge=0,
            le=150,
            description="Volts, handset lifted.",
            extra={"label": "Off-hook, V", "unit": "V", "remedy": UNIT},
        ),
    ] = None
    loop_ma: Annotated[
        float | None,
        Meta(
            ge=0,
            le=200,
            description="Loop current off-hook.",
            extra={"label": "Loop, mA", "unit": "mA", "remedy": UNIT},
        ),
    ] = None
    ringer_equivalence: Annotated[
        float | None,
        Meta(
            ge=0,
            le=20,
            description="Sum of ringer equivalence numbers on the line.",
            extra={"label": "Ringer equivalence"},
        ),
    ] = None
    dial_tone_dbm: Annotated[
        float | None,
        Meta(
            ge=-80,
            le=10,
            description="Dial tone, each of its tones.",
            extra={"label": "Dial tone, dBm", "unit": "dBm", "remedy": UNIT},
        ),
    ] = None
    insulation_mohm: Annotated[
        float | None,
        Meta(
            ge=0,
            le=1e6,
            description="Insulation on-hook, wire to wire or to the case, by a meter for it.",
            extra={"label": "Insulation, megohm", "unit": "Mohm", "remedy": UNIT},
        ),
    ] = None
    leakage_ua: Annotated[
        float | None,
        Meta(
            ge=0,
            le=1e6,
            description="Leakage of a condenser at its working voltage, by a meter for it.",
            extra={"label": "Condenser leakage, uA", "unit": "uA", "remedy": UNIT},
        ),
    ] = None
    accepts_pulses: Annotated[
        bool | None,
        Meta(
            description="Whether the line or adapter takes dial pulses: yes or no.",
            extra={"label": "Takes dial pulses", "option": "--pulses"},
        ),
    ] = None
    note: Annotated[
        str,
        Meta(
            max_length=500,
            description="Which line or adapter.",
            extra={"label": "Which line or adapter"},
        ),
    ] = ""
    region: Region = ""


def _rate(options: LineOptions) -> LineCheck:
    from voicecheck.checkout.line.rate import rate_line

    return rate_line(options)


LINE = CheckKind(
    name="line",
    about="Type in meter readings of the line or the bench feed.",
    options=LineOptions,
    guide=Guide(
        title="Line",
        purpose="Readings of a meter on the line or the bench feed, typed in.",
        caution=LINE_CAUTION,
    ),
    load_record=load_by_name("LineCheck"),
    schema="voicecheck.line/1",
    rate=_rate,
    describe=describe_line,
    tabulate=tabulate_line,
    beside=list_beside,
)
