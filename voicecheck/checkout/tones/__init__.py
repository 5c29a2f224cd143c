"""Tones: keypad digits, and the call-progress tones of a line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from voicecheck.checkout.kinds import LINE_CAUTION, CheckKind, Guide, load_by_name
from voicecheck.checkout.options import CheckOptions, Region
from voicecheck.checkout.tones.words import describe_tones, picture_tones, tabulate_tones

if TYPE_CHECKING:
    from voicecheck.records import Recording, ToneCheck


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneOptions(CheckOptions):
    """What the recognition of tones may be told."""

    region: Region = ""


def _measure(recording: Recording, options: ToneOptions) -> ToneCheck:
    from voicecheck.checkout.tones.measure import measure_tones

    return measure_tones(recording, region=options.region)


def _read_number(check: ToneCheck, _duration_s: float) -> str:
    return check.number


TONES = CheckKind(
    name="tones",
    about="Recognise keypad digits and call-progress tones: frequency, twist, level, cadence.",
    options=ToneOptions,
    guide=Guide(
        title="Tones",
        purpose="Keypad digits, and dial, busy and ringing tone of the line, by frequency, level "
        "and cadence.",
        steps=("Begin, then press the keys, or let the tones of the line come in.",),
        caution=LINE_CAUTION,
        seconds=20.0,
    ),
    load_record=load_by_name("ToneCheck"),
    schema="voicecheck.tones/1",
    measure=_measure,
    describe=describe_tones,
    tabulate=tabulate_tones,
    picture=picture_tones,
    limits="standards/itu_t_e180_tones.csv",
    read_number=_read_number,
    codings=("G.711", "ADPCM", "GSM 6.10"),
    report_names={"tones": "tones heard"},
)
