"""Files in and out: what is written can be read by others, what is read is judged first."""

from __future__ import annotations

import hashlib
import os
import resource
import struct
import wave
from pathlib import Path

import numpy as np
import pytest
import soundfile

from voicecheck.bench.codings import ADPCM, G711, GSM
from voicecheck.bench.wavfile import (
    WavFileBench,
    load_programme,
    load_recording,
    save_programme,
)
from voicecheck.errors import InputError, RecordingError
from voicecheck.programme import make_programme
from voicecheck.records import Calibration, Conditions, Recipe

RATE_HZ = 48000
SHORT = Recipe(n_sweeps=1, sweep_s=0.5, silence_s=0.1, tones_s=0.2, step_s=0.05)


@pytest.fixture
def noise() -> np.ndarray:
    """A second of noise that 24 bits hold exactly."""
    steps = np.random.default_rng(20).integers(-(2**22), 2**22, RATE_HZ)
    return steps / 2.0**23


def write(path: Path, samples: np.ndarray, subtype: str = "PCM_24", **options: object) -> bytes:
    soundfile.write(path, samples, RATE_HZ, subtype, **options)
    return path.read_bytes()


def refused(path: Path, kind: str) -> str:
    """The message of a refusal of the given kind: one line that starts with the file."""
    with pytest.raises(RecordingError) as caught:
        load_recording(path)
    message = str(caught.value)
    assert caught.value.kind == kind
    assert path.name in message
    assert "\n" not in message
    return message


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_a_programme_file_gives_its_programme_back(tmp_path: Path, rate_hz: int) -> None:
    programme = make_programme(Recipe(rate_hz=rate_hz, n_sweeps=1, level_dbfs=-13.7))
    save_programme(programme, tmp_path / "p.wav")
    loaded = load_programme(tmp_path / "p.wav")
    assert loaded.recipe == programme.recipe
    assert loaded.blocks == programme.blocks
    assert np.array_equal(loaded.samples, programme.samples)


def test_other_programs_read_a_programme_file(tmp_path: Path) -> None:
    """The standard library's reader, which shares no code with ours, finds the same samples."""
    programme = make_programme(SHORT)
    save_programme(programme, tmp_path / "p.wav")
    with wave.open(str(tmp_path / "p.wav")) as other:
        assert (other.getnchannels(), other.getsampwidth()) == (1, 3)
        assert other.getframerate() == RATE_HZ
        raw = other.readframes(other.getnframes() + 1)
    padded = np.frombuffer(raw, np.uint8).reshape(-1, 3)
    steps = np.zeros((len(padded), 4), np.uint8)
    steps[:, 1:] = padded
    read = steps.view("<i4")[:, 0] / 2.0**31
    assert len(read) == len(programme.samples)
    assert np.max(np.abs(read - programme.samples)) <= 0.5 / 2**23
    size = (tmp_path / "p.wav").stat().st_size
    assert struct.unpack("<I", (tmp_path / "p.wav").read_bytes()[4:8])[0] == size - 8


def test_a_recipe_longer_than_any_text_comment_survives(tmp_path: Path) -> None:
    """A comment above 2,045 characters would have come back empty."""
    levels = tuple(float(level) for level in np.linspace(-30.0, 5.9, 250))
    programme = make_programme(Recipe(n_sweeps=1, step_s=0.05, step_levels_db=levels))
    save_programme(programme, tmp_path / "p.wav")
    assert load_programme(tmp_path / "p.wav").recipe.step_levels_db == levels


def test_a_failed_save_leaves_the_old_file_and_nothing_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "p.wav"
    save_programme(make_programme(SHORT), target)
    before = target.read_bytes()

    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="No space left"):
        save_programme(make_programme(Recipe()), target)
    assert target.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == ["p.wav"]


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"nowhere.*cannot be written"):
        save_programme(make_programme(SHORT), tmp_path / "nowhere" / "p.wav")


def test_a_file_without_recipe_is_no_programme_file(tmp_path: Path, noise: np.ndarray) -> None:
    write(tmp_path / "plain.wav", noise)
    with pytest.raises(RecordingError, match=r"carries no recipe.*signal command") as caught:
        load_programme(tmp_path / "plain.wav")
    assert caught.value.kind == "no-recipe"


