"""Reading a parcel with suspicion: limits first, then digests, then types."""

from __future__ import annotations

import dataclasses
import errno
import hashlib
import os
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, TypeVar

import msgspec

from voicecheck.errors import InputError, JobBookError, RecordingError
from voicecheck.incoming import open_ordinary
from voicecheck.jobbook.jobs import check_set_type
from voicecheck.jobbook.parcels import SCHEMA, Contents, PackedJob
from voicecheck.jobbook.rows import check_text
from voicecheck.jobbook.sound import Label, inspect_recording
from voicecheck.jobbook.vault import Vault, hash_file
from voicecheck.jobbook.work import check_work
from voicecheck.records import Baseline, Comparison, Run, SetType, from_json
from voicecheck.records.documents import is_too_deep
from voicecheck.records.jobwords import JOB_WORDS
from voicecheck.records.sanity import check_sanity
from voicecheck.records.sets import SET_WORDS
from voicecheck.records.signals import PATHS
from voicecheck.writing import shorten

LIMIT_BYTES = 8 << 30
LIMIT_FILES = 20_000
LIMIT_JSON_BYTES, LIMIT_VALUES = 16 << 20, 1_000_000
"""Of one document; twenty seats with their fine curves are about 5 MB."""
LIMIT_FILE_BYTES = 1 << 30
LIMIT_SAMPLES = 600 * 192_000
"""Of one recording: ten minutes, which is the longest that is recorded, at 192 kHz."""
LIMIT_RATIO, SMALL_BYTES = 200, 16 << 20
"""A file that packs better than that is made to be large; small ones may be all of one letter."""
CHUNK = 1 << 20
LONGEST_REASON = 400
END_BYTES = (1 << 16) + 200
"""Where the end record of a ZIP file lies, with the longest comment (APPNOTE 4.3.16)."""
UNSAID, ENTRY_BYTES = 0xFFFFFFFF, 250
"""An entry of the list: 46 bytes, a name of 76 at most, and what packers add."""
_NAMES = re.compile(
    r"parcel\.json|set_types/\d{3,6}\.json|baselines/\d{3,6}\.(json|csv)"
    r"|jobs/\d{3,6}/(job\.json|runs/\d{3,6}\.(json|csv)|comparisons/\d{3,6}\.json)"
    r"|recordings/[0-9a-f]{64}\.flac|attachments/[0-9a-f]{64}"
)
_LINK, _KIND = 0o120000, 0o170000

Record = TypeVar("Record")


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class OpenedJob:
    """One job of a parcel with what belongs to it."""

    job: PackedJob
    runs: tuple[Run, ...]
    comparisons: tuple[Comparison, ...]


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class TakenFile:
    """A file of a parcel in the book's folder, not under its name yet; a recording has a label."""

    temporary: Path
    sha256: str
    n_bytes: int
    label: Label | None = None
    n_samples: int = 0

    def place(self, vault: Vault) -> None:
        """Give it its name, unless a file of that content is there."""
        where = vault.locate_recording if self.label else vault.locate_attachment
        target = where(self.sha256)
        if not (target.is_file() and hash_file(target) == self.sha256):
            vault.place(self.temporary, target)


