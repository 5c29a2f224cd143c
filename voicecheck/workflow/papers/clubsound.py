"""A club's baseline with the recordings of its reference sets: a ZIP file of both."""

from __future__ import annotations

import hashlib
import zipfile
import zlib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import BinaryIO

from voicecheck.errors import InputError
from voicecheck.incoming import open_ordinary
from voicecheck.jobbook import JobBook
from voicecheck.jobbook.recordings import read_foreign
from voicecheck.records import ClubBaseline, ClubRecording
from voicecheck.records.clubfile import MOST_BYTES
from voicecheck.writing import Door

DOCUMENT = "baseline.json"
MOST_SOUND_BYTES = 1 << 30
MOST_RECORDINGS = 5000
ZIP_BEGINS = b"PK"
_FOLDER, _ENDING = "recordings/", ".flac"


def list_sound(book: JobBook, type_name: str, stage: str) -> tuple[ClubRecording, ...]:
    """
    Recordings of a type's reference sets that the book holds; sets are numbered, not named.

    Parameters
    ----------
    book : JobBook
    type_name, stage : str
    """
    known = set(book.list_recordings())
    runs = book.list_runs(type_name=type_name, stage=stage)
    numbers = {job: at for at, job in enumerate(dict.fromkeys(run.job for run in runs), 1)}
    found = {
        (run.path, one.recording.sha256): ClubRecording(
            path=run.path, set_number=numbers[run.job], sha256=one.recording.sha256
        )
        for run in runs
        for one in run.recordings
        if one.recording.sha256 is not None and one.recording.sha256 in known
    }
    return tuple(found.values())


def write_package(
    book: JobBook, target: Path, content: bytes, recordings: Iterable[ClubRecording], door: Door
) -> None:
    """
    Write document and recordings as one ZIP file, whole or not at all.

    Raises
    ------
    InputError
        The place cannot be written.
    JobBookError
        A recording is missing or damaged.
    """
    with door.open(target) as file, zipfile.ZipFile(file, "w") as archive:
        archive.writestr(DOCUMENT, content, compress_type=zipfile.ZIP_DEFLATED)
        for sha256 in dict.fromkeys(one.sha256 for one in recordings):
            archive.writestr(f"{_FOLDER}{sha256}{_ENDING}", book.load_recording_file(sha256))


def is_club_file(file: Path) -> bool:
    """Whether a file says of itself that it is a club's, not a parcel."""
    try:
        with open_ordinary(file) as opened, zipfile.ZipFile(opened) as archive:
            return DOCUMENT in archive.namelist()
    except (zipfile.BadZipFile, OSError):
        return file.suffix.lower() == ".json"


def read_package(file: Path) -> tuple[bytes, dict[str, bytes]]:
    """
    Document of a club's file, and the bytes of each recording by its digest.

    Raises
    ------
    InputError
        No such file, too large, or a ZIP file of anything else.
    """
    try:
        with open_ordinary(file) as opened:
            if opened.read(len(ZIP_BEGINS)) == ZIP_BEGINS:
                return _unpack(opened, file.name)
            opened.seek(0)
            # One byte more than is taken, so that what is too large is refused where it is read.
            return opened.read(MOST_BYTES + 1), {}
    except OSError as error:
        raise InputError(f"club baseline {file}: cannot be read ({error.strerror})") from error


def _unpack(file: BinaryIO, name: str) -> tuple[bytes, dict[str, bytes]]:
    try:
        with zipfile.ZipFile(file) as archive:
            entries = archive.infolist()
            _check_entries(entries, name)
            sound = {one.filename: archive.read(one) for one in entries if one.filename != DOCUMENT}
            content = archive.read(DOCUMENT)
    except (zipfile.BadZipFile, NotImplementedError, EOFError, KeyError, RuntimeError, zlib.error):
        raise _refuse(name, "is damaged, or no such package") from None
    return content, {name[len(_FOLDER) : -len(_ENDING)]: data for name, data in sound.items()}


def _check_entries(entries: list[zipfile.ZipInfo], name: str) -> None:
    names = [one.filename for one in entries]
    if len(names) > MOST_RECORDINGS or len(set(names)) < len(names):
        raise _refuse(name, "holds too many files, or two of one name")
    for one in entries:
        is_sound = one.filename.startswith(_FOLDER) and one.filename.endswith(_ENDING)
        if one.filename != DOCUMENT and not is_sound:
            raise _refuse(name, f"holds {ascii(one.filename)[:60]}, which is no name of the format")
    sizes = {one.filename: one.file_size for one in entries}
    if sizes.get(DOCUMENT, 0) > MOST_BYTES or sum(sizes.values()) > MOST_SOUND_BYTES:
        raise _refuse(name, f"unpacks to more than {MOST_SOUND_BYTES} bytes")


def check_sound(club: ClubBaseline, sound: Mapping[str, bytes], name: str) -> None:
    """
    Refuse recordings that are not those that the document tells of.

    Raises
    ------
    InputError
        One is missing, not told of, changed, or no recording of this program.
    """
    told = {one.sha256 for one in club.recordings}
    if sound.keys() != told and (sound or told):
        raise _refuse(name, "recordings: need those that the document tells of, got others")
    for sha256, data in sound.items():
        if hashlib.sha256(data).hexdigest() != sha256:
            raise _refuse(name, f"recording {sha256[:12]} has been changed")
        try:
            read_foreign(data)
        except InputError as error:
            raise _refuse(name, str(error)) from error


def _refuse(name: str, reason: str) -> InputError:
    return InputError(f"club baseline {name}: {reason}; nothing was taken in")
