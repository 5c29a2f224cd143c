# mypy: disable-error-code="arg-type,type-arg"
"""The sound process and its library's faults, without any sound server."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from voicecheck.bench.soundcard import SoundCardBench, list_devices, takes
from voicecheck.bench.soundcard.child import RefusedError, Take, find_device
from voicecheck.bench.soundcard.wire import receive, send
from voicecheck.errors import BenchError, InputError
from voicecheck.programme import make_programme
from voicecheck.records import Programme, Recipe

SHORT = Recipe(n_sweeps=1, sweep_s=0.5, silence_s=0.1, tones_s=0.2, step_s=0.05)
FAKE = Path(__file__).parent / "fake_sounddevice.py"
QUIET = SimpleNamespace(input_overflow=False, output_underflow=False)


@pytest.fixture
def fake_sound(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    """Give the sound process a library with a fault; returns a count of streams opened."""
    (tmp_path / "sounddevice.py").write_text(FAKE.read_text())
    log = tmp_path / "streams.log"
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setenv("FAKE_SOUND_LOG", str(log))

    def start(fault: str) -> Any:
        monkeypatch.setenv("FAKE_SOUND", fault)
        return lambda: len(log.read_text().splitlines()) if log.exists() else 0

    return start


def make_take(n_frames: int, n_outputs: int = 1, n_inputs: int = 1) -> Take:
    rng = np.random.default_rng(3)
    return Take(
        played=rng.standard_normal((n_frames, n_outputs)).astype(np.float32),
        captured=np.zeros((n_frames, n_inputs), np.float32),
        output_columns=list(range(n_outputs)),
        input_columns=list(range(n_inputs)),
        settled_frames=100,
    )


def list_of(*names_and_channels: tuple[str, str, int, int]) -> list[dict]:
    keys = ("name", "host_api", "n_inputs", "n_outputs")
    return [
        dict(zip(keys, device, strict=True), index=index)
        for index, device in enumerate(names_and_channels)
    ]


DEVICES = list_of(
    ("Desk Two", "A", 2, 2),
    ("Desk Two Pro", "A", 4, 4),
    ("Speaker", "A", 0, 2),
    ("Desk Two", "B", 2, 2),
)


@pytest.mark.parametrize(
    ("wanted", "host_api", "side", "index"),
    [
        ("Desk Two", "", "n_inputs", 0),
        ("desk two", "", "n_inputs", 0),
        ("Desk Two", "B", "n_inputs", 3),
        ("pro", "", "n_outputs", 1),
        ("speak", "", "n_outputs", 2),
        (1, "", "n_inputs", 1),
        (None, "", "n_inputs", 3),
    ],
)
def test_a_device_is_found_by_what_the_user_calls_it(
    wanted: str | int | None, host_api: str, side: str, index: int
) -> None:
    assert find_device(DEVICES, wanted, host_api, side, default=3)["index"] == index


@pytest.mark.parametrize(
    ("wanted", "side", "text"),
    [
        ("Desk", "n_inputs", "several fit (Desk Two, Desk Two Pro, Desk Two)"),
        ("Speaker", "n_inputs", "input devices now: Desk Two, Desk Two Pro;"),
        ("Loft", "n_outputs", "output devices now: Desk Two, Desk Two Pro, Speaker;"),
        (7, "n_inputs", "sound device number 7: not there"),
        (None, "n_inputs", "default sound device: not there"),
    ],
)
def test_a_device_that_is_not_there_is_answered_with_those_that_are(
    wanted: str | int | None, side: str, text: str
) -> None:
    with pytest.raises(RefusedError) as caught:
        find_device(DEVICES, wanted, "", side, default=-1)
    assert text in str(caught.value)


def test_a_device_keeps_its_identity_when_the_order_changes() -> None:
    """Index 0 today is index 2 after re-plugging; name and host system stay."""
    moved = [dict(device, index=index) for index, device in enumerate(reversed(DEVICES))]
    found = find_device(moved, "Desk Two", "A", "n_inputs", default=0)
    assert (found["index"], found["host_api"]) == (3, "A")


@pytest.mark.parametrize("blocks", [(50,) * 5, (1, 199, 50), (1000,), (249, 1, 30)])
def test_every_frame_is_played_and_stored_once(blocks: tuple[int, ...]) -> None:
    """Whatever the block sizes: a wire gives back what was played, then there is silence."""
    take = make_take(250, n_outputs=2, n_inputs=2)
    for size in blocks:
        spoken = np.full((size, 2), 9.0, np.float32)
        start = take.done_frames
        ahead = np.zeros((size, 2), np.float32)
        known = take.played[start : start + size]
        ahead[: len(known)] = known
        take.exchange(ahead, spoken, size, None, QUIET)
        assert np.array_equal(spoken, ahead)
    assert take.is_complete.is_set()
    assert np.array_equal(take.captured, take.played)
    after = np.ones((64, 2), np.float32)
    take.exchange(after, after, 64, None, QUIET)
    assert not after.any()


def test_channels_beside_the_chosen_ones_stay_silent() -> None:
    take = make_take(10)
    take.output_columns, take.input_columns = [2], [1]
    heard = np.arange(30, dtype=np.float32).reshape(10, 3)
    spoken = np.ones((10, 4), np.float32)
    take.exchange(heard, spoken, 10, None, QUIET)
    assert np.array_equal(spoken[:, 2], take.played[:, 0])
    assert not spoken[:, [0, 1, 3]].any()
    assert np.array_equal(take.captured[:, 0], heard[:, 1])


def test_only_late_blocks_after_the_start_count_as_lost() -> None:
    take = make_take(400)
    late = SimpleNamespace(input_overflow=False, output_underflow=True)
    block = np.zeros((100, 1), np.float32)
    for _ in range(4):
        take.exchange(block, block.copy(), 100, None, late)
    assert take.xrun_frames == [200, 300]


def test_messages_survive_the_wire_and_a_broken_one_is_no_message() -> None:
    wire = io.BytesIO()
    send(wire, {"event": "take", "text": "a\nb"}, b"\n\0raw")
    whole = wire.getvalue()
    assert receive(io.BytesIO(whole)) == (
        {"event": "take", "text": "a\nb", "n_bytes": 5},
        b"\n\0raw",
    )
    for length in range(len(whole)):
        assert receive(io.BytesIO(whole[:length])) is None


@pytest.mark.parametrize("level", [0.7080, -0.7080, float("nan"), float("inf")])
def test_nothing_above_the_cap_reaches_a_device(
    fake_sound: Any, monkeypatch: pytest.MonkeyPatch, level: float
) -> None:
    """The cap of -3 dBFS is 0.7079; a sample above it, or none at all, opens no stream."""
    n_streams = fake_sound("")
    samples = np.zeros(4800)
    samples[2000] = level
    loud = Programme(recipe=Recipe(), blocks=(), samples=samples)
    with pytest.raises(BenchError, match=r"output cap would be exceeded.*lower the level"):
        SoundCardBench("wire").play_and_record(loud)
    # With the first look out of the way the sound process still refuses.
    bench = SoundCardBench("wire")
    monkeypatch.setattr(takes, "check_cap", lambda *_: None)
    with pytest.raises(BenchError, match="output cap would be exceeded"):
        bench.play_and_record(loud)
    assert n_streams() == 0


def test_no_portaudio_names_the_system_package(fake_sound: Any) -> None:
    fake_sound("no library")
    with pytest.raises(BenchError, match="libportaudio2"):
        list_devices()
    with pytest.raises(BenchError, match="libportaudio2"):
        SoundCardBench().play_and_record(make_programme(SHORT))


@pytest.mark.parametrize("fault", ["busy", "busy in words"])
def test_a_device_that_another_program_holds_is_said_at_once(fake_sound: Any, fault: str) -> None:
    n_streams = fake_sound(fault)
    with pytest.raises(BenchError, match="wire: is held by another program; close"):
        SoundCardBench("wire").play_and_record(make_programme(SHORT))
    assert n_streams() == 1


@pytest.mark.parametrize("fault", ["dies", "crash"])
def test_a_stream_that_dies_is_tried_three_times(fake_sound: Any, fault: str) -> None:
    n_streams = fake_sound(fault)
    with pytest.raises(BenchError, match=r"3 times in a row; close other programs"):
        SoundCardBench("wire").play_and_record(make_programme(SHORT))
    assert n_streams() == 3


def test_a_stream_that_dies_once_is_not_noticed(fake_sound: Any) -> None:
    n_streams = fake_sound("dies once")
    programme = make_programme(SHORT)
    recording = SoundCardBench("wire").play_and_record(programme)
    assert n_streams() == 2
    assert recording.problems == ()
    # The wire of the stand-in is one block of 1024 late.
    back = recording.samples[1024 : 1024 + len(programme.samples)]
    assert np.array_equal(back, programme.samples.astype(np.float32))


def test_lost_blocks_repeat_the_take_and_stay_named_if_that_does_not_help(fake_sound: Any) -> None:
    programme = make_programme(SHORT)
    n_streams = fake_sound("xrun once")
    assert SoundCardBench("wire").play_and_record(programme).problems == ()
    assert n_streams() == 2
    fake_sound("xruns")
    (problem,) = SoundCardBench("wire").play_and_record(programme).problems
    assert problem.kind == "lost-samples"
    assert problem.at_s == pytest.approx(60 * 1024 / 48000 - 0.5)
    assert "in each of 3 takes" in problem.message
    assert n_streams() == 5


def test_a_library_that_aborts_takes_only_its_own_process_with_it(fake_sound: Any) -> None:
    fake_sound("abort at import")
    with pytest.raises(BenchError, match="does not answer"):
        list_devices()


def test_a_programme_of_another_rate_than_the_bench_is_wrong_use() -> None:
    with pytest.raises(InputError, match=r"set up for 44100 Hz.*48000 Hz"):
        SoundCardBench("wire", rate_hz=44100).play_and_record(make_programme(SHORT))


@pytest.mark.parametrize(
    "options", [{"output_channel": 0}, {"input_channel": -1}, {"cap_dbfs": 0.1}]
)
def test_impossible_options_are_wrong_use(options: dict[str, int]) -> None:
    with pytest.raises(InputError):
        SoundCardBench("wire", **options)


def test_the_program_itself_never_loads_the_audio_library(fake_sound: Any) -> None:
    """Neither listing nor playing; a library that hangs or aborts cannot hurt it then."""
    fake_sound("")
    code = (
        "import sys; from voicecheck.bench.soundcard import *\n"
        "from voicecheck.programme import make_programme\n"
        "assert [d.name for d in list_devices()] == ['wire']\n"
        "SoundCardBench('wire').play_and_record(make_programme())\n"
        "assert not {'sounddevice', '_sounddevice'} & set(sys.modules)\n"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    subprocess.run([sys.executable, "-c", code], env=environment, check=True, timeout=60)
