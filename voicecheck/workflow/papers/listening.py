"""Speech before and after the work, one after the other, for the owner."""

from __future__ import annotations

from pathlib import Path

import msgspec

from voicecheck.bench.soundfiles import save_sound
from voicecheck.bench.wavfile import load_recording
from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.records import Recording
from voicecheck.workflow.checks.run import STAGES, load_documents, name_document
from voicecheck.writing import DOOR, Door

KIND = "speak"
"""The check whose recordings are heard."""


def write_listening_file(book: JobBook, job: int, path: str | Path, door: Door = DOOR) -> Path:
    """
    Before and after one after the other at the same active speech level, for the owner.

    Parameters
    ----------
    book : JobBook
    job : int
    path : path
        Ends in .wav or .flac.
    door : Door

    Returns
    -------
    Path

    Raises
    ------
    InputError
        The job has not both, their rates differ, or the place cannot be written.
    """
    from voicecheck.checkout.speak.measure import match_levels

    sounds: dict[str, Recording] = {}
    for text in load_documents(book, job, name_document(KIND)):
        outer = msgspec.json.decode(text)
        if outer.get("recording_sha256"):
            place = book.locate_attachment(outer["recording_sha256"])
            sounds[outer["stage"]] = load_recording(place)
    missing = [stage for stage in STAGES if stage not in sounds]
    if missing:
        raise InputError(
            f"job {job}: no speech recording of stage {' and '.join(missing)}; "
            "take the speech check at both stages first"
        )
    before, after = sounds["before"], sounds["after"]
    return save_sound(path, match_levels(before, after), before.rate_hz, door)
