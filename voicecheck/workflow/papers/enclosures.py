"""What goes into a report beside its numbers: the photograph, the voices, pictures of checks."""

from __future__ import annotations

import dataclasses
import io
import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from voicecheck.bench.soundfiles import encode_sound
from voicecheck.bench.wavfile import load_recording
from voicecheck.charts import render_figure, say_stage
from voicecheck.errors import InputError, VoicecheckError
from voicecheck.filekinds import HEAD_BYTES, recognise
from voicecheck.jobbook import JobBook
from voicecheck.records import Recording
from voicecheck.records.arrays import Array
from voicecheck.report import CheckFindings, Picture, Voices
from voicecheck.words import Words
from voicecheck.workflow.checks.checklist import describe_stored
from voicecheck.workflow.checks.kinds import draw_check, get_kind, has_picture
from voicecheck.workflow.checks.run import STAGES, StoredCheck

SHOP_VARIABLE = "VOICECHECK_SHOP"
PHOTOGRAPHS = ("JPEG", "PNG")
PHOTOGRAPH_PIXELS, THUMBNAIL_PIXELS = 900, 240
MOST_PHOTOGRAPH_PIXELS = 80_000_000
"""A larger picture is no photograph of a telephone, and would fill the memory."""
SPEECH = "speak"
SEEN_AS_SOUND = (SPEECH, "bell")
"""Checks whose recording itself is drawn, so that rows of spans would tell less."""
VOICE_RATE_HZ, VOICE_S = 16_000, 12.0
"""Twice the band of a telephone, and long enough to hear it: two of these stay below 1.1 MB."""
VOICE_PEAK = 0.7


def find_letterhead(book: JobBook, name: str = "") -> tuple[tuple[str, ...], str]:
    """
    What stands at the head of a paper: lines of name and address, and the sign.

    Parameters
    ----------
    book : JobBook
        Its shop, as far as it was said.
    name : str
        In place of the book's, as the environment's is.
    """
    shop = book.load_shop()
    named = name.strip() or os.environ.get(SHOP_VARIABLE, "").strip()
    if named:
        shop = dataclasses.replace(shop, name=named)
    return shop.letterhead, shop.sign


def find_photograph(book: JobBook, job: int) -> bytes:
    """
    The newest photograph among a job's files, as a small JPEG without what a camera wrote into it.

    Parameters
    ----------
    book : JobBook
    job : int

    Returns
    -------
    bytes
        Empty where no file is one, or none can be read.
    """
    for file in reversed(book.load_job(job).attachments):
        path = book.locate_attachment(file.sha256)
        if not file.aside and path.is_file() and _is_photograph(path):
            small = _shrink(path)
            if small:
                return small
    return b""


def _is_photograph(path: Path) -> bool:
    with path.open("rb") as file:
        return recognise(file.read(HEAD_BYTES)) in PHOTOGRAPHS


def make_thumbnail(book: JobBook, job: int, sha256: str) -> bytes:
    """
    A photograph of a job as a thumbnail: a small JPEG without what a camera wrote into it.

    Raises
    ------
    InputError
        The job has no such file, or it is no photograph that can be read.
    """
    if any(one.sha256 == sha256 for one in book.load_job(job).attachments):
        path = book.locate_attachment(sha256)
        small = _shrink(path, THUMBNAIL_PIXELS) if _is_photograph(path) else b""
        if small:
            return small
    raise InputError(f"photograph {sha256[:12]}: job {job} has none that can be shown")


def _shrink(path: Path, most_pixels: int = PHOTOGRAPH_PIXELS) -> bytes:
    from PIL import Image, ImageOps

    buffer = io.BytesIO()
    try:
        with Image.open(path) as opened:
            if opened.width * opened.height > MOST_PHOTOGRAPH_PIXELS:
                return b""
            upright = ImageOps.exif_transpose(opened).convert("RGB")
    except (OSError, ValueError, Image.DecompressionBombError):
        # Damaged: the report goes out without it, the file itself stays with the job.
        return b""
    upright.thumbnail((most_pixels, most_pixels))
    upright.save(buffer, "JPEG", quality=82)
    return buffer.getvalue()


