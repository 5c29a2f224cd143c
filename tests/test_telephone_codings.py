"""
Recordings in telephone codings, from a file to a check's figures.

The made scenes carry their truth; the codings are those of the audio library. Bounds: G.711 and
ADPCM at 4 bits moved a break ratio by 0.1 and a speech level by 0.4 dB on these scenes, GSM 6.10 a
break ratio by 1.2, for which the dial refuses it. Under a moved cord G.711 lost no dropout and no
step and made up to 90 bursts of its own; of bells it kept notes, level to 0.2 dB and decay to 11 %.
Flex and bell refuse the other codings, which made dropouts, and a ringing of taps.
"""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from voicecheck.bench.codings import FAMILIES, USES
from voicecheck.bench.simulated.tones import make_call, make_keypad
from voicecheck.checkout.signals import resample
from voicecheck.errors import RecordingError
from voicecheck.workflow.checks.kinds import get_kind, list_kinds, load_scene
from voicecheck.workflow.checks.source import Source, list_headerless
from voicecheck.workflow.checks.take import take_scene

KEPT = ("ULAW", "ALAW", "IMA_ADPCM", "MS_ADPCM")


def check_file(
    check: str, samples: Any, rate_hz: int, subtype: str, folder: Path, *, to_hz: int = 8000
) -> Any:
    path = folder / "take.wav"
    soundfile.write(path, resample(samples, rate_hz, to_hz), to_hz, subtype)
    kind = get_kind(check)
    assert kind.measure is not None
    return kind.measure(take_scene(check, Source(recording=path)), kind.options())


def test_what_a_refusal_says_is_what_the_checks_take() -> None:
    for family in set(FAMILIES.values()):
        taking = {kind.name for kind in list_kinds() if family in kind.codings}
        assert taking == set(USES[family].replace(" and ", ", ").split(", "))


@pytest.mark.parametrize("subtype", KEPT)
def test_a_dial_keeps_its_timing(subtype: str, tmp_path: Path) -> None:
    scene = load_scene("dial").make_recording("healthy:3708", 3)
    plain = check_file("dial", scene.samples, scene.rate_hz, "PCM_16", tmp_path)
    coded = check_file("dial", scene.samples, scene.rate_hz, subtype, tmp_path)
    assert coded.number == plain.number == "3708"
    assert "coded" in {problem.kind for problem in coded.problems}
    for ours, theirs in zip(coded.digits, plain.digits, strict=True):
        assert ours.pulses_per_s == pytest.approx(theirs.pulses_per_s, abs=0.01)
        assert ours.break_percent == pytest.approx(theirs.break_percent, abs=0.3)


def test_a_dial_refuses_what_smears_its_edges(tmp_path: Path) -> None:
    scene = load_scene("dial").make_recording("healthy:37", 3)
    with pytest.raises(RecordingError, match=r"good enough for tones and speak, not for this"):
        check_file("dial", scene.samples, scene.rate_hz, "GSM610", tmp_path)


@pytest.mark.parametrize("subtype", [*KEPT, "GSM610"])
def test_speech_keeps_its_level(subtype: str, tmp_path: Path) -> None:
    scene = load_scene("speak").make_recording("healthy", 3)
    plain = check_file("speak", scene.samples, scene.rate_hz, "PCM_16", tmp_path)
    coded = check_file("speak", scene.samples, scene.rate_hz, subtype, tmp_path)
    assert coded.active_level_dbfs == pytest.approx(plain.active_level_dbfs, abs=0.5)


@pytest.mark.parametrize("subtype", [*KEPT, "GSM610"])
def test_keypad_and_line_keep_their_tones(subtype: str, tmp_path: Path) -> None:
    keys = make_keypad("healthy", "1590", seed=3, rate_hz=8000)
    call = make_call("Germany", ("busy",), seed=3, rate_hz=8000)
    samples = np.concatenate([keys.samples, call.samples])
    check = check_file("tones", samples, 8000, subtype, tmp_path)
    if subtype == "GSM610":
        # Two digits of four are lost, and that is said.
        assert any("digits may be missed" in problem.effect for problem in check.problems)
    else:
        assert check.number == "1590"
    tone = check.events[-1]
    assert tone.frequencies_hz == pytest.approx((425.0,), abs=0.5)
    assert tone.cadence_s == pytest.approx((0.48, 0.48), abs=0.02)


