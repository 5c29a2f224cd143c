"""
Files by content: written to a temporary name, forced to disk, then moved into place.

    incoming/                 being written; swept when the book opens
    recordings/ab/abcd....flac    named by the SHA-256 of the file's bytes
    attachments/ab/abcd....
"""

from __future__ import annotations

import hashlib
import os
import socket
import time
import uuid
from collections.abc import Iterable, Iterator
from pathlib import Path

from voicecheck.errors import InputError
from voicecheck.incoming import open_ordinary
from voicecheck.jobbook.rights import create_file, make_inner_folder
from voicecheck.writing import shorten, sync_file, sync_folder

CHUNK = 1 << 20
PART = ".part"
"""End of the name of a file that is being written."""
ABANDONED_S = 86400.0
"""Age after which a temporary file of another machine counts as left behind."""


class Vault:
    """
    The files beside the database.

    Parameters
    ----------
    folder : Path
        All files are inside; temporary names share its file system, so that a move is whole.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def locate_recording(self, sha256: str) -> Path:
        """Where a recording lies, or would."""
        return self.folder / "recordings" / sha256[:2] / f"{sha256}.flac"

    def locate_attachment(self, sha256: str) -> Path:
        """Where an attachment lies, or would."""
        return self.folder / "attachments" / sha256[:2] / sha256

    def store_recording(self, data: bytes) -> str:
        """
        Keep the bytes of a recording; on disk when this returns.

        Returns
        -------
        str
            SHA-256 of the bytes.
        """
        sha256 = hashlib.sha256(data).hexdigest()
        target = self.locate_recording(sha256)
        if not (target.is_file() and hash_file(target) == sha256):
            self.place(self.take_in([data])[0], target)
        return sha256

    def store_attachment(self, chunks: Iterable[bytes]) -> tuple[str, int]:
        """
        Keep a file of any kind, read piece by piece; on disk when this returns.

        Returns
        -------
        sha256 : str
        n_bytes : int
        """
        temporary, sha256, n_bytes = self.take_in(chunks)
        self.place(temporary, self.locate_attachment(sha256))
        return sha256, n_bytes

    def list_recordings(self) -> Iterator[Path]:
        """Every recording file there is, filed or not."""
        return (self.folder / "recordings").glob("??/*.flac")

    def sweep(self) -> None:
        """Remove temporary files whose writer is gone; those of a living one stay."""
        incoming = self.folder / "incoming"
        for path in incoming.iterdir() if incoming.is_dir() else ():
            if _is_abandoned(path):
                path.unlink(missing_ok=True)

    def take_in(self, chunks: Iterable[bytes]) -> tuple[Path, str, int]:
        """
        Write a file under a temporary name, to be placed or to be removed.

        Returns
        -------
        temporary : Path
        sha256 : str
        n_bytes : int
        """
        incoming = self.folder / "incoming"
        make_inner_folder(incoming, self.folder)
        temporary = incoming / name_temporary(PART)
        digest, n_bytes = hashlib.sha256(), 0
        try:
            with create_file(temporary, self.folder) as file:
                for chunk in chunks:
                    file.write(chunk)
                    digest.update(chunk)
                    n_bytes += len(chunk)
                file.flush()
                sync_file(file.fileno())
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise
        return temporary, digest.hexdigest(), n_bytes

    def place(self, temporary: Path, target: Path) -> None:
        """Give a file that was taken in its name; on disk when this returns."""
        try:
            make_inner_folder(target.parent, self.folder)
            temporary.replace(target)
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise
        sync_folder(target.parent)


def name_temporary(ending: str) -> str:
    """A name for a file in `incoming` that says whose it is: `sweep` removes those of the dead."""
    return f"{socket.gethostname()}.{os.getpid()}.{uuid.uuid4().hex}{ending}"


def read_chunks(path: Path) -> Iterator[bytes]:
    """Bytes of a file, a piece at a time."""
    with path.open("rb") as file:
        while chunk := file.read(CHUNK):
            yield chunk


def read_source(path: Path) -> Iterator[bytes]:
    """
    Bytes of a file that somebody hands in, a piece at a time.

    Raises
    ------
    InputError
        It gives nothing any more.
    """
    try:
        with open_ordinary(path) as file:
            while chunk := file.read(CHUNK):
                yield chunk
    except TimeoutError as error:
        message = f"{shorten(path)}: cannot be read ({error.strerror}); copy it here first"
        raise InputError(message) from error


def hash_file(path: Path) -> str:
    """SHA-256 of a file's bytes."""
    digest = hashlib.sha256()
    for chunk in read_chunks(path):
        digest.update(chunk)
    return digest.hexdigest()


def write_whole(path: Path, data: bytes) -> None:
    """Write a small file so that it is there whole, or as it was before."""
    temporary = path.with_name(f"{path.name}{PART}")
    temporary.unlink(missing_ok=True)
    with create_file(temporary, path.parent) as file:
        file.write(data)
        file.flush()
        sync_file(file.fileno())
    temporary.replace(path)
    sync_folder(path.parent)


def _is_abandoned(path: Path) -> bool:
    """Whether the process that named this file is gone; another machine's counts by age."""
    parts = path.name.rsplit(".", 3)
    if os.name != "nt" and len(parts) == 4 and parts[0] == socket.gethostname():
        try:
            os.kill(int(parts[1]), 0)
        except ProcessLookupError:
            return True
        except (PermissionError, ValueError):
            pass
    try:
        return time.time() - path.stat().st_mtime > ABANDONED_S
    except FileNotFoundError:
        return False
