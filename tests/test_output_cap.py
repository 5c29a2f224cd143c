# mypy: disable-error-code="index,return-value,type-arg"
"""
No path of options or recipes makes a sample above the cap.

Everything from the recipe to the block that the sound library asks for is the program's own code;
only the library is replaced, by one that keeps what it was given.
"""

from __future__ import annotations

import io
import json
import threading
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from voicecheck.bench.calibration.tones import make_tone
from voicecheck.bench.hardware import HardwareBench
from voicecheck.bench.soundcard import SoundCardBench, child, takes
from voicecheck.bench.soundcard.firstsound import QuietStart
from voicecheck.bench.soundcard.wire import receive
from voicecheck.checkout.parts.options import PartsOptions
from voicecheck.errors import BenchError, InputError, RecordingError
from voicecheck.programme import make_programme
from voicecheck.records import Programme, Recipe
from voicecheck.records.benches import BenchSetup, StepResult
from voicecheck.records.signals import PATHS
from voicecheck.workflow.analysis import choose_stimulus, write_signal, write_stimulus
from voicecheck.workflow.checks.partsfiles import load_parts_files
from voicecheck.workflow.checks.source import MOST_TONE_DBFS, Source
from voicecheck.workflow.checks.take import take_scene

NOW = "2026-03-02T09:00:00+00:00"
N_CHANNELS = 4
QUIET = SimpleNamespace(input_overflow=False, output_underflow=False)


class KeepingLibrary:
    """Runs a stream at once, in blocks of changing size, and keeps what was to be played."""

    PortAudioError = RuntimeError
    default = SimpleNamespace(device=(0, 0))

    def __init__(self) -> None:
        self.spoken = np.zeros((0, N_CHANNELS))
        self.all_spoken: list[np.ndarray] = []
        self.heard_level = 0.0

    def query_hostapis(self) -> list[dict]:
        return [{"name": "kept"}]

    def query_devices(self) -> list[dict]:
        channels = {"max_input_channels": N_CHANNELS, "max_output_channels": N_CHANNELS}
        return [{"name": "wire", "hostapi": 0, "default_samplerate": 48000.0, **channels}]

    def Stream(  # noqa: N802
        self, *, channels: Any, callback: Any, finished_callback: Any, **_options: Any
    ) -> Any:
        def start() -> None:
            parts = []
            for size in (1, 64, 1023, 4096, *[65536] * 40):
                spoken = np.full((size, channels[1]), np.nan, np.float32)
                heard = np.full((size, channels[0]), self.heard_level, np.float32)
                callback(heard, spoken, size, None, QUIET)
                parts.append(np.pad(spoken, ((0, 0), (0, N_CHANNELS - channels[1]))))
            self.spoken = np.concatenate(parts)
            self.all_spoken = [*self.all_spoken[-2:], self.spoken]
            finished_callback()

        return SimpleNamespace(start=start, abort=lambda: None, close=lambda: None)


class InlineProcess:
    """The sound process without a process: same request, same code, same messages."""

    library = KeepingLibrary()

    def __init__(self, request: dict, content: bytes) -> None:
        answers = io.BytesIO()
        request = json.loads(json.dumps(request))
        child._play_and_record(self.library, answers, request, content, threading.Event())
        answers.seek(0)
        self.answers = answers

    def __enter__(self) -> InlineProcess:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def await_start(self) -> None:
        assert receive(self.answers)[0]["event"] == "started"

    def receive(self, _limit_s: float) -> tuple[dict, bytes]:
        return receive(self.answers)


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch) -> KeepingLibrary:
    monkeypatch.setattr(takes, "SoundProcess", InlineProcess)
    # Retries tell nothing here: what is played is the same each time.
    monkeypatch.setattr(takes, "MAX_RETRIES", 0)
    return InlineProcess.library


levels = st.floats(-60.0, -18.0) | st.floats(-18.0, 12.0) | st.sampled_from([0.0, 200.0, -200.0])
caps = st.floats(-15.0, -0.1) | st.floats(-40.0, 3.0)
recipes = st.builds(
    Recipe,
    rate_hz=st.sampled_from([44100, 48000, 96000]),
    level_dbfs=levels,
    cap_dbfs=caps,
    n_sweeps=st.integers(1, 2),
    sweep_s=st.floats(0.5, 0.8),
    sweep_from_hz=st.floats(50.0, 400.0),
    sweep_to_hz=st.floats(2000.0, 19000.0),
    silence_s=st.sampled_from([0.0, 0.2]),
    step_levels_db=st.lists(st.floats(-40.0, 12.0), max_size=4).map(tuple),
    step_frequencies_hz=st.lists(st.floats(100.0, 4000.0), max_size=2).map(tuple),
    step_s=st.floats(0.05, 0.1),
    tones_hz=st.lists(st.floats(300.0, 3000.0), max_size=5).map(tuple),
    tones_s=st.floats(0.1, 0.3),
    lead_in_s=st.sampled_from([0.0, 0.2]),
    tail_s=st.sampled_from([0.0, 0.2]),
)
searched = settings(max_examples=80, deadline=None, derandomize=True)
few = settings(max_examples=30, deadline=None, derandomize=True)
"""Where a single example makes and measures a sound of its own."""