@pytest.mark.parametrize("recipe", [b"{}}", b'{"rate_hz": "fast"}', b'{"n_sweeps": 0}', b"\xff"])
def test_a_spoilt_recipe_is_refused(tmp_path: Path, recipe: bytes) -> None:
    save_programme(make_programme(SHORT), tmp_path / "p.wav")
    content = (tmp_path / "p.wav").read_bytes()
    start = content.index(b"vcRP")
    spoilt = content[: start + 4] + struct.pack("<I", len(recipe)) + recipe
    (tmp_path / "p.wav").write_bytes(spoilt)
    with pytest.raises(RecordingError, match="recipe cannot be used") as caught:
        load_programme(tmp_path / "p.wav")
    assert caught.value.kind == "no-recipe"


@pytest.mark.parametrize("change", ["level", "one sample", "shorter"])
def test_sound_that_is_not_its_recipe_is_found(tmp_path: Path, change: str) -> None:
    programme = make_programme(SHORT)
    samples = programme.samples.copy()
    if change == "level":
        samples *= 10 ** (-0.01 / 20)
    elif change == "one sample":
        samples[30000] += 4 / 2**23
    else:
        samples = samples[:-1]
    other = type(programme)(recipe=SHORT, blocks=programme.blocks, samples=samples)
    save_programme(other, tmp_path / "p.wav")
    with pytest.raises(RecordingError, match="not what its own recipe says") as caught:
        load_programme(tmp_path / "p.wav")
    assert caught.value.kind == "wrong-programme"


@pytest.mark.parametrize(
    ("name", "subtype", "step"),
    [
        ("a.wav", "PCM_16", 2**-15),
        ("a.wav", "PCM_24", 0.0),
        ("a.wav", "PCM_32", 0.0),
        ("a.wav", "FLOAT", 0.0),
        ("a.wav", "DOUBLE", 0.0),
        ("a.flac", "PCM_24", 0.0),
        ("a.aiff", "PCM_24", 0.0),
        ("a.rf64", "PCM_24", 0.0),
        ("a.w64", "PCM_24", 0.0),
    ],
)
def test_lossless_files_are_read_exactly(
    tmp_path: Path, noise: np.ndarray, name: str, subtype: str, step: float
) -> None:
    both = np.column_stack([noise, -0.5 * noise[::-1]])
    content = write(tmp_path / name, both, subtype)
    conditions = Conditions(path="receive", feed_ma=40.0)
    second = load_recording(tmp_path / name, channel=2, conditions=conditions)
    assert second.rate_hz == RATE_HZ
    assert second.channel == 2
    assert second.conditions == conditions
    assert second.problems == ()
    assert second.sha256 == hashlib.sha256(content).hexdigest()
    assert second.samples.shape == noise.shape
    assert np.max(np.abs(second.samples - both[:, 1])) <= max(step, 2**-24)
    assert np.max(np.abs(load_recording(tmp_path / name).samples - noise)) <= max(step, 2**-24)


def test_long_files_are_joined_from_blocks(tmp_path: Path, noise: np.ndarray) -> None:
    """A recording of more than one block of the reader has every sample once."""
    long = np.tile(noise, 50)
    write(tmp_path / "long.wav", long)
    assert np.array_equal(load_recording(tmp_path / "long.wav").samples, long)


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("a.mp3", {"subtype": "MPEG_LAYER_III"}),
        ("a.ogg", {"subtype": "VORBIS"}),
        ("a.opus", {"format": "OGG", "subtype": "OPUS"}),
        ("a.wav", {"subtype": "ULAW"}),
        ("a.wav", {"subtype": "ALAW"}),
        ("a.wav", {"subtype": "IMA_ADPCM"}),
        ("a.wav", {"subtype": "MS_ADPCM"}),
        ("a.wav", {"subtype": "GSM610"}),
    ],
)
def test_lossy_files_are_refused_with_what_to_record_instead(
    tmp_path: Path, noise: np.ndarray, name: str, options: dict[str, str]
) -> None:
    write(tmp_path / name, noise, **options)
    message = refused(tmp_path / name, "lossy")
    assert "distortion" in message
    assert "WAV or FLAC" in message


