# mypy: disable-error-code="arg-type"
"""Photograph, voices and pictures of sound that go into a report."""

from __future__ import annotations

import io
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from PIL import Image
from reportpage import Page
from services import need_module

from voicecheck.charts.sound import (
    N_BANDS,
    Sound,
    draw_sounds,
    estimate_bands_db,
    place_hz,
)
from voicecheck.checkout.dial import DialOptions
from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.records import SetType, SpeechCheck
from voicecheck.words import load_words
from voicecheck.workflow.checks.run import StoredCheck, run_check
from voicecheck.workflow.checks.source import Source
from voicecheck.workflow.papers.enclosures import find_photograph, find_voices
from voicecheck.workflow.papers.hearing import draw_sounds as draw_sounds_of
from voicecheck.workflow.papers.reporting import report_job

ENGLISH = load_words("en")
RATE_HZ = 48000


@pytest.fixture
def book(tmp_path: Path) -> JobBook:
    opened = JobBook.open(tmp_path / "book")
    opened.add_type(SetType(name="Lakeside 4"))
    opened.open_job("hall set", "Lakeside 4")
    return opened


class TestPhotograph:
    def test_it_is_upright_small_and_without_what_the_camera_wrote(
        self, book: JobBook, tmp_path: Path
    ) -> None:
        exif = Image.Exif()
        exif[0x0112] = 6  # turned by a quarter
        exif[0x010F] = "A maker"
        path = tmp_path / "a.jpg"
        Image.new("RGB", (3000, 2000), "green").save(path, exif=exif)
        book.attach_file(1, path)
        small = find_photograph(book, 1)
        with Image.open(io.BytesIO(small)) as shown:
            assert shown.size == (600, 900)
            assert not shown.getexif()
        assert len(small) < 200_000

    def test_the_newest_that_can_be_read_is_taken(self, book: JobBook, tmp_path: Path) -> None:
        for name, colour in (("old", "red"), ("new", "blue")):
            Image.new("RGB", (8, 8), colour).save(tmp_path / f"{name}.png")
            book.attach_file(1, tmp_path / f"{name}.png")
        (tmp_path / "broken.jpg").write_bytes(b"\xff\xd8\xff nothing more")
        (tmp_path / "notes.txt").write_text("no picture")
        book.attach_file(1, tmp_path / "broken.jpg")
        book.attach_file(1, tmp_path / "notes.txt")
        with Image.open(io.BytesIO(find_photograph(book, 1))) as shown:
            red, _, blue = np.asarray(shown)[4, 4]
        assert blue > red + 100

    def test_there_may_be_none(self, book: JobBook) -> None:
        assert find_photograph(book, 1) == b""


def keep_speech(
    book: JobBook,
    folder: Path,
    stage: str,
    gain: float,
    *,
    bench: str = "shop",
    length_s: float = 3,
) -> StoredCheck:
    """Noise of a known level in place of speech, kept with the job."""
    path = folder / f"{stage}.wav"
    samples = gain * np.random.default_rng(len(stage)).uniform(-1, 1, round(RATE_HZ * length_s))
    soundfile.write(path, samples, RATE_HZ, subtype="PCM_24")
    kept = book.attach_file(1, path)
    check = SpeechCheck(
        active_level_dbfs=-20.0, activity_percent=50.0, peak_dbfs=-6.0, crest_db=14.0,
        noise_dbfs=-60.0, full_transmit_percent=90.0,
    )  # fmt: skip
    return StoredCheck(
        kind="speak", stage=stage, part="", taken_utc="2031-01-01T00:00:00+00:00", bench=bench,
        check=check, sound_sha256=kept.sha256,
    )  # fmt: skip


def measure_db(flac: bytes) -> float:
    samples, rate_hz = soundfile.read(io.BytesIO(flac))
    assert rate_hz == 16000
    return float(10.0 * np.log10(np.mean(samples**2)))


class TestVoices:
    def test_what_became_louder_is_heard_to_be(self, book: JobBook, tmp_path: Path) -> None:
        before = keep_speech(book, tmp_path, "before", 0.02)
        after = keep_speech(book, tmp_path, "after", 0.2)
        voices = find_voices(book, [before, after])
        assert voices is not None
        assert not voices.is_levelled
        assert measure_db(voices.after) - measure_db(voices.before) == pytest.approx(20.0, abs=0.2)

    def test_two_benches_tell_nothing_of_loudness(self, book: JobBook, tmp_path: Path) -> None:
        before = keep_speech(book, tmp_path, "before", 0.02)
        after = keep_speech(book, tmp_path, "after", 0.2, bench="another")
        voices = find_voices(book, [before, after])
        assert voices is not None
        assert voices.is_levelled
        assert measure_db(voices.after) == pytest.approx(measure_db(voices.before), abs=0.1)

    def test_long_speech_stays_small(self, book: JobBook, tmp_path: Path) -> None:
        """White noise is the worst that FLAC can meet; base 64 adds a third."""
        kept = [
            keep_speech(book, tmp_path, stage, 0.5, length_s=40) for stage in ("before", "after")
        ]
        voices = find_voices(book, kept)
        assert voices is not None
        assert (len(voices.before) + len(voices.after)) * 4 / 3 < 1_400_000

    def test_one_stage_alone_is_no_comparison(self, book: JobBook, tmp_path: Path) -> None:
        assert find_voices(book, [keep_speech(book, tmp_path, "before", 0.1)]) is None

    def test_a_recording_that_is_gone_takes_no_report_with_it(
        self, book: JobBook, tmp_path: Path
    ) -> None:
        kept = [keep_speech(book, tmp_path, stage, 0.1) for stage in ("before", "after")]
        book.locate_attachment(kept[0].sound_sha256).unlink()
        assert find_voices(book, kept) is None
        assert draw_sounds_of(book, (), kept[:1], ENGLISH) == ()


