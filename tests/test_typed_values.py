"""What is typed is asked about where it cannot be meant, and a dial is judged by its region."""

from __future__ import annotations

import pytest

from voicecheck.bench.simulated.dial import DialSettings, make_dial_scene
from voicecheck.checkout.dial.measure import measure_dial
from voicecheck.checkout.line import LineOptions
from voicecheck.checkout.line.rate import rate_line
from voicecheck.errors import InputError
from voicecheck.records import Recording, SetType
from voicecheck.workflow.settypes import check_typed


def test_a_region_is_known_or_refused_with_the_nearest_name() -> None:
    assert check_typed(SetType(name="x", region="united kingdom")).region == "United Kingdom"
    with pytest.raises(InputError, match="near it: Sweden"):
        check_typed(SetType(name="x", region="Swedn"))
    with pytest.raises(InputError, match="Then type 40"):
        check_typed(SetType(name="x", feed_ma=0.04))


def test_a_dial_without_a_region_has_no_verdict() -> None:
    """8.3 pulses a second works on many lines, and is no serviced dial."""
    dial = measure_dial(make_recording(8.3), region="")
    speed = [one for one in dial.findings if one.quantity == "pulses_per_s"]
    assert [one.verdict for one in speed] == ["not comparable"]
    assert "no verdict" in speed[0].reason


def test_a_line_whose_limits_are_not_known_has_no_verdict() -> None:
    """Sweden has limits of sets only; what lines anywhere take is told beside them."""
    dial = measure_dial(make_recording(8.3), region="Sweden")
    speed = [one for one in dial.findings if one.quantity == "pulses_per_s"]
    told = {one.limit: one.verdict for one in speed}
    assert told == {"service": "outside", "beside": "not comparable"}
    assert "no verdict" in speed[1].reason


def test_a_dial_is_held_against_serviced_sets_and_against_the_line() -> None:
    dial = measure_dial(make_recording(8.3), region="North America")
    speed = {one.reason: one.verdict for one in dial.findings if one.quantity == "pulses_per_s"}
    assert speed == {
        "what service people adjusted to": "outside",
        "exchange tolerance: works on the line": "within",
    }


def make_recording(speed_pps: float) -> Recording:
    scene = make_dial_scene("708", DialSettings(pulses_per_s=speed_pps), seed=1, rate_hz=48000)
    return Recording(samples=scene.samples, rate_hz=scene.rate_hz)


def test_milliamperes_read_in_amperes_are_asked_about() -> None:
    with pytest.raises(InputError, match="Then type 33"):
        rate_line(LineOptions(loop_ma=0.033))
    assert rate_line(LineOptions(loop_ma=0.0)).findings[0].verdict == "outside"