def check_played(library: KeepingLibrary, channel: int, *caps_dbfs: float) -> None:
    """Under every cap, other channels silent, silence at both ends."""
    spoken = library.spoken
    assert np.all(np.isfinite(spoken))
    cap = 10 ** (min(caps_dbfs) / 20)
    assert np.max(np.abs(spoken)) <= cap * (1 + 2e-6)
    assert not np.delete(spoken, channel - 1, axis=1).any()
    assert not spoken[:1000].any()
    assert not spoken[-1000:].any()


def play(library: KeepingLibrary, act: Callable[[], object]) -> bool:
    """Whether the act played something; what is refused has played nothing."""
    library.spoken = np.zeros((0, N_CHANNELS))
    try:
        act()
    except (InputError, BenchError):
        assert len(library.spoken) == 0
        return False
    return True


def test_no_recipe_passes_the_cap_of_a_sound_card(library: KeepingLibrary) -> None:
    played = []

    @searched
    @given(recipe=recipes, cap_dbfs=caps, channel=st.integers(1, N_CHANNELS))
    def search(recipe: Recipe, cap_dbfs: float, channel: int) -> None:
        def act() -> None:
            bench = SoundCardBench("wire", output_channel=channel, cap_dbfs=cap_dbfs)
            bench.play_and_record(make_programme(recipe))

        if play(library, act):
            played.append(recipe)
            check_played(library, channel, cap_dbfs, recipe.cap_dbfs)

    search()
    assert len(played) >= 15, "the search must reach the device"


@st.composite
def mouths(draw: st.DrawFn) -> StepResult:
    """A mouth with any curve at all, as measured."""
    level_db = draw(st.lists(st.floats(-30.0, 30.0), min_size=12, max_size=12))
    return StepResult(
        bench="attic",
        step="mouth",
        done_utc=NOW,
        value=draw(st.floats(0.01, 10.0)),
        unit="Pa",
        valid_days=90.0,
        frequency_hz=np.geomspace(200.0, 4000.0, 12),
        level_db=np.array(level_db),
    )


@pytest.mark.parametrize("path", PATHS)
def test_no_set_up_passes_the_cap_of_its_channel(library: KeepingLibrary, path: str) -> None:
    """Also with a mouth whose equaliser lifts parts of the programme by up to 20 dB."""
    played = []

    @searched
    @given(
        recipe=recipes,
        set_caps=st.tuples(caps, caps),
        mouth=mouths(),
        options=st.fixed_dictionaries(
            {"allowed_dbm": st.floats(-60.0, 40.0), "is_equalised": st.booleans()}
        ),
    )
    def search(recipe: Any, set_caps: Any, mouth: Any, options: Any) -> None:
        def act() -> None:
            setup = BenchSetup(
                name="attic",
                device="wire",
                rate_hz=recipe.rate_hz,
                mouth_channel=3,
                line_drive_channel=2,
                mouth_cap_dbfs=set_caps[0],
                line_drive_cap_dbfs=set_caps[1],
            )
            bench = HardwareBench(setup, [mouth], now_utc=NOW, **options)
            bench.play_and_record(make_programme(recipe), path=path)

        if not play(library, act):
            return
        played.append(recipe)
        if path in ("transmit", "sidetone"):
            check_played(library, 3, set_caps[0])
        else:
            check_played(library, 2, set_caps[1])
        if path == "receive":
            # Never calibrated: taken as +10 dBm at full scale.
            assert recipe.level_dbfs + 10.0 <= options["allowed_dbm"] + 0.05

    search()
    assert len(played) >= 10, "the search must reach the device"


def test_no_tone_passes_the_cap(library: KeepingLibrary) -> None:
    played = []

    @searched
    @given(level_dbfs=levels, cap_dbfs=st.floats(-40.0, -0.1), hz=st.floats(0.0, 20000.0))
    def search(level_dbfs: float, cap_dbfs: float, hz: float) -> None:
        def act() -> None:
            tone = make_tone(48000, hz, level_dbfs, 0.3)
            SoundCardBench("wire", cap_dbfs=cap_dbfs).play_and_record(tone)

        if play(library, act):
            played.append(hz)
            check_played(library, 1, cap_dbfs)

    search()
    assert len(played) >= 15, "the search must reach the device"


