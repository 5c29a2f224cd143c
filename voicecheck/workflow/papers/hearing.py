"""Sound of a job against time: speech, the bell, and what is heard while nobody speaks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from voicecheck.bench.wavfile import load_recording
from voicecheck.charts import render_figure
from voicecheck.charts.sound import Sound
from voicecheck.charts.sound import draw_sounds as draw_sound_pictures
from voicecheck.cutting import cut_padded
from voicecheck.errors import VoicecheckError
from voicecheck.jobbook import JobBook
from voicecheck.programme import make_programme
from voicecheck.records import BellCheck, Recording, Run
from voicecheck.records.terms import JobStage, words_of
from voicecheck.report import Picture
from voicecheck.words import Words
from voicecheck.workflow.checks.run import StoredCheck

STAGES = words_of(JobStage)
SPEECH_S, BELL_S = 6.0, 1.0
BELL_WINDOW_S = 0.008
"""Short enough to tell blows apart that come 40 times a second."""
QUIET_AFTER_S, QUIET_BEFORE_S = 0.15, 0.05
"""Left out of a silence: what still rings of the block before, and the next one's fade."""
LEAST_QUIET_S, LEAST_S = 0.4, 0.1
"""Shorter stretches show nothing."""
IDLE_PATHS = ("transmit", "receive", "sidetone")


def draw_sounds(
    book: JobBook, runs: Sequence[Run], checks: Sequence[StoredCheck], words: Words
) -> tuple[Picture, ...]:
    """
    Pictures of what was recorded, before and after side by side.

    Parameters
    ----------
    book : JobBook
    runs : sequence of Run
        Of one job, with their recordings.
    checks : sequence of StoredCheck
        Of the same job, the oldest first.
    words : Words

    Returns
    -------
    tuple of Picture
        None of what was not recorded, or whose recording is no longer there.
    """
    kinds = {
        "idle": _find_idle(book, runs),
        "speak": _find_heard(book, checks, "speak"),
        "bell": _find_heard(book, checks, "bell"),
    }
    shown = {
        kind: {stage: one for stage, one in sounds.items() if one.duration_s >= LEAST_S}
        for kind, sounds in kinds.items()
    }
    return tuple(_draw(kind, sounds, words) for kind, sounds in shown.items() if sounds)


def _draw(kind: str, sounds: Mapping[str, Recording], words: Words) -> Picture:
    named = [
        Sound(
            name=words.say("owner_stage", stage),
            samples=sounds[stage].samples,
            rate_hz=sounds[stage].rate_hz,
        )
        for stage in STAGES
        if stage in sounds
    ]
    title = words.say("sound", kind)
    window = {"window_s": BELL_WINDOW_S} if kind == "bell" else {}
    figures = draw_sound_pictures(named, words, **window)
    images = tuple(render_figure(figure, "png") for figure in figures)
    return Picture(
        title=f"{title}.", told=words.say("sound", f"{kind}_told"), images=images, media="png"
    )


def _find_heard(book: JobBook, checks: Sequence[StoredCheck], kind: str) -> dict[str, Recording]:
    """The latest recording of a check at each stage, cut to what is shown."""
    found = {}
    for one in checks:
        if one.kind != kind or not one.sound_sha256:
            continue
        try:
            recording = load_recording(book.locate_attachment(one.sound_sha256))
        except VoicecheckError:
            # Its file is gone or damaged; the numbers of the check stand without the picture.
            continue
        spare_s = max(0.0, recording.duration_s - SPEECH_S)
        start_s, length_s = spare_s / 2.0, SPEECH_S
        if isinstance(one.check, BellCheck):
            start_s = max(0.0, one.check.rings[0].start_s - 0.05) if one.check.rings else 0.0
            length_s = BELL_S
        found[one.stage] = _cut(recording, start_s, length_s)
    return found


def _cut(recording: Recording, start_s: float, length_s: float) -> Recording:
    length_s = max(0.0, min(length_s, recording.duration_s - start_s))
    first, count = (round(one * recording.rate_hz) for one in (start_s, length_s))
    samples = cut_padded(recording.samples, first, count)
    return Recording(samples=samples, rate_hz=recording.rate_hz)


def _find_idle(book: JobBook, runs: Sequence[Run]) -> dict[str, Recording]:
    """The silences of a programme one after the other, at each stage of the first path there is."""
    for path in IDLE_PATHS:
        of_path = {run.stage: run for run in runs if run.path == path and run.stage in STAGES}
        found = {stage: _cut_silence(book, run) for stage, run in of_path.items()}
        there = {stage: sound for stage, sound in found.items() if sound is not None}
        if there:
            return there
    return {}


def _cut_silence(book: JobBook, run: Run) -> Recording | None:
    for measurement in run.recordings:
        sha256, timing = measurement.recording.sha256, measurement.timing
        if sha256 is None or timing is None:
            continue
        try:
            recording, recipe = book.load_recording(sha256), book.load_recipe(sha256)
        except VoicecheckError:
            # Recordings may be taken out of a book to save room; its numbers stand without them.
            continue
        silences = make_programme(recipe).blocks_of("silence")
        stretch = 1.0 + timing.drift_ppm * 1e-6
        pieces = [
            _cut(
                recording,
                timing.latency_s + block.start_s * stretch + QUIET_AFTER_S,
                block.end_s - block.start_s - QUIET_AFTER_S - QUIET_BEFORE_S,
            ).samples
            for block in silences
            if block.end_s - block.start_s > LEAST_QUIET_S
        ]
        if not pieces:
            return None
        return Recording(samples=np.concatenate(pieces), rate_hz=recording.rate_hz)
    return None
