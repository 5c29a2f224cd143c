"""Dial: count, speed, break, drift, bounce and pauses of each digit that is dialled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

from msgspec import Meta

from voicecheck.checkout.dial.words import describe_dial, read_dialled, tabulate_dial
from voicecheck.checkout.kinds import HEARING_CAUTION, ON_BENCH, CheckKind, Guide, load_by_name
from voicecheck.checkout.options import CheckOptions, Region, ToneHz

if TYPE_CHECKING:
    from voicecheck.records import DialCheck, Recording


@dataclass(frozen=True, slots=True, kw_only=True)
class DialOptions(CheckOptions):
    """What the reading of a dial may be told."""

    tone_hz: ToneHz = 1000.0
    clicks: Annotated[
        bool,
        Meta(
            description="AC-coupled recording of the clicks alone.",
            extra={"label": "Clicks alone were recorded (AC-coupled, no tone)"},
        ),
    ] = False
    region: Region = ""


def _measure(recording: Recording, options: DialOptions) -> DialCheck:
    from voicecheck.checkout.dial.measure import measure_dial

    return measure_dial(
        recording, tone_hz=options.tone_hz, is_clicks=options.clicks, region=options.region
    )


DIAL = CheckKind(
    name="dial",
    about="Read dial pulses: count, speed, break ratio, drift, bounce and pauses of each digit.",
    options=DialOptions,
    guide=Guide(
        title="Dial",
        purpose="Count, speed, break, drift and bounce of each digit that is dialled.",
        steps=("Begin, then dial the digits one after another.",),
        cue="Recording: dial now.",
        playing_steps=(
            ON_BENCH,
            "Begin, wait for the tone, then dial the digits one after another.",
        ),
        playing_caution=HEARING_CAUTION,
        seconds=30.0,
    ),
    load_record=load_by_name("DialCheck"),
    schema="voicecheck.dial/1",
    measure=_measure,
    describe=describe_dial,
    tabulate=tabulate_dial,
    plays="tone",
    limits="dial_limits.csv",
    read_number=read_dialled,
    codings=("G.711", "ADPCM"),
)