def test_no_samples_whatever_pass_the_cap(library: KeepingLibrary) -> None:
    """Even a programme that nobody made from a recipe."""
    played = []
    values = st.floats(width=32) | st.floats(-0.71, 0.71)

    @searched
    @given(samples=st.lists(values, min_size=1, max_size=4) | st.lists(st.floats(-0.7, 0.7)))
    def search(samples: list[float]) -> None:
        programme = Programme(recipe=Recipe(), blocks=(), samples=np.array(samples))
        if play(library, lambda: SoundCardBench("wire").play_and_record(programme)):
            played.append(samples)
            check_played(library, 1, -3.0)

    search()
    assert len(played) >= 15, "the search must reach the device"


def take_check(source: Source, name: str, options: Any = None) -> Callable[[], object]:
    return lambda: take_scene(name, source, options)


@pytest.fixture
def files(tmp_path: Path) -> Path:
    """A book's folder stands for every other, so that no lock of this machine is in the way."""
    return tmp_path


def test_no_tone_of_a_check_passes_its_cap(library: KeepingLibrary) -> None:
    played = []

    @few
    @given(
        level_dbfs=st.floats(-90.0, -12.0) | st.floats(-90.0, 6.0) | st.floats(),
        tone_hz=st.floats(200.0, 2000.0) | st.floats(2000.0, 4000.0) | st.floats(),
        name=st.sampled_from(["dial", "flex"]),
    )
    def search(level_dbfs: float, tone_hz: float, name: str) -> None:
        def act() -> None:
            source = Source(bench="wire", seconds=2.0, level_dbfs=level_dbfs, tone_hz=tone_hz)
            take_scene(name, source)

        if play(library, act):
            played.append(level_dbfs)
            check_played(library, 1, MOST_TONE_DBFS)

    search()
    assert len(played) >= 5, "the search must reach the device"


@st.composite
def words_of_speech(draw: st.DrawFn) -> np.ndarray:
    """Bursts of any size with pauses, clicks, samples beyond full scale, and what is no number."""
    sizes = draw(st.lists(st.floats(0.0, 90.0), min_size=1, max_size=4))
    rng = np.random.default_rng(draw(st.integers(0, 99)))
    parts = [size * rng.standard_normal(4000) / 4.0 for size in sizes]
    samples = np.concatenate([part for one in parts for part in (one, np.zeros(2000))])
    if draw(st.booleans()):
        samples[draw(st.integers(0, len(samples) - 1))] = draw(st.floats(width=32))
    return np.asarray(samples)


def test_no_speech_passes_its_cap(library: KeepingLibrary, files: Path) -> None:
    """Whatever a file holds that is to be played through a receiver."""
    played = []

    @few
    @given(samples=words_of_speech(), level_dbfs=st.floats(-80.0, -12.0) | st.floats())
    def search(samples: np.ndarray, level_dbfs: float) -> None:
        file = files / "speech.wav"
        soundfile.write(file, samples, 8000, subtype="FLOAT")

        def act() -> None:
            take_scene("speak", Source(bench="wire", speech=file, level_dbfs=level_dbfs))

        try:
            has_played = play(library, act)
        except RecordingError:
            assert len(library.spoken) == 0
            return
        if has_played:
            played.append(level_dbfs)
            check_played(library, 1, MOST_TONE_DBFS)

    search()
    assert len(played) >= 5, "the search must reach the device"


def test_no_programme_file_passes_its_cap(files: Path) -> None:
    """What another player will play: the same caps hold in the file."""
    written = []

    @searched
    @given(recipe=recipes)
    def search(recipe: Recipe) -> None:
        file = files / "OUT.wav"
        file.unlink(missing_ok=True)
        try:
            write_signal(file, recipe)
        except (InputError, BenchError):
            assert not file.exists()
            return
        written.append(recipe)
        samples, _ = soundfile.read(file)
        assert np.max(np.abs(samples)) <= 10 ** (recipe.cap_dbfs / 20) * (1 + 2e-6) + 2**-24

    search()
    assert len(written) >= 5, "the search must reach a file"


def test_a_stimulus_out_of_a_file_is_what_is_played(library: KeepingLibrary, files: Path) -> None:
    """It was measured against the file and another one was played."""
    for level_dbfs in (-30.0, -12.0, -9.0):
        recipe = choose_stimulus(part="contact", level_dbfs=level_dbfs)
        made = write_stimulus(files / "OUT.wav", recipe)
        options = PartsOptions(part="receiver", resistor_ohm=600.0, signal=files / "OUT.wav")
        source = Source(bench="wire", level_dbfs=-40.0)
        options, source = load_parts_files(options, source, None)

        if not play(library, take_check(source, "parts", options)):
            assert level_dbfs > MOST_TONE_DBFS
            continue
        check_played(library, 1, -3.0)
        spoken = library.spoken[round(takes.LEAD_S * 48000) :, 0]
        assert np.allclose(spoken[: len(made.samples)], made.samples, atol=1e-6)
        assert level_dbfs <= MOST_TONE_DBFS