class OpenedParcel:
    """
    A parcel that has passed every check but that of its recordings' inside.

    Parameters
    ----------
    archive : zipfile.ZipFile
    name : str
        For messages.
    limit_bytes : int
    """

    def __init__(self, archive: zipfile.ZipFile, name: str, limit_bytes: int) -> None:
        self._archive = archive
        self._name = name
        self._check_names(limit_bytes)
        self._contents = self._read_contents()
        self.set_types = tuple(self._read_all("set_types", SetType))
        self.baselines = tuple(self._read_all("baselines", Baseline))
        self._check_references()

    @property
    def jobs(self) -> Iterator[OpenedJob]:
        """Each job with its runs, read as it is asked for: one is held at a time."""
        return (self._read_job(folder) for folder in self._list_jobs())

    @contextmanager
    def take_in(self, vault: Vault) -> Iterator[list[TakenFile]]:
        """
        Every recording and attachment under a temporary name, looked through.

        Yields
        ------
        list of TakenFile
            To be placed when all is well; what is not placed is removed at the end of the block.
        """
        taken: list[TakenFile] = []
        try:
            for name in self._list("recordings/", ".flac"):
                taken.append(one := self._take_in(name, vault))
                try:
                    label, n_samples = inspect_recording(one.temporary, LIMIT_SAMPLES)
                except JobBookError as error:
                    raise self._refuse(f"{name} is not a recording: {error}") from error
                self._check_sanity(label, name)
                taken[-1] = dataclasses.replace(one, label=label, n_samples=n_samples)
            taken += [self._take_in(name, vault) for name in self._list("attachments/", "")]
            yield taken
        finally:
            for one in taken:
                one.temporary.unlink(missing_ok=True)

    def _take_in(self, name: str, vault: Vault) -> TakenFile:
        """A file of the parcel, piece by piece."""
        with self._archive.open(name) as file:
            temporary, sha256, n_bytes = vault.take_in(iter(lambda: file.read(CHUNK), b""))
        if Path(name).stem != sha256 or self._contents.files[name] != sha256:
            temporary.unlink(missing_ok=True)
            raise self._refuse(f"{name} is not named by its content")
        return TakenFile(temporary=temporary, sha256=sha256, n_bytes=n_bytes)

    def _refuse(self, reason: str) -> InputError:
        told = reason if len(reason) <= LONGEST_REASON else f"{reason[:LONGEST_REASON]}..."
        return InputError(f"parcel {self._name}: {told}; nothing was imported")

    def _refuse_deep(self, name: str) -> RecordingError:
        """What nobody could read is no wrong use: the file itself is the fault."""
        message = (
            f"parcel {self._name}: {name} holds lists inside of lists, deeper than any record; "
            "nothing was imported; have it packed anew"
        )
        return RecordingError(message, "too-deep")

    def _check_names(self, limit_bytes: int) -> None:
        entries = self._archive.infolist()
        if len(entries) > LIMIT_FILES:
            raise self._refuse(f"need at most {LIMIT_FILES} files, got {len(entries)}")
        if len({entry.filename for entry in entries}) < len(entries):
            raise self._refuse("two files have the same name")
        for entry in entries:
            if not _NAMES.fullmatch(entry.filename):
                raise self._refuse(f"{entry.filename!r} is no name of the format")
            if (entry.external_attr >> 16) & _KIND == _LINK or entry.flag_bits & 1:
                raise self._refuse(f"{entry.filename} is a link or encrypted")
            is_text = entry.filename.endswith((".json", ".csv"))
            limit = LIMIT_JSON_BYTES if is_text else LIMIT_FILE_BYTES
            if entry.file_size > limit:
                raise self._refuse(
                    f"{entry.filename} unpacks to {entry.file_size} bytes, the limit is {limit}"
                )
            packed = max(1, entry.compress_size)
            if entry.file_size > max(SMALL_BYTES, LIMIT_RATIO * packed):
                raise self._refuse(
                    f"{entry.filename} unpacks to {entry.file_size} bytes, more than "
                    f"{LIMIT_RATIO} times its size"
                )
            if entry.compress_type not in {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}:
                raise self._refuse(f"{entry.filename} is packed in a way that parcels are not")
        total = sum(entry.file_size for entry in entries)
        if total > limit_bytes:
            raise self._refuse(f"unpacks to {total} bytes, the limit is {limit_bytes}")

    def _read_contents(self) -> Contents:
        names = set(self._archive.namelist())
        if "parcel.json" not in names:
            raise self._refuse("has no parcel.json, so it is none")
        contents = self._parse("parcel.json", self._read_text("parcel.json"), Contents)
        if contents.schema != SCHEMA:
            raise self._refuse(f"need schema {SCHEMA}, got {contents.schema}; newer program?")
        if set(contents.files) != names - {"parcel.json"}:
            raise self._refuse("files are missing or too many against parcel.json")
        return contents

    def _read_text(self, name: str) -> bytes:
        data = self._archive.read(name)
        if data.count(b",") > LIMIT_VALUES:
            raise self._refuse(f"{name} holds more than {LIMIT_VALUES} values")
        return data

    def _read(self, name: str) -> bytes:
        data = self._read_text(name)
        if hashlib.sha256(data).hexdigest() != self._contents.files[name]:
            raise self._refuse(f"{name} has changed since it was packed")
        return data

    def _list(self, start: str, end: str) -> list[str]:
        return sorted(
            (
                name
                for name in self._contents.files
                if name.startswith(start) and name.endswith(end)
            ),
            key=lambda name: (len(name), name),
        )

    def _decode(self, name: str, kind: type[Record]) -> Record:
        record = self._parse(name, self._read(name), kind)
        self._check_sanity(record, name)
        return record

    def _parse(self, name: str, data: bytes, kind: type[Record]) -> Record:
        try:
            return from_json(data, kind)
        except (msgspec.MsgspecError, UnicodeDecodeError) as error:
            if is_too_deep(data):
                raise self._refuse_deep(name) from error
            raise self._refuse(f"{name} does not fit ({error})") from error

    def _check_sanity(self, record: object, name: str) -> None:
        try:
            check_sanity(record, name)
        except InputError as error:
            raise self._refuse(str(error)) from error

    def _read_all(self, folder: str, kind: type[Record]) -> Iterator[Record]:
        for name in self._list(f"{folder}/", ".json"):
            yield self._decode(name, kind)

    def _list_jobs(self) -> list[str]:
        return [name.removesuffix("/job.json") for name in self._list("jobs/", "/job.json")]

    def _read_job(self, folder: str) -> OpenedJob:
        return OpenedJob(
            job=self._decode(f"{folder}/job.json", PackedJob),
            runs=tuple(self._read_all(f"{folder}/runs", Run)),
            comparisons=tuple(self._read_all(f"{folder}/comparisons", Comparison)),
        )

    def _check_references(self) -> None:
        for set_type in self.set_types:
            check_set_type(set_type)
        for baseline in self.baselines:
            self._check_type(baseline.type_name)
            if baseline.path not in PATHS:
                raise self._refuse(f"{baseline.path!r} is no path")
        for opened in self.jobs:
            self._check_type(opened.job.type_name)
            self._check_job(opened)

    def _check_type(self, name: str) -> None:
        if name not in {set_type.name for set_type in self.set_types}:
            raise self._refuse(f"the set type {name!r} is not in it")

    def _check_job(self, opened: OpenedJob) -> None:
        job = opened.job
        for text in (job.label, job.mark):
            check_text("label", text, empty=False)
        _check_set(job)
        for texts in (
            *((note.added_utc, note.text) for note in job.notes),
            *((event.at_utc, event.kind, event.text) for event in job.events),
            *((kept.name, kept.added_utc) for kept in job.attachments),
            (*(getattr(job, name) or "" for name in JOB_WORDS), job.opened_utc),
            (job.closed_utc or "",),
        ):
            for text in texts:
                check_text("job", text)
        if len(job.origins) != len(opened.runs) or any(
            origin is not None and not 1 <= origin <= place
            for place, origin in enumerate(job.origins)
        ):
            raise self._refuse("the runs of a job are not in their order")
        if job.aside and len(job.aside) != len(opened.runs):
            raise self._refuse("the runs of a job are not in their order")
        for text in (*(why or "" for why in job.aside), *(one.aside for one in job.attachments)):
            check_text("aside", text)
        for run in opened.runs:
            check_text("stage", run.stage, empty=False)
            if run.path not in PATHS:
                raise self._refuse(f"{run.path!r} is no path")
        for kept in job.attachments:
            if f"attachments/{kept.sha256}" not in self._contents.files:
                raise self._refuse(f"the file {kept.name!r} is not in it")


