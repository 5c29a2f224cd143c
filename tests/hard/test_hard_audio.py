"""300 sound files nobody should send, and the giants: exit 0, 2 or 3, one line, bounded memory."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import audio_files
import numpy as np
import pytest
import soundfile

from voicecheck.bench.audiofile import LONGEST_FRAMES, LONGEST_S, load_recording, read_in_blocks

HERE = Path(__file__).parent
LIMIT_MB = 1500
"""300 s of one channel at 48 kHz are 115 MB; a check holds it several times over (judgement)."""


def test_300_files_end_as_they_may(tmp_path: Path) -> None:
    figures = audio_files.run_many(tmp_path, 300, seed=19)
    assert figures.wrong == []
    assert figures.codes["0"] > 10, "some are well, or nothing was tried"
    assert figures.codes["3"] > 100
    assert figures.slowest_s < 60.0


def test_valid_files_give_what_was_written(tmp_path: Path) -> None:
    """Every fourth file is whole: those of a usable rate and lossless are read to the last bit."""
    rng, n_read = np.random.default_rng(7), 0
    for number in range(150):
        path = audio_files.write_valid(tmp_path / f"{number}", rng)
        info = soundfile.info(path)
        expected, _ = soundfile.read(path, always_2d=True)
        usable = 4000 <= info.samplerate <= 768_000 and info.subtype not in {"ULAW", "VORBIS"}
        if not usable or not np.all(np.abs(expected) <= 100.0):
            continue
        found = load_recording(path, channel=info.channels)
        assert np.array_equal(found.samples, expected[:, -1]), path
        assert found.problems == (), path
        blocks = [block for block, _ in read_in_blocks(path, channel=info.channels)]
        assert np.array_equal(np.concatenate(blocks), expected[:, -1]), path
        n_read += 1
    assert n_read > 40


@pytest.mark.parametrize("command", audio_files.COMMANDS)
def test_what_is_no_file_ends_at_once(command: str, tmp_path: Path) -> None:
    """A pipe without a writer, a device without an end: a line, no waiting."""
    (tmp_path / "them").mkdir()
    programme = audio_files.make_programme_file(tmp_path)
    for what, path in audio_files.make_lookalikes(tmp_path / "them"):
        words = audio_files.list_words(command, path, programme)
        code, _, said = audio_files.run_main(*words)
        assert code == 3, (what, said)
        assert len(said.splitlines()) == 1, (what, said)
        assert len(said) < 400, (what, said)


def test_giants_take_no_more_than_their_first_minutes(tmp_path: Path) -> None:
    """Two of 2 GiB that take no room, 64 channels, an hour of FLAC: in a process of its own."""
    command = "tones"
    code = (
        "import resource, sys; from pathlib import Path; import audio_files as a; "
        "folder = Path(sys.argv[1]); p = a.make_programme_file(folder); f = a.Figures(); "
        "[a.judge(f, w, a.list_words(sys.argv[2], g, p)) for w, g in a.make_giants(folder)]; "
        "print(f.wrong, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path), command],
        capture_output=True, text=True, check=True, cwd=HERE,
    )  # fmt: skip
    wrong, peak_mb = done.stdout.rsplit(maxsplit=1)
    assert wrong == "[]"
    assert int(peak_mb) < LIMIT_MB


def test_a_longer_recording_is_read_so_far_and_that_is_said(tmp_path: Path) -> None:
    samples = np.zeros(round((LONGEST_S + 1.0) * 8000), dtype=np.int16)
    samples[:8000] = 1000
    soundfile.write(tmp_path / "long.wav", samples, 8000)
    recording = load_recording(tmp_path / "long.wav")
    assert recording.duration_s == LONGEST_S
    (problem,) = recording.problems
    assert problem.kind == "long"
    assert "first 300 s" in problem.effect
    soundfile.write(tmp_path / "fits.wav", samples[: round(LONGEST_S * 8000)], 8000)
    assert load_recording(tmp_path / "fits.wav").problems == ()
    assert LONGEST_FRAMES * 8 < 128 << 20