@pytest.mark.parametrize(
    ("name", "content", "kind"),
    [
        ("text.wav", b"no sound at all, " * 40, "not-audio"),
        ("picture.png", b"\x89PNG\r\n\x1a\n" + bytes(200), "not-audio"),
        ("head.wav", b"RIFF\x24\x00\x00\x00WAVE", "not-audio"),
        ("empty.wav", b"", "empty"),
        ("phone.m4a", b"\0\0\0\x20ftypM4A " + bytes(100), "lossy"),
    ],
)
def test_what_is_not_audio_is_refused(tmp_path: Path, name: str, content: bytes, kind: str) -> None:
    (tmp_path / name).write_bytes(content)
    refused(tmp_path / name, kind)


def test_no_file_a_folder_and_a_pipe_are_refused_at_once(tmp_path: Path) -> None:
    """Opening a pipe would wait for a writer that never comes."""
    refused(tmp_path / "absent.wav", "unreadable")
    (tmp_path / "folder.wav").mkdir()
    refused(tmp_path / "folder.wav", "unreadable")
    os.mkfifo(tmp_path / "pipe.wav")
    refused(tmp_path / "pipe.wav", "unreadable")


def test_no_frames_and_no_channels_are_refused(tmp_path: Path, noise: np.ndarray) -> None:
    write(tmp_path / "none.wav", noise[:0])
    refused(tmp_path / "none.wav", "empty")
    content = write(tmp_path / "zero.wav", noise)
    (tmp_path / "zero.wav").write_bytes(content[:22] + b"\0\0" + content[24:])
    refused(tmp_path / "zero.wav", "not-audio")


def test_samples_that_are_no_numbers_are_located(tmp_path: Path, noise: np.ndarray) -> None:
    noise[12000] = np.nan
    noise[13000] = np.inf
    write(tmp_path / "nan.wav", noise, "FLOAT")
    assert "2 samples are not numbers, the first at 0.250 s" in refused(
        tmp_path / "nan.wav", "damaged"
    )


def test_infinities_of_both_signs_are_located_without_a_warning(
    tmp_path: Path, noise: np.ndarray
) -> None:
    noise[24000], noise[24001] = -np.inf, np.inf
    write(tmp_path / "inf.wav", noise, "DOUBLE")
    assert "the first at 0.500 s" in refused(tmp_path / "inf.wav", "damaged")


def test_samples_that_were_never_scaled_are_refused(tmp_path: Path, noise: np.ndarray) -> None:
    write(tmp_path / "int.wav", noise / np.max(np.abs(noise)) * 32767.0, "FLOAT")
    assert "reach 3.277e+04, full scale is 1" in refused(tmp_path / "int.wav", "damaged")
    loud = noise / np.max(np.abs(noise)) * 2.0
    write(tmp_path / "loud.wav", loud, "DOUBLE")
    assert np.array_equal(load_recording(tmp_path / "loud.wav").samples, loud)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("name", ["f.wav", "f.flac", "f.aiff"])
def test_damage_anywhere_gives_a_recording_or_one_clear_line(
    tmp_path: Path, noise: np.ndarray, name: str, seed: int
) -> None:
    """Bytes changed and the end cut off at random, headers first: nothing else ever escapes."""
    rng = np.random.default_rng(seed)
    whole = write(tmp_path / name, noise[:4800])
    lines: list[str] = []
    for _ in range(25):
        content = bytearray(whole)
        reach = 120 if rng.random() < 0.7 else len(content)
        for place in rng.integers(0, reach, rng.integers(1, 6)):
            content[place] = rng.integers(0, 256)
        (tmp_path / name).write_bytes(content[: rng.integers(1, len(content) + 1)])
        try:
            recording = load_recording(tmp_path / name)
        except RecordingError as error:
            lines.append(str(error))
        else:
            assert len(recording.samples) > 0
            assert np.all(np.isfinite(recording.samples))
    assert lines, "the damage must show"
    assert not any("\n" in line for line in lines)


