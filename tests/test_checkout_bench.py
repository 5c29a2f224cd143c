# mypy: disable-error-code="misc,override"
"""Checks on a sound device: through PortAudio and a virtual sound server with a handset between."""

import itertools
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import soundfile
from typer.testing import CliRunner
from virtual_bench.fixture import VirtualCard

from voicecheck.bench.simulated.voice import make_voice
from voicecheck.checkout.dial import DialOptions
from voicecheck.checkout.tones import ToneOptions
from voicecheck.cli import make_app
from voicecheck.errors import RecordingError

pytestmark = pytest.mark.bench
SETTINGS = {"low_hz": 200.0, "high_hz": 3200.0, "gain_db": -3.0, "noise_dbfs": -80.0}


def call(*arguments: Any) -> Any:
    return CliRunner().invoke(make_app(), [*map(str, arguments), "--json"])


def test_checks_on_one_device(virtual_bench: Callable[..., VirtualCard]) -> None:
    """One server for all of them: starting it takes most of the time."""
    card = virtual_bench(**SETTINGS)
    hold_flex(card)
    hold_bell(card)
    hold_dial(card)


def hold_flex(card: Any) -> None:
    """A tone goes out and comes back steady, at its level less the handset's 3 dB."""
    done = call("flex", "--bench", card.device, "--seconds", 8, "--level-dbfs", -20)
    assert done.exception is None, done.exception
    document = json.loads(done.stdout)
    assert document["events"] == []
    assert document["duration_s"] == pytest.approx(7.6, abs=0.01)
    assert document["tone_dbfs"] == pytest.approx(-23.5, abs=0.5)
    assert ": move the cord now" in done.stderr


def hold_bell(card: Any) -> None:
    """A recording without playing ends by itself."""
    done = call("bell", "--bench", card.device, "--seconds", 4)
    if isinstance(done.exception, RecordingError):
        assert done.exception.kind == "no-signal"
        return
    assert done.exception is None, done.exception
    document = json.loads(done.stdout)
    assert document["rings"] == []
    assert [problem["kind"] for problem in document["problems"]] == ["no-ring"]


def hold_dial(card: Any) -> None:
    """A dial that nobody turns has no pulse."""
    done = call("dial", "--bench", card.device, "--seconds", 4)
    assert isinstance(done.exception, RecordingError)
    assert json.loads(done.stdout)["problems"][0]["kind"] == "no-pulses"


def test_speech_of_a_file_goes_through_the_receiver(
    virtual_bench: Callable[..., VirtualCard], tmp_path: Path
) -> None:
    """At the active level asked for, less the handset's 3 dB and what its band takes."""
    scene = make_voice("loud", seed=2, rate_hz=16000)
    file = tmp_path / "words.wav"
    soundfile.write(file, scene.samples, scene.rate_hz, subtype="PCM_24")
    card = virtual_bench(**SETTINGS)
    done = call("speak", "--bench", card.device, "--play", file, "--level-dbfs", -26)
    assert done.exception is None, done.exception
    document = json.loads(done.stdout)
    assert document["active_level_dbfs"] == pytest.approx(-29.5, abs=1.0)
    assert document["noise_dbfs"] == pytest.approx(-80.0, abs=3.0)
    assert done.stderr.startswith("Caution")


def test_digits_roll_by_while_they_are_heard(virtual_bench: Callable[..., VirtualCard]) -> None:
    """Nothing is played: what comes in is looked at as it comes."""
    from voicecheck.bench.simulated.tones import make_keypad
    from voicecheck.records import Recording
    from voicecheck.workflow.checks.run import find_number

    scene = make_keypad("healthy", "42", seed=1, rate_hz=8000)
    so_far = [
        find_number("tones", Recording(samples=scene.samples[:n], rate_hz=8000), ToneOptions())
        for n in (3000, 5000, len(scene.samples))
    ]
    assert so_far == ["", "4", "42"]
    card = virtual_bench(**SETTINGS)
    done = call("tones", "--bench", card.device, "--seconds", 3)
    if done.exception is None:
        assert json.loads(done.stdout)["events"] == []
    else:
        assert done.exception.kind == "no-signal"


def test_digits_roll_by_while_a_tone_plays(monkeypatch: pytest.MonkeyPatch) -> None:
    """A made dial in place of the device: each number is longer than the one before it."""
    from voicecheck.bench import soundcard
    from voicecheck.bench.simulated.dial import make_dial
    from voicecheck.records import Recording
    from voicecheck.workflow.checks import take
    from voicecheck.workflow.checks.run import find_number
    from voicecheck.workflow.checks.source import Source
    from voicecheck.workflow.checks.take import RATE_HZ, take_scene

    # A slow machine looks less often; here the sound comes without its pauses.
    monkeypatch.setattr(take, "LOOK_SHARE", 0.0)
    scene = make_dial("healthy", "3708", seed=2, rate_hz=RATE_HZ)

    class Stopped(soundcard.SoundCardBench):
        """Hands the scene over piece by piece, and is stopped at its end."""

        def play_and_record(self, *_arguments: Any, **_options: Any) -> None:
            for first in range(0, len(scene.samples), 2400):
                block = scene.samples[first : first + 2400, None]
                self.hear(block, 0.8 + first / RATE_HZ)
            raise KeyboardInterrupt

    monkeypatch.setattr(soundcard, "SoundCardBench", Stopped)
    numbers = []
    source = Source(bench="Oak two-way", tone_hz=1000.0)
    kept = take_scene(
        "dial",
        source,
        heard=lambda so_far: numbers.append(find_number("dial", so_far, DialOptions())),
    )
    assert isinstance(kept, Recording)
    assert len(kept.samples) == pytest.approx(len(scene.samples), abs=1)
    told = list(dict.fromkeys(numbers))
    assert told[0] == ""
    assert {"3", "37", "370"} <= set(told)
    assert all(later.startswith(before) for before, later in itertools.pairwise(told))


def test_a_check_that_is_stopped_keeps_what_it_heard(
    virtual_bench: Callable[..., VirtualCard],
) -> None:
    """Stopped in the middle of a tone: what came in until then, at the tone's level."""
    import numpy as np

    from voicecheck.workflow.checks.source import Source
    from voicecheck.workflow.checks.take import RATE_HZ, take_scene

    card = virtual_bench(gain_db=-3.0)

    def stop(fraction: Any, _level_dbfs: Any) -> None:
        if fraction > 0.5:
            raise KeyboardInterrupt

    source = Source(bench=card.device, tone_hz=1000.0, seconds=10.0, level_dbfs=-20.0)
    kept = take_scene("flex", source, progress=stop)
    assert 4.0 < len(kept.samples) / RATE_HZ < 7.0
    assert np.sqrt(2) * np.std(kept.samples) == pytest.approx(10 ** (-23 / 20), rel=0.001)