SETUP = BenchSetup(
    name="attic", device="wire", line_tap_channel=1, ear_channel=2, line_drive_cap_dbfs=-0.5,
    mouth_cap_dbfs=-0.5,
)  # fmt: skip


@pytest.fixture(params=["device", "bench"])
def loud_bench(
    request: pytest.FixtureRequest, library: KeepingLibrary
) -> Callable[[], SoundCardBench | HardwareBench]:
    """A bench whose stored cap and whose leave are as high as they can be."""
    library.all_spoken, library.heard_level = [], 0.0
    if request.param == "device":
        return lambda: SoundCardBench("wire", cap_dbfs=-0.5)
    return lambda: HardwareBench(SETUP, now_utc=NOW, allowed_dbm=99.0)


def test_the_first_sound_to_a_receiver_starts_low_whatever_is_stored(
    library: KeepingLibrary, loud_bench: Callable[[], SoundCardBench | HardwareBench]
) -> None:
    bench = loud_bench()
    programme = make_programme(Recipe(n_sweeps=1, level_dbfs=-7.0, cap_dbfs=-0.5))
    bench.play_and_record(programme, path="receive")
    first, second = (np.max(np.abs(one)) for one in library.all_spoken)
    assert 0.0099 < first <= 0.01 * (1 + 2e-6)
    assert second > 0.4
    sounding = np.flatnonzero(np.any(library.all_spoken[0] != 0.0, axis=1))
    rising = library.all_spoken[0][sounding[0] : sounding[0] + 4800]
    assert np.max(np.abs(rising)) < 0.002
    bench.play_and_record(programme, path="receive")
    assert len(library.all_spoken) == 3, "once is enough for one bench at work"


@pytest.mark.parametrize("path", ["transmit", "loop"])
def test_where_no_receiver_sounds_nothing_comes_first(
    path: Any, library: KeepingLibrary, loud_bench: Callable[[], SoundCardBench | HardwareBench]
) -> None:
    loud_bench().play_and_record(make_programme(Recipe(n_sweeps=1)), path=path)
    assert len(library.all_spoken) == 1


def test_a_receiver_on_the_line_of_a_loop_is_one(library: KeepingLibrary) -> None:
    library.all_spoken = []
    bench = HardwareBench(SETUP, now_utc=NOW)
    bench.play_and_record_both(make_programme(Recipe(n_sweeps=1)), path="loop")
    assert len(library.all_spoken) == 2
    assert np.max(np.abs(library.all_spoken[0])) <= 0.01 * (1 + 2e-6)


def test_what_howls_is_not_played_louder(
    library: KeepingLibrary, loud_bench: Callable[[], SoundCardBench | HardwareBench]
) -> None:
    """An input at full scale under the first, quiet sound: nothing above it goes out, ever."""
    library.heard_level = 1.0
    bench = loud_bench()
    programme = make_programme(Recipe(n_sweeps=1))
    try:
        for _ in range(2):
            with pytest.raises(BenchError, match=r"it howls.*nothing louder was played"):
                bench.play_and_record(programme, path="receive")
    finally:
        library.heard_level = 0.0
    assert len(library.all_spoken) == 2
    assert max(np.max(np.abs(one)) for one in library.all_spoken) <= 0.01 * (1 + 2e-6)


def test_what_is_refused_plays_no_first_sound(library: KeepingLibrary) -> None:
    library.all_spoken = []
    wiring = takes.Wiring(name="wire", device="wire", caps_dbfs=(-39.0,))
    with pytest.raises(BenchError, match="output cap would be exceeded"):
        QuietStart().play_before(np.full((10, 1), 0.5), wiring, 48000)
    assert library.all_spoken == []
    QuietStart().play_before(np.full((10, 1), 0.011), wiring, 48000)
    [first] = library.all_spoken
    assert 0.0099 < np.max(np.abs(first)) <= 0.01 * (1 + 2e-6)


def test_what_is_quiet_itself_needs_no_first_sound(library: KeepingLibrary) -> None:
    library.all_spoken = []
    wiring = takes.Wiring(name="wire", device="wire", caps_dbfs=(-55.0,))
    QuietStart().play_before(np.full((10, 1), 0.001), wiring, 48000)
    assert library.all_spoken == []
