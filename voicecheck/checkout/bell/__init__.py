"""Bell: strike rate, the two gongs, level, decay and cadence, heard by a microphone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from voicecheck.checkout.bell.words import describe_bell, picture_bell, tabulate_bell
from voicecheck.checkout.kinds import CheckKind, Guide, load_by_name
from voicecheck.checkout.options import CheckOptions

if TYPE_CHECKING:
    from voicecheck.records import BellCheck, Recording

RINGING_CAUTION = (
    "Ringing voltage, commonly 60 to 105 V and up to 150 V, can injure. Disconnect "
    "before touching anything; use an isolated, current-limited ring source; local codes and "
    "licensed practice decide what may be connected to a line."
)
LEAST_RATE_HZ = 16000
"""The blows of a gong are heard above the band of 8 kHz sound (judgement)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BellOptions(CheckOptions):
    """Nothing: the bell is heard as it is."""


def _measure(recording: Recording, _options: BellOptions) -> BellCheck:
    from voicecheck.checkout.bell.measure import measure_bell

    return measure_bell(recording)


BELL = CheckKind(
    name="bell",
    about="Hear the bell: strike rate, the two gongs, level, decay, cadence, taps while dialling.",
    options=BellOptions,
    guide=Guide(
        title="Bell",
        purpose="Strike rate, the two gongs, level, decay and cadence, heard by a microphone.",
        steps=(
            "Microphone at the distance you always use, gain untouched.",
            "Begin, then let the bell ring.",
        ),
        cue="Microphone at the distance you always use, gain untouched. Ring now.",
        caution=RINGING_CAUTION,
        is_grave=True,
        seconds=15.0,
    ),
    load_record=load_by_name("BellCheck"),
    schema="voicecheck.bell/1",
    measure=_measure,
    describe=describe_bell,
    tabulate=tabulate_bell,
    picture=picture_bell,
    input="ear",
    codings=("G.711",),
    least_rate_hz=LEAST_RATE_HZ,
)