@pytest.mark.parametrize("channel", [0, 3, -1])
def test_a_channel_that_is_not_there_is_wrong_use(
    tmp_path: Path, noise: np.ndarray, channel: int
) -> None:
    write(tmp_path / "two.wav", np.column_stack([noise, noise]))
    with pytest.raises(InputError, match=f"channel {channel} asked for, it has 1 to 2"):
        load_recording(tmp_path / "two.wav", channel=channel)


@pytest.mark.parametrize("name", ["cut.wav", "cut.aiff", "cut.rf64", "cut.flac"])
def test_a_truncated_file_gives_what_is_there(tmp_path: Path, noise: np.ndarray, name: str) -> None:
    content = write(tmp_path / name, noise)
    (tmp_path / name).write_bytes(content[: len(content) * 2 // 3])
    recording = load_recording(tmp_path / name)
    n_read = len(recording.samples)
    assert 0.5 * RATE_HZ < n_read < 0.7 * RATE_HZ
    assert np.array_equal(recording.samples, noise[:n_read])
    (problem,) = recording.problems
    assert problem.kind == "truncated"
    assert problem.at_s == pytest.approx(n_read / RATE_HZ)
    missing_s = float(problem.message.split("s, ")[1].split(" s")[0])
    assert missing_s == pytest.approx(1 - n_read / RATE_HZ, abs=0.02)


def test_a_flac_with_a_bad_byte_gives_what_precedes_it(tmp_path: Path, noise: np.ndarray) -> None:
    content = bytearray(write(tmp_path / "bad.flac", noise))
    content[len(content) // 2] ^= 0x55
    (tmp_path / "bad.flac").write_bytes(content)
    recording = load_recording(tmp_path / "bad.flac")
    n_read = len(recording.samples)
    assert 0.3 * RATE_HZ < n_read < 0.55 * RATE_HZ
    assert np.array_equal(recording.samples, noise[:n_read])
    assert [problem.kind for problem in recording.problems] == ["truncated"]


@pytest.mark.parametrize("channel", [1, 2])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
@pytest.mark.parametrize("container", ["WAV", "WAVEX"])
def test_a_killed_recorders_file_is_recovered(
    tmp_path: Path, noise: np.ndarray, channel: int, subtype: str, container: str
) -> None:
    """Sizes of 0 in the header, as before a recorder closes its file; half a frame at the end."""
    both = np.round(np.column_stack([noise, -noise]) * 2**14) / 2**14
    content = write(tmp_path / "k.wav", both, subtype, format=container)
    data = content.index(b"data")
    unfinished = content[:4] + bytes(4) + content[8 : data + 4] + bytes(4) + content[data + 8 :]
    (tmp_path / "k.wav").write_bytes(unfinished[:-1])
    recording = load_recording(tmp_path / "k.wav", channel=channel)
    expected = both[: len(recording.samples), channel - 1]
    assert len(recording.samples) >= RATE_HZ - 8
    assert np.array_equal(recording.samples, expected)
    (problem,) = recording.problems
    assert problem.kind == "truncated"
    assert "recorder did not finish" in problem.message


@pytest.mark.parametrize(
    ("whole", "sound"),
    [
        (0xFFFFFFFF, 0xFFFFFFFF),
        (0x7FFFF024, 0x7FFFF000),
        (0x7FFFFFFF, 0x7FFFFFDB),
        (0x80000000, 0x7FFFFFDC),
    ],
)
def test_a_streamed_wav_of_unknown_length_is_whole(
    tmp_path: Path, noise: np.ndarray, whole: int, sound: int
) -> None:
    """Recorders that write to a pipe put a largest number where the length belongs: said once."""
    content = write(tmp_path / "s.wav", noise)
    data = content.index(b"data")
    head, size = struct.pack("<I", whole), struct.pack("<I", sound)
    streamed = content[:4] + head + content[8 : data + 4] + size + content[data + 8 :]
    (tmp_path / "s.wav").write_bytes(streamed)
    recording = load_recording(tmp_path / "s.wav")
    assert np.array_equal(recording.samples, noise)
    (problem,) = recording.problems
    assert problem.kind == "unsized"
    assert "1.00 s" in problem.effect


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("a.wav", {"subtype": "ULAW"}),
        ("a.wav", {"subtype": "ALAW"}),
        ("a.au", {"subtype": "ULAW"}),
        ("a.wav", {"subtype": "IMA_ADPCM"}),
        ("a.wav", {"subtype": "MS_ADPCM"}),
        ("a.wav", {"subtype": "GSM610"}),
        ("a.ul", {"subtype": "ULAW", "format": "RAW"}),
        ("a.alaw", {"subtype": "ALAW", "format": "RAW"}),
        ("a.gsm", {"subtype": "GSM610", "format": "RAW"}),
        ("a.vox", {"subtype": "VOX_ADPCM", "format": "RAW"}),
    ],
)
def test_telephone_codings_are_read_where_they_are_good_enough(
    tmp_path: Path, name: str, options: dict[str, str]
) -> None:
    """A tone keeps its frequency and its level; what it lost is said; the sweep refuses it."""
    tone = 0.25 * np.sin(2 * np.pi * 425 / 8000 * np.arange(16000))
    soundfile.write(tmp_path / name, tone, 8000, **options)
    refused(tmp_path / name, "lossy")
    recording = load_recording(tmp_path / name, codings=(G711, ADPCM, GSM))
    assert recording.rate_hz == 8000
    assert [problem.kind for problem in recording.problems] == ["coded"]
    inner = recording.samples[1000:15000]
    turning = np.exp(-2j * np.pi * 425 / 8000 * np.arange(len(inner)))
    assert 2 * abs(np.mean(inner * turning)) == pytest.approx(0.25, rel=0.12)


def test_music_codings_stay_refused(tmp_path: Path, noise: np.ndarray) -> None:
    write(tmp_path / "a.ogg", noise, "VORBIS")
    with pytest.raises(RecordingError, match="leaves out part of the sound"):
        load_recording(tmp_path / "a.ogg", codings=(G711, ADPCM, GSM))


def test_a_header_of_ten_gigabytes_takes_no_memory(tmp_path: Path, noise: np.ndarray) -> None:
    """Headers of WAV and FLAC that promise hours with a second behind them."""
    content = write(tmp_path / "big.wav", noise)
    data = content.index(b"data")
    huge = struct.pack("<I", 0xF0000000)
    (tmp_path / "big.wav").write_bytes(
        content[:4] + huge + content[8 : data + 4] + huge + content[data + 8 : data + 1008]
    )
    flac = bytearray(write(tmp_path / "big.flac", noise))
    info = int.from_bytes(flac[18:26], "big") | (2**36 - 1)  # 36 bits count the samples
    flac[18:26] = info.to_bytes(8, "big")
    (tmp_path / "big.flac").write_bytes(flac)
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    short, whole = load_recording(tmp_path / "big.wav"), load_recording(tmp_path / "big.flac")
    assert len(short.samples) == 333
    assert np.array_equal(whole.samples[:40000], noise[:40000])
    assert [problem.kind for problem in short.problems] == ["truncated"]
    assert [problem.kind for problem in whole.problems] == ["truncated"]
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb < 200_000


def test_each_seat_is_one_file(tmp_path: Path, noise: np.ndarray) -> None:
    calibration = Calibration(
        output_per_unit=1.0, output_unit="Pa", input_per_unit=2.0, input_unit="V"
    )
    files = [tmp_path / f"{seat}.wav" for seat in (1, 2)]
    for seat, file in enumerate(files, 1):
        write(file, noise / seat, "DOUBLE")
    bench = WavFileBench(files, conditions=Conditions(feed_ma=38.0), calibration=calibration)
    programme = make_programme(SHORT)
    second = bench.play_and_record(programme, path="receive", seat=2)
    assert np.array_equal(second.samples, noise / 2)
    assert second.conditions == Conditions(path="receive", seat=2, feed_ma=38.0, level_dbfs=-12.0)
    assert second.calibration == calibration
    with pytest.raises(InputError, match="seat 3: only 2 recordings given"):
        bench.play_and_record(programme, seat=3)
