"""Which output is heard at which input, and what the system does to the sound, by made-up ways."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pagetest import TAB, fill_book, open_client
from virtual_bench.fixture import VirtualCard, start_card

from voicecheck.bench.calibration.hearing import (
    Heard,
    Wires,
    find_voice,
    find_wires,
    judge_probe,
    list_enhancements,
    make_probe,
)
from voicecheck.errors import BenchError
from voicecheck.workflow.benches.hearing import hear_device

RATE_HZ = 48000


def send(sound: Any, *, gain: float = 0.3, delay_s: float = 0.12, noise: float = 1e-4) -> Any:
    """A plain way: later, softer, with some noise."""
    generator = np.random.default_rng(5)
    n = round(delay_s * RATE_HZ)
    late = np.concatenate([np.zeros(n), gain * sound, np.zeros(RATE_HZ)])
    return late + noise * generator.standard_normal(late.size)


def control_gain(sound: Any, target: float = 0.02) -> Any:
    """Automatic gain control: follows the level within a tenth of a second."""
    n = round(0.1 * RATE_HZ)
    mean = np.convolve(sound**2, np.ones(n) / n, mode="same")
    return sound * np.minimum(target / np.sqrt(mean + 1e-9), 30.0)


def suppress(sound: Any) -> Any:
    """Noise suppression: what stays is taken for noise, by the least power of the last second."""
    out, level = sound.copy(), 0.0
    n = round(0.05 * RATE_HZ)
    for at in range(0, sound.size, n):
        power = float(np.sqrt(np.mean(sound[at : at + n] ** 2)))
        level = min(power, level + 0.04 * power)
        out[at : at + n] *= max(1.0 - level / (power + 1e-9), 0.05)
    return out


def low_pass(sound: Any) -> Any:
    """A mode for speech: nothing above 7 kHz."""
    spectrum = np.fft.rfft(sound)
    spectrum[np.fft.rfftfreq(sound.size, 1.0 / RATE_HZ) > 7000.0] = 0.0
    return np.fft.irfft(spectrum, sound.size)


@pytest.mark.parametrize("delay_s", [0.0, 0.021, 0.137, 0.5])
@pytest.mark.parametrize("rate_hz", [44100, 48000])
def test_a_plain_way_is_heard_as_it_is(delay_s: float, rate_hz: int) -> None:
    probe = make_probe(rate_hz)
    assert np.max(np.abs(probe)) < 10 ** (-25 / 20) + 1e-3
    heard = judge_probe(send(probe, delay_s=delay_s), rate_hz)
    assert heard.is_heard
    # Gain 0.3 is -10.46 dB.
    assert heard.level_dbfs == pytest.approx(-25.0 - 10.46, abs=0.1)
    assert heard.step_db == pytest.approx(20.0, abs=0.2)
    assert heard.fade_db == pytest.approx(0.0, abs=0.2)
    assert list_enhancements(heard) == ()


def test_noise_alone_is_not_heard() -> None:
    heard = judge_probe(send(0.0 * make_probe(RATE_HZ), noise=1e-3), RATE_HZ)
    assert not heard.is_heard


@pytest.mark.parametrize(
    ("alter", "words"),
    [
        (control_gain, "automatic gain control is on"),
        (suppress, "noise suppression is on"),
        (low_pass, "10 kHz"),
    ],
)
def test_what_the_system_does_is_told(alter: Any, words: str) -> None:
    captured = alter(send(make_probe(RATE_HZ), noise=1e-6))
    heard = judge_probe(captured, RATE_HZ)
    assert heard.is_heard
    assert any(words in line for line in list_enhancements(heard))


def test_the_input_that_hears_a_voice_is_found() -> None:
    generator = np.random.default_rng(3)
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    hum = 0.05 * np.sin(2 * np.pi * 50 * time_s)
    speech = 0.02 * generator.standard_normal(time_s.size) * (np.sin(3 * time_s) > 0.3)
    inputs = np.column_stack([hum, speech + 1e-4 * generator.standard_normal(time_s.size)])
    assert find_voice(inputs, RATE_HZ) == 2
    assert find_voice(inputs[:, :1], RATE_HZ) is None
    assert find_voice(inputs[:10], RATE_HZ) is None


def make_heard(over_db: float, level_dbfs: float = -40.0) -> Heard:
    return Heard(over_db=over_db, level_dbfs=level_dbfs, step_db=20.0, fade_db=0.0, lost_db=0.0)


def test_mouth_ear_and_line_are_told_apart() -> None:
    """Output 2 is before the microphone at input 1; some of it is picked up by the line, too."""
    heard = {
        (1, 1): make_heard(2.0),
        (1, 2): make_heard(60.0, -25.0),
        (2, 1): make_heard(40.0, -35.0),
        (2, 2): make_heard(20.0, -70.0),
    }
    wires = find_wires(heard, ear=1)
    assert (wires.mouth_channel, wires.ear_channel) == (2, 1)
    assert (wires.line_drive_channel, wires.line_tap_channel) == (1, 2)
    nobody = find_wires(heard, ear=None)
    assert (nobody.mouth_channel, nobody.ear_channel) == (None, None)
    assert nobody.line_drive_channel == 1


@pytest.mark.bench
def test_a_device_is_heard_through_and_what_is_found_fills_the_form_in(
    shared_card: VirtualCard, tmp_path: Path
) -> None:
    """Output 2 reaches input 2, which somebody speaks at; output 1 reaches input 1."""
    asked: list[str] = []

    def ask(title: str, steps: Any, caution: str) -> None:
        asked.append(title)
        assert "away from ears" in caution
        shared_card.change(scene="wire")

    def progress(fraction: float, _: float) -> None:
        if len(asked) == 1 and fraction > 0.5:
            shared_card.change(scene="calibrator")

    found = hear_device(shared_card.device[:4], ask, progress)
    assert len(asked) == 2
    assert found.wires == Wires(
        mouth_channel=2, ear_channel=2, line_drive_channel=1, line_tap_channel=1
    )
    assert found.remarks == ()
    with pytest.raises(BenchError, match="not plugged in now"):
        hear_device("invented card", ask)
    with open_client(fill_book(tmp_path)) as client:
        query = {"device": "handset", "mouth_channel": "2", "ear_channel": "x"}
        page = client.get("/benches", params=query).text
        assert page.count('value="handset"') == 1
        assert "Filled in by ear" in page
        refused = client.post("/benches/hear", data={"device": " ", "tab": TAB})
        assert refused.status_code == 400


@pytest.fixture(scope="module")
def shared_server() -> Iterator[VirtualCard]:
    card = start_card("jack", 48000, {"speed": 10, "channels": 2})
    yield card
    card.stop()
    shutil.rmtree(card.state)
