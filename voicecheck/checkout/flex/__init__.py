"""Cord, hook, handset: a steady tone is watched while something is moved to a beat."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal

from msgspec import Meta

from voicecheck.checkout.flex.words import describe_flex, picture_flex, tabulate_flex
from voicecheck.checkout.kinds import HEARING_CAUTION, ON_BENCH, CheckKind, Guide, load_by_name
from voicecheck.checkout.options import CheckOptions, ToneHz

if TYPE_CHECKING:
    from voicecheck.records import FlexCheck, Recording

Moved = Literal["cord", "hook", "handset"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FlexOptions(CheckOptions):
    """What the watching of a tone may be told."""

    moved: Annotated[
        Moved, Meta(description="What is moved: cord, hook or handset.", extra={"label": "Moved"})
    ] = "cord"
    tone_hz: ToneHz = 1000.0
    beat_s: Annotated[
        float,
        Meta(
            ge=0.2,
            le=10,
            description="Beat of the metronome.",
            extra={"label": "Beat, seconds", "unit": "s"},
        ),
    ] = 1.0
    """Faster than 0.2 s nobody moves a cord; slower than 10 s says nothing that seconds do not."""
    places: Annotated[
        tuple[str, ...],
        Meta(
            max_length=12,
            description="Where along the cord, in order, for equal shares of the time; repeat.",
            extra={
                "label": "Where along the cord, in order, with commas",
                "option": "--place",
                "example": "plug, middle, handset end",
            },
        ),
    ] = ()


def _measure(recording: Recording, options: FlexOptions) -> FlexCheck:
    from voicecheck.checkout.flex.measure import measure_flex

    return measure_flex(
        recording, tone_hz=options.tone_hz, beat_s=options.beat_s, places=options.places
    )


FLEX = CheckKind(
    name="flex",
    about="Watch a steady tone while the cord is flexed, the hook pressed or the handset tapped.",
    options=FlexOptions,
    guide=Guide(
        title="Cord, hook, handset",
        purpose="A steady tone is watched for dropouts, level steps and crackle while something "
        "is moved to a beat.",
        steps=(ON_BENCH, "Begin, then move the {moved} once at each beat that is shown."),
        playing_caution=HEARING_CAUTION,
        seconds=30.0,
    ),
    load_record=load_by_name("FlexCheck"),
    schema="voicecheck.flex/1",
    measure=_measure,
    describe=describe_flex,
    tabulate=tabulate_flex,
    picture=picture_flex,
    plays="tone",
    is_paced=True,
    report_names={"handset": "handset tapped"},
    codings=("G.711",),
)
