"""Parts of the circuit: one resistor and two inputs measure what sound alone cannot tell."""

from __future__ import annotations

from typing import TYPE_CHECKING

from voicecheck.checkout.kinds import CheckKind, Guide, load_by_name
from voicecheck.checkout.parts.options import PartsOptions
from voicecheck.checkout.parts.words import describe_parts, tabulate_parts

if TYPE_CHECKING:
    from voicecheck.records import Programme, Recording
    from voicecheck.records.parts import PartsCheck

CAUTION = (
    "Bench feed only, limited to 80 mA, behind an isolating transformer: never the public line, "
    "never ringing voltage into a sound card. Take the set off the line, discharge condensers "
    "before the clips go on; old wax ones may hold PCB: do not open them. Keep the receiver off "
    "every ear."
)


def _measure(recording: Recording, options: PartsOptions) -> PartsCheck:
    from voicecheck.checkout.parts.measure import measure_parts

    return measure_parts(recording, options)


def _make_programme(options: PartsOptions, level_dbfs: float) -> Programme | None:
    from voicecheck.checkout.parts.stimulus import make_recipe, make_stimulus

    if options.part == "feed":
        return None
    # Made when the order's files were looked at, or out of a file: what is measured against is what
    # is played, and a file that is too loud for that is refused.
    if options.loaded.programme is not None:
        return options.loaded.programme
    return make_stimulus(make_recipe(options.part, level_dbfs=level_dbfs))


PARTS = CheckKind(
    name="parts",
    about="Measure a part of the circuit with one resistor and two inputs.",
    options=PartsOptions,
    guide=Guide(
        title="Parts of the circuit",
        purpose="Impedance of the set, its receiver, a condenser, the bell circuit, contacts, the "
        "click limiter, and the feed current: tones through one resistor, both sides of it "
        "recorded.",
        steps=(
            "Wire it as drawn: output to the resistor, input 1 before it, input 2 across the part.",
            "Turn both inputs to the same gain; touch nothing until all takes are done.",
        ),
        caution=CAUTION,
        is_grave=True,
        playing_caution=CAUTION,
        seconds=20.0,
        drawings=(
            ("part", "A part by itself: output, resistor, part; both sides recorded"),
            ("part-set", "A set off hook, behind a transformer and with its feed"),
            ("part-feed", "Feed current: 10 ohm in the feed's low side while a digit is dialled"),
        ),
    ),
    load_record=load_by_name("PartsCheck"),
    schema="voicecheck.parts/1",
    measure=_measure,
    describe=describe_parts,
    tabulate=tabulate_parts,
    plays="programme",
    report_names={
        "set": "impedance of the set",
        "receiver": "receiver, electrically",
        "capacitor": "condenser",
        "bell": "bell circuit",
        "contact": "contact",
        "feed": "feed current",
        "limiter": "click limiter",
    },
    make_programme=_make_programme,
    level_dbfs=-12.0,
)