def find_voices(book: JobBook, checks: Sequence[StoredCheck]) -> Voices | None:
    """
    Speech before and after the work, for the players of the owner's page.

    Parameters
    ----------
    book : JobBook
    checks : sequence of StoredCheck
        Of one job, the oldest first.

    Returns
    -------
    Voices or None
        Both with one gain, so that what became louder is heard to be; made equally loud where they
        come from two benches. `None` where speech was not recorded at both stages.
    """
    spoken = {one.stage: one for one in checks if one.kind == SPEECH and one.sound_sha256}
    if not all(stage in spoken for stage in STAGES):
        return None
    try:
        sounds = [_load_voice(book, spoken[stage]) for stage in STAGES]
    except VoicecheckError:
        # A recording is gone or damaged: its numbers stand without the players.
        return None
    if not all(np.any(sound) for sound in sounds):
        return None
    benches = {spoken[stage].bench for stage in STAGES}
    is_levelled = len(benches) > 1
    if is_levelled:
        sounds = [sound / np.sqrt(np.mean(sound**2)) for sound in sounds]
    gain = VOICE_PEAK / max(float(np.max(np.abs(sound))) for sound in sounds)
    before, after = (encode_sound(sound * gain, VOICE_RATE_HZ, bits=16) for sound in sounds)
    return Voices(before=before, after=after, is_levelled=is_levelled)


def _load_voice(book: JobBook, stored: StoredCheck) -> Array:
    """The middle of a recording, at the rate of the players."""
    recording: Recording = load_recording(book.locate_attachment(stored.sound_sha256))
    spare = len(recording.samples) - round(VOICE_S * recording.rate_hz)
    first = max(0, spare // 2)
    samples = recording.samples[first : len(recording.samples) - max(0, spare - first)]
    from scipy.signal import resample_poly

    divisor = np.gcd(VOICE_RATE_HZ, recording.rate_hz)
    up, down = VOICE_RATE_HZ // divisor, recording.rate_hz // divisor
    return np.asarray(resample_poly(samples, up, down), dtype=float)


def list_check_findings(checks: Sequence[StoredCheck], words: Words) -> tuple[CheckFindings, ...]:
    """
    What the latest check of each kind, part and stage was held against.

    Parameters
    ----------
    checks : sequence of StoredCheck
    words : Words
    """
    found = ((one, getattr(one.check, "findings", ())) for one in _find_latest(checks))
    return tuple(
        CheckFindings(name=_say_name(one, words), findings=findings)
        for one, findings in found
        if findings
    )


def _find_latest(checks: Sequence[StoredCheck]) -> tuple[StoredCheck, ...]:
    return tuple({(one.kind, one.part, one.stage): one for one in checks}.values())


def _say_name(stored: StoredCheck, words: Words) -> str:
    part = f" ({stored.part})" if stored.part else ""
    return f"{get_kind(stored.kind).guide.title}{part}, {say_stage(stored.stage, words)}"


def draw_checks(checks: Sequence[StoredCheck], words: Words) -> tuple[Picture, ...]:
    """
    Pictures of the checks that have one: of each kind, part and stage the latest.

    Parameters
    ----------
    checks : sequence of StoredCheck
    words : Words
    """
    pictures = []
    for one in _find_latest(checks):
        kind = get_kind(one.kind)
        is_seen = one.kind in SEEN_AS_SOUND and one.sound_sha256
        if is_seen or not has_picture(kind, one.check):
            continue
        try:
            image = render_figure(draw_check(kind, one.check), "svg")
        except InputError:
            # There was nothing to be drawn; the words of the check say so.
            continue
        title = f"{_say_name(one, words)}:"
        pictures.append(Picture(title=title, told=describe_stored(one), images=(image,)))
    return tuple(pictures)