@pytest.mark.filterwarnings("ignore")
class TestSound:
    def make_tone(self, frequency_hz: float, at_s: float = 0.0) -> Sound:
        time_s = np.arange(RATE_HZ) / RATE_HZ
        samples = 0.1 * np.sin(2 * np.pi * frequency_hz * time_s) * (time_s >= at_s)
        return Sound(name="as found", samples=samples, rate_hz=RATE_HZ)

    @pytest.mark.parametrize("frequency_hz", [300.0, 1000.0, 2900.0])
    def test_a_tone_is_darkest_where_its_pitch_is_written(self, frequency_hz: float) -> None:
        need_module("librosa")
        levels_db = estimate_bands_db(self.make_tone(frequency_hz))
        darkest = int(np.argmax(levels_db.mean(axis=1)))
        assert (darkest + 0.5) / N_BANDS == pytest.approx(place_hz(frequency_hz), abs=1.5 / N_BANDS)

    def test_it_begins_when_it_begins(self) -> None:
        need_module("librosa")
        levels_db = estimate_bands_db(self.make_tone(1000.0, at_s=0.5)).max(axis=0)
        first_s = 0.008 * int(np.argmax(levels_db > levels_db.max() - 6.0))
        assert first_s == pytest.approx(0.5, abs=0.03)

    def test_both_are_drawn_on_one_scale(self) -> None:
        need_module("librosa")
        loud = self.make_tone(1000.0)
        quiet = Sound(name="now", samples=loud.samples / 10.0, rate_hz=RATE_HZ)
        figures = draw_sounds([loud, quiet], ENGLISH)
        first_db, second_db = (np.max(one.axes[0].images[0].get_array()) for one in figures)
        difference_db = first_db - second_db
        assert difference_db == pytest.approx(20.0, abs=0.1)

    def test_without_the_library_the_picture_says_so(self, monkeypatch: Any) -> None:
        monkeypatch.setitem(sys.modules, "librosa.filters", None)
        (figure,) = draw_sounds([self.make_tone(500.0)], ENGLISH)
        assert not figure.axes
        assert any("voicecheck[pictures]" in text.get_text() for text in figure.texts)

    def test_too_little_to_be_drawn_is_refused(self) -> None:
        need_module("librosa")
        assert draw_sounds([], ENGLISH) == ()
        short = Sound(name="now", samples=np.zeros(10), rate_hz=RATE_HZ)
        with pytest.raises(InputError, match="need at least"):
            draw_sounds([short], ENGLISH)

    def test_nothing_is_compiled_for_it(self) -> None:
        """The part of the library that compiles for 20 s is never loaded."""
        need_module("librosa")
        code = (
            "import sys, numpy as np\n"
            "from voicecheck.charts.sound import Sound, estimate_bands_db\n"
            "assert 'librosa' not in sys.modules\n"
            "estimate_bands_db(Sound(name='x', samples=np.ones(4800), rate_hz=48000))\n"
            "assert 'librosa.filters' in sys.modules\n"
            "assert 'librosa.core.audio' not in sys.modules\n"
        )
        subprocess.run([sys.executable, "-c", code], check=True)


@pytest.mark.filterwarnings("ignore")
def test_a_job_of_checks_alone_has_a_whole_report(book: JobBook, tmp_path: Path) -> None:
    """Never swept: a dial and speech, both made scenes, which every page says."""
    need_module("librosa")
    for stage in ("before", "after"):
        for kind in ("dial", "speak"):
            run_check(kind, Source(simulated="healthy"), book=book, job=1, stage=stage)
    report_job(book, 1, tmp_path / "out")
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert names == {"report.html", "findings.csv", "response.csv", "report.json"}
    html = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    page = Page(html)
    assert "SIMULATED" in page.words()
    assert len(page.all("audio")) == 2
    assert len(page.all("img")) == 2
    # Speech as sound, the dial as pulses, before and after.
    assert len([one for one in page.all("div") if one.get("class") == "chart wide"]) == 2
    assert len(html) < 1_500_000


def test_a_check_is_held_against_its_limits_in_the_table(book: JobBook, tmp_path: Path) -> None:
    """A slow dial, and where its limits are from, in words."""
    options = DialOptions(region="Sweden")
    run_check("dial", Source(simulated="slow"), options, book=book, job=1, stage="before")
    report_job(book, 1, tmp_path / "out")
    page = Page((tmp_path / "out" / "report.html").read_text(encoding="utf-8"))
    rows = [row for row in page.rows if row and row[0].startswith("speed")]
    assert len({row[0] for row in rows}) == len(rows) > 0
    assert any(row[2].endswith("outside") for row in rows)
    for row in rows:
        assert " to " in row[3]
        assert row[4]
        assert not re.search(r"\bS\d\d\b|PUB|TRADE|PROP|MEM", row[4])
    assert "No comparison has been made" not in page.words()


def test_a_job_without_anything_says_what_to_do(book: JobBook, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no run or check to report"):
        report_job(book, 1, tmp_path / "out")
    assert not (tmp_path / "out").exists()
