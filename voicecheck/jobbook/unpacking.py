"""Reading a parcel with suspicion: limits first, then digests, then types."""

from __future__ import annotations

import dataclasses
import hashlib
import re
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

import msgspec

from voicecheck.errors import InputError, JobBookError
from voicecheck.jobbook.jobs import check_set_type
from voicecheck.jobbook.parcels import SCHEMA, Contents, PackedJob
from voicecheck.jobbook.rows import check_text
from voicecheck.jobbook.sound import Label, decode_recording
from voicecheck.jobbook.vault import Vault
from voicecheck.jobbook.work import check_work
from voicecheck.records import Baseline, Comparison, Run, SetType, from_json
from voicecheck.records.jobwords import JOB_WORDS
from voicecheck.records.sets import SET_WORDS
from voicecheck.records.signals import PATHS

LIMIT_BYTES = 8 << 30
LIMIT_FILES = 200_000
LIMIT_JSON_BYTES = 64 << 20
LIMIT_FILE_BYTES = 1 << 30
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
        self.jobs = tuple(self._read_job(folder) for folder in self._list_jobs())
        self._check_references()

    def store_recordings(self, vault: Vault) -> Iterator[tuple[str, Label, int, int]]:
        """
        Put every recording on disk.

        Yields
        ------
        sha256 : str
        label : Label
        n_samples, n_bytes : int
        """
        for name in self._list("recordings/", ".flac"):
            data = self._read(name)
            sha256 = hashlib.sha256(data).hexdigest()
            if name != f"recordings/{sha256}.flac":
                raise self._refuse(f"{name} is not named by its content")
            try:
                recording, label = decode_recording(data, sha256)
            except JobBookError as error:
                raise self._refuse(f"{name} is not a recording") from error
            vault.store_recording(data)
            yield sha256, label, len(recording.samples), len(data)

    def store_attachments(self, vault: Vault) -> Iterator[tuple[str, int]]:
        """
        Put every attached file on disk.

        Yields
        ------
        sha256 : str
        n_bytes : int
        """
        for name in self._list("attachments/", ""):
            sha256, n_bytes = vault.store_attachment([self._read(name)])
            if name != f"attachments/{sha256}":
                raise self._refuse(f"{name} is not named by its content")
            yield sha256, n_bytes

    def _refuse(self, reason: str) -> InputError:
        return InputError(f"parcel {self._name}: {reason}; nothing was imported")

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
        total = sum(entry.file_size for entry in entries)
        if total > limit_bytes:
            raise self._refuse(f"unpacks to {total} bytes, the limit is {limit_bytes}")

    def _read_contents(self) -> Contents:
        names = set(self._archive.namelist())
        if "parcel.json" not in names:
            raise self._refuse("has no parcel.json, so it is none")
        try:
            contents = msgspec.json.decode(self._archive.read("parcel.json"), type=Contents)
        except (msgspec.MsgspecError, UnicodeDecodeError) as error:
            raise self._refuse(f"parcel.json does not fit ({error})") from error
        if contents.schema != SCHEMA:
            raise self._refuse(f"need schema {SCHEMA}, got {contents.schema}; newer program?")
        if set(contents.files) != names - {"parcel.json"}:
            raise self._refuse("files are missing or too many against parcel.json")
        return contents

    def _read(self, name: str) -> bytes:
        data = self._archive.read(name)
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
        try:
            return from_json(self._read(name), kind)
        except (msgspec.MsgspecError, UnicodeDecodeError) as error:
            raise self._refuse(f"{name} does not fit ({error})") from error

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
        types = {set_type.name for set_type in self.set_types}
        for set_type in self.set_types:
            check_set_type(set_type)
        for type_name in (
            *(baseline.type_name for baseline in self.baselines),
            *(opened.job.type_name for opened in self.jobs),
        ):
            if type_name not in types:
                raise self._refuse(f"the set type {type_name!r} is not in it")
        for opened in self.jobs:
            self._check_job(opened)

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
    """
    if not path.is_file():
        raise InputError(f"parcel {path}: no such file")
    try:
        with zipfile.ZipFile(path) as archive:
            yield OpenedParcel(archive, path.name, limit_bytes)
    except (zipfile.BadZipFile, NotImplementedError, EOFError, zlib.error) as error:
        raise InputError(
            f"parcel {path.name}: not a parcel or damaged ({error}); nothing was imported"
        ) from error