@pytest.mark.parametrize("subtype", ["ULAW", "ALAW"])
@pytest.mark.parametrize(("words", "kind"), [("cord-break", "dropout"), ("dirty-hook", "step")])
def test_a_moved_cord_keeps_its_dropouts_and_steps(
    words: str, kind: str, subtype: str, tmp_path: Path
) -> None:
    scene = load_scene("flex").make_recording(words, 3)
    plain = check_file("flex", scene.samples, scene.rate_hz, "PCM_16", tmp_path)
    coded = check_file("flex", scene.samples, scene.rate_hz, subtype, tmp_path)
    assert {event.kind for event in coded.events} == {kind}
    assert len(coded.events) == len(plain.events) > 10
    for ours, theirs in zip(coded.events, plain.events, strict=True):
        assert ours.at_s == pytest.approx(theirs.at_s, abs=0.01)
    assert "coded-bursts" in {problem.kind for problem in coded.problems}
    assert "coded-bursts" not in {problem.kind for problem in plain.problems}


@pytest.mark.parametrize("words", ["healthy", "carbon", "hum"])
def test_a_quiet_cord_stays_quiet(words: str, tmp_path: Path) -> None:
    scene = load_scene("flex").make_recording(words, 8)
    assert not check_file("flex", scene.samples, scene.rate_hz, "ALAW", tmp_path).events


@pytest.mark.parametrize("subtype", ["ULAW", "ALAW"])
@pytest.mark.parametrize(("words", "seed"), [("healthy", 4), ("british", 5), ("dull", 3)])
def test_a_bell_keeps_notes_level_and_decay(
    words: str, seed: int, subtype: str, tmp_path: Path
) -> None:
    scene = load_scene("bell").make_recording(words, seed)
    plain = check_file("bell", scene.samples, scene.rate_hz, "PCM_16", tmp_path, to_hz=16000)
    coded = check_file("bell", scene.samples, scene.rate_hz, subtype, tmp_path, to_hz=16000)
    assert coded.gongs_hz == pytest.approx(plain.gongs_hz, abs=1.0)
    assert coded.level_dbfs == pytest.approx(plain.level_dbfs, abs=0.3)
    assert coded.decay_s == pytest.approx(plain.decay_s, rel=0.15)
    withheld = (coded.strikes_per_s, coded.ringing_hz, coded.gap_percent, coded.pattern_hz)
    assert withheld == (None,) * 4
    assert coded.cadence_s == ()
    assert "coded-blows" in {problem.kind for problem in coded.problems}
    assert "rings" in get_kind("bell").describe(coded)


@pytest.mark.parametrize("check", ["flex", "bell"])
def test_what_makes_blows_or_dropouts_is_refused(check: str, tmp_path: Path) -> None:
    scene = load_scene(check).make_recording("healthy", 3)
    with pytest.raises(RecordingError, match=r"good enough for tones, dial and speak"):
        check_file(check, scene.samples, scene.rate_hz, "IMA_ADPCM", tmp_path, to_hz=16000)


def test_files_without_header_are_offered_where_they_are_taken() -> None:
    """The bell takes no 8 kHz sound; GSM smears a dial; a sweep asks for none of them."""
    offered = {kind.name: list_headerless(kind) for kind in list_kinds()}
    assert offered["bell"] == offered["line"] == ()
    assert offered["flex"] == (".ul", ".ulaw", ".mulaw", ".al", ".alaw")
    assert set(offered["tones"]) - set(offered["dial"]) == {".gsm"}
