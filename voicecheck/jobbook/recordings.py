"""Recordings: on disk before they are analysed."""

from __future__ import annotations

import hashlib
from typing import Any

import msgspec
import sqlalchemy as sa

from voicecheck.errors import InputError, JobBookError
from voicecheck.jobbook import tables
from voicecheck.jobbook.core import BookCore
from voicecheck.jobbook.failures import translate_failures
from voicecheck.jobbook.rows import decode_record, encode_record, insert_once, select_rows, utc_now
from voicecheck.jobbook.sound import Label, decode_recording, encode_recording
from voicecheck.jobbook.vault import read_chunks
from voicecheck.records import Recipe, Recording


class RecordingShelf(BookCore):
    """Recordings by the SHA-256 of their file."""

    def save_recording(self, recording: Recording, recipe: Recipe) -> Recording:
        """
        Keep a recording; on disk when this returns.

        Parameters
        ----------
        recording : Recording
            Samples of shape (n_samples,), full-scale units.
        recipe : Recipe
            Of the programme that was played.

        Returns
        -------
        Recording
            What was stored: samples as 24 bit hold them, `sha256` of the file. The same
            recording saved twice is one.

        Raises
        ------
        RecordingError
            No samples, or one that is not a number.
        JobBookError
            The disk or the database failed; nothing half-written is left.
        """
        data, stored, label = encode_recording(recording, recipe)
        with translate_failures(self.name):
            sha256 = self._vault.store_recording(data)
        with self._writing() as connection:
            file_recording(connection, sha256, label, len(stored.samples), len(data))
        return stored.replace(sha256=sha256)

    def take_recording(self, data: bytes) -> str:
        """
        Keep a recording that comes from another book, as it is; on disk when this returns.

        Returns
        -------
        str
            SHA-256 of its bytes.

        Raises
        ------
        InputError
            Not a recording of this program.
        JobBookError
            The disk or the database failed; nothing half-written is left.
        """
        recording, label = read_foreign(data)
        with translate_failures(self.name):
            sha256 = self._vault.store_recording(data)
        with self._writing() as connection:
            file_recording(connection, sha256, label, len(recording.samples), len(data))
        return sha256

    def load_recording_file(self, sha256: str) -> bytes:
        """
        Bytes of a recording's file, which are checked.

        Raises
        ------
        InputError
            There is no such recording.
        JobBookError
            The file is missing or damaged; the message names it.
        """
        return self._read_file(sha256)

    def load_recording(self, sha256: str) -> Recording:
        """
        Recording by the SHA-256 of its file, which is checked.

        Raises
        ------
        InputError
            There is none.
        JobBookError
            The file is missing or damaged; the message names it.
        """
        return self._read_recording(sha256)[0]

    def load_recipe(self, sha256: str) -> Recipe:
        """
        Recipe of the programme that a recording answers, by the recording's SHA-256.

        Raises
        ------
        InputError
            There is no such recording.
        JobBookError
            The file is missing or damaged; the message names it.
        """
        return self._read_recording(sha256)[1].recipe

    def list_recordings(self) -> tuple[str, ...]:
        """SHA-256 of every recording filed in the book, oldest first."""
        statement = sa.select(tables.recording.c.sha256).order_by(tables.recording.c.id)
        with self._reading() as connection:
            return tuple(connection.execute(statement).scalars())

    def list_recipes(self) -> tuple[Recipe, ...]:
        """Every programme that a recording in the book answers, oldest first."""
        statement = sa.select(tables.recipe.c.document).order_by(tables.recipe.c.id)
        with self._reading() as connection:
            documents = list(connection.execute(statement).scalars())
        return tuple(decode_record(one, Recipe, "recipe") for one in documents)

    def adopt_strays(self) -> tuple[str, ...]:
        """
        File recordings that lie in the folder but not in the database.

        A process killed between the two leaves one; a restored folder may hold many.

        Returns
        -------
        tuple of str
            SHA-256 of each that was filed. Damaged files are passed over; `verify` names them.
        """
        known, adopted = set(self.list_recordings()), []
        for path in sorted(self._vault.list_recordings()):
            if path.stem in known:
                continue
            data = b"".join(read_chunks(path))
            try:
                recording, label = decode_recording(data, path.stem)
            except JobBookError:
                continue
            if hashlib.sha256(data).hexdigest() != path.stem:
                continue
            with self._writing() as connection:
                n_samples = len(recording.samples)
                file_recording(connection, path.stem, label, n_samples, len(data))
            adopted.append(path.stem)
        return tuple(adopted)

    def _read_recording(self, sha256: str) -> tuple[Recording, Label]:
        return decode_recording(self._read_file(sha256), sha256)

    def _read_file(self, sha256: str) -> bytes:
        with self._reading() as connection:
            if find_recording(connection, sha256) is None:
                raise InputError(f"recording {sha256[:12]}: not in the book")
        path = self._vault.locate_recording(sha256)
        try:
            data = path.read_bytes()
        except OSError as error:
            raise JobBookError(
                f"job book {self.name}: recording {path} cannot be read ({error.strerror}); the "
                "rest of the book is untouched; restore this file from a backup"
            ) from error
        if hashlib.sha256(data).hexdigest() != sha256:
            raise JobBookError(
                f"job book {self.name}: recording {path} is damaged (its bytes have changed); the "
                "rest of the book is untouched; restore this file from a backup"
            )
        return data


def read_foreign(data: bytes) -> tuple[Recording, Label]:
    """
    Read the bytes of a recording that comes from elsewhere.

    Raises
    ------
    InputError
        They are none of this program's.
    """
    sha256 = hashlib.sha256(data).hexdigest()
    try:
        return decode_recording(data, sha256)
    except JobBookError as error:
        raise InputError(f"recording {sha256[:12]}: not a recording of this program") from error


def find_recording(connection: sa.Connection, sha256: str) -> Any:
    """Row of a recording, or `None`."""
    statement = sa.select(tables.recording).where(tables.recording.c.sha256 == sha256)
    rows = select_rows(connection, tables.recording, statement)
    return rows[0] if rows else None


def file_recording(
    connection: sa.Connection, sha256: str, label: Label, n_samples: int, n_bytes: int
) -> None:
    """Row of a recording whose file is on disk; the same one twice is one."""
    shown = {
        "channel": label.channel,
        "scale": label.scale,
        "conditions": label.conditions,
        "calibration": label.calibration,
        "problems": label.problems,
    }
    insert_once(
        connection,
        tables.recording,
        ["sha256"],
        sha256=sha256,
        recipe_id=_file_recipe(connection, label.recipe),
        rate_hz=label.rate_hz,
        n_samples=n_samples,
        n_bytes=n_bytes,
        path=label.conditions.path,
        saved_utc=utc_now(),
        version=label.version,
        document=msgspec.json.encode(shown).decode(),
    )


def _file_recipe(connection: sa.Connection, recipe: Recipe) -> int:
    document = encode_record(recipe)
    sha256 = hashlib.sha256(document.encode()).hexdigest()
    row_id, _ = insert_once(connection, tables.recipe, ["sha256"], sha256=sha256, document=document)
    return row_id