def _check_set(job: PackedJob) -> None:
    """Refuse what cannot be stored of a job's set and the work on it (`InputError`)."""
    if job.telephone is not None:
        for text in (job.telephone.label, job.telephone.mark):
            check_text("set", text, empty=False)
        for name in SET_WORDS:
            check_text(name, getattr(job.telephone, name))
    for one in job.work:
        check_work(one)
        for text in (one.added_utc, one.answer, one.answered_utc or "", one.withdrawn):
            check_text("work", text)


@contextmanager
def open_parcel(path: Path, limit_bytes: int) -> Iterator[OpenedParcel]:
    """
    Open a parcel for reading.

    Raises
    ------
    InputError
        There is no such file, or it is no parcel, or damaged, or beyond the limits.
    RecordingError
        Kind "too-deep": a document in it can be read by nobody.
    """
    if not path.is_file():
        raise InputError(f"parcel {path}: no such file")
    try:
        with open_ordinary(path) as file:
            _check_directory(file, path.name)
            with zipfile.ZipFile(file) as archive:
                yield OpenedParcel(archive, path.name, limit_bytes)
    except TimeoutError as error:
        raise InputError(
            f"parcel {shorten(path.name)}: cannot be read ({error.strerror}); nothing was imported"
        ) from error
    except OSError as error:
        # A list of files that leads to before the file's beginning.
        if error.errno != errno.EINVAL:
            raise
        raise InputError(
            f"parcel {path.name}: not a parcel or damaged; nothing was imported"
        ) from error
    except (zipfile.BadZipFile, NotImplementedError, EOFError, zlib.error, struct.error) as error:
        raise InputError(
            f"parcel {path.name}: not a parcel or damaged ({error}); nothing was imported"
        ) from error


def _check_directory(file: BinaryIO, name: str) -> None:
    """Refuse a list of files too long to be read at all, by what the end of the file says of it."""
    file.seek(max(0, file.seek(0, os.SEEK_END) - END_BYTES))
    tail = file.read(END_BYTES)
    sizes = []
    if (at := tail.rfind(b"PK\x05\x06")) >= 0 and len(tail) >= at + 16:
        sizes.append(struct.unpack_from("<I", tail, at + 12)[0])
    if (at := tail.rfind(b"PK\x06\x06")) >= 0 and len(tail) >= at + 48:
        sizes.append(struct.unpack_from("<Q", tail, at + 40)[0])
    known = [size for size in sizes if size != UNSAID]
    if known and max(known) > LIMIT_FILES * ENTRY_BYTES:
        raise InputError(
            f"parcel {shorten(name)}: need at most {LIMIT_FILES} files, it lists more; "
            "nothing was imported"
        )
