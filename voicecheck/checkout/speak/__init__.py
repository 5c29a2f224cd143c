"""Speech: active level, pauses and a recording for the owner."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from voicecheck.checkout.kinds import HEARING_CAUTION, CheckKind, Guide, load_by_name
from voicecheck.checkout.options import CheckOptions
from voicecheck.checkout.speak.words import describe_speech, picture_speech, tabulate_speech

if TYPE_CHECKING:
    from voicecheck.records import Recording, SpeechCheck


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeechOptions(CheckOptions):
    """Nothing: speech is taken as it is."""


def _measure(recording: Recording, _options: SpeechOptions) -> SpeechCheck:
    from voicecheck.checkout.speak.measure import measure_speech

    return measure_speech(recording)


SPEAK = CheckKind(
    name="speak",
    about="Count to six: active speech level (ITU-T P.56), crest, noise in the pauses.",
    options=SpeechOptions,
    guide=Guide(
        title="Speech",
        purpose="Count to six: active speech level (ITU-T P.56), crest factor, noise in the "
        "pauses, and a recording for the owner.",
        steps=(
            "A voice is personal: it is kept with the job alone, and forgotten with its owner.",
            "Begin, then count to six at your usual voice, with pauses.",
        ),
        cue="Speak now: count to six at your usual voice, with pauses.",
        playing_steps=("Receiver on its coupler.", "Begin, and let the speech play to its end."),
        playing_caution=HEARING_CAUTION,
        seconds=12.0,
    ),
    load_record=load_by_name("SpeechCheck"),
    schema="voicecheck.speak/1",
    measure=_measure,
    describe=describe_speech,
    tabulate=tabulate_speech,
    picture=picture_speech,
    plays="speech",
    report_names={"speak": "speech"},
    codings=("G.711", "ADPCM", "GSM 6.10"),
)
