"""
The door: the one way in which a file of the user's comes to be written.

What may be written, and over what:

- where nothing is, or an empty file;
- over a regular file of the same kind, which is told (`Door.on_replace`). Kinds with a signature
  (WAV, FLAC, PNG, PDF, ZIP ...) are known by their first bytes, old file and new. JSON is of the
  same kind where both name the same schema of this program, before the slash. Any other text is of
  the kind that its name's ending says, and a file that is replaced has the same name;
- over any other regular file, or one that is write-protected, only when forced;
- into a pipe, or into what the program was handed as its own output (`/dev/stdout`), as a stream;
- never over a folder or a device, and never through a link whose target lies in another folder,
  forced or not: a device replaced by a file is lost to the whole machine.

A file appears under its name when all of it is on disk: it is written under another name in the
same folder, forced to disk, then renamed. Whatever fails before leaves what was there.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import stat
import sys
import uuid
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, NoReturn

from voicecheck.errors import InputError, VoicecheckError
from voicecheck.filekinds import HEAD_BYTES, recognise

__all__ = ["DOOR", "Door", "expand", "make_folder", "shorten", "sync_file", "sync_folder"]

OWN_OUTPUT = re.compile(r"/dev/stdout|/dev/stderr|/(?:dev|proc/self)/fd/(\d{1,6})")
"""Names of what is open already; a shell hands such a name over for `>(command)`."""
NUMBERS = {"/dev/stdout": 1, "/dev/stderr": 2}
FORCED = "choose another name, or replace it by force (--force)"


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a name leads: `descriptor` where it is open already, `there` where something is."""

    path: Path
    there: os.stat_result | None = None
    descriptor: int | None = None

    @property
    def is_stream(self) -> bool:
        is_pipe = self.there is not None and stat.S_ISFIFO(self.there.st_mode)
        return self.descriptor is not None or is_pipe


def _tell_nobody(path: Path) -> None:
    del path


@dataclass(frozen=True, slots=True)
class Door:
    """
    How files are written on behalf of one command, page or script.

    Parameters
    ----------
    force : bool
        Also over a regular file of another kind, or one that is write-protected.
    on_replace : callable
        Called with the path of each file that took the place of another.

    Examples
    --------
    >>> import tempfile
    >>> place = Path(tempfile.mkdtemp()) / "notes.txt"
    >>> DOOR.write(place, b"one").read_bytes()
    b'one'
    >>> DOOR.write(place.parent, b"two")
    Traceback (most recent call last):
    voicecheck.errors.InputError: ...: is a folder; nothing was written; give the name of a file
    """

    force: bool = False
    on_replace: Callable[[Path], None] = _tell_nobody

    def write(self, target: str | Path, content: bytes, *, keep: bool = False) -> Path:
        """
        Write a file whole, or leave everything as it was.

        Parameters
        ----------
        target : path
        content : bytes
        keep : bool
            A file of the same kind stays too unless forced: what a person edits by hand.

        Returns
        -------
        Path

        Raises
        ------
        InputError
            Something is there that may not be replaced, or the place cannot be written.
        """
        target = expand(target)
        self._admit(target, None if keep else content)
        with self._open(target, InputError) as file:
            file.write(content)
        return target

    def write_all(self, folder: str | Path, parts: Mapping[str, bytes]) -> tuple[Path, ...]:
        """
        Write files that belong together; none is written where one of them may not be.

        Parameters
        ----------
        folder : path
            Made if it is not there.
        parts : mapping of str to bytes
            Content by file name.

        Raises
        ------
        InputError
            As `write`.
        """
        folder = self.make_folder(folder)
        for name, content in parts.items():
            self._admit(folder / name, content)
        return tuple(self.write(folder / name, content) for name, content in parts.items())

    def make_folder(self, folder: str | Path) -> Path:
        """
        Make a folder and those above it where they are not there.

        Raises
        ------
        InputError
            A file is in the way, or the place cannot be written.
        """
        folder = expand(folder)
        _check_name(folder)
        with _translate(folder, InputError):
            make_folder(folder)
        return folder

    @contextlib.contextmanager
    def open(
        self, target: str | Path, failure: type[VoicecheckError] = InputError
    ) -> Iterator[BinaryIO]:
        """
        A new file that is too large to be held in memory, to be written piece by piece.

        Parameters
        ----------
        target : path
            Replaced only when forced: whether it is of the same kind cannot be known beforehand.
        failure : type
            Error where the disk fails.

        Yields
        ------
        file : binary file
            Under its name when the block ends without an error.

        Raises
        ------
        InputError
            Something is there that may not be replaced.
        """
        target = expand(target)
        self._admit(target, None)
        with self._open(target, failure) as file:
            yield file

    def check(self, target: str | Path) -> None:
        """
        Refuse a place where no file may be written, before any work is done for it.

        Parameters
        ----------
        target : path

        Raises
        ------
        InputError
            A folder, a device, a link to elsewhere, or no place for a file.
        """
        with _translate(target, InputError):
            _find(expand(target))

    def _admit(self, target: Path, content: bytes | None) -> None:
        """Refuse to replace a file of another kind; any file, where there is no content."""
        with _translate(target, InputError):
            place = _find(target)
            if place.is_stream or place.there is None or self.force:
                return
            if not place.there.st_mode & stat.S_IWUSR:
                _refuse(target, "is write-protected", FORCED)
            if place.there.st_size == 0:
                return
            if content is None:
                _refuse(target, "is already there", FORCED)
            with place.path.open("rb") as file:
                old, new = recognise(file.read(HEAD_BYTES)), recognise(content)
        if old != new:
            what = f"is already there and of another kind ({old}, to be written: {new})"
            _refuse(target, what, FORCED)

    @contextlib.contextmanager
    def _open(self, target: Path, failure: type[VoicecheckError]) -> Iterator[BinaryIO]:
        with _translate(target, failure):
            place = _find(target)
            if place.is_stream:
                with _open_stream(place) as file:
                    yield file
                return
            # Not after the target: its name may be as long as a name can be.
            aside = place.path.with_name(f".voicecheck-{os.getpid()}-{uuid.uuid4().hex}.part")
            try:
                with aside.open("xb") as file:
                    yield file
                    file.flush()
                    sync_file(file.fileno())
                # Looked at again: much may have happened while it was written.
                there = _find(target).there
                if there is not None:
                    aside.chmod(stat.S_IMODE(there.st_mode))
                aside.replace(place.path)
                sync_folder(place.path.parent)
            finally:
                aside.unlink(missing_ok=True)
        if there is not None and there.st_size:
            self.on_replace(target)


DOOR = Door()
"""Of scripts and of the page: nothing is forced, nobody is told."""


def expand(path: str | Path) -> Path:
    """
    A path with `~` at its beginning read as a shell reads it.

    Raises
    ------
    InputError
        There is no user of that name.
    """
    try:
        return Path(path).expanduser()
    except RuntimeError:
        _refuse(path, "begins with ~, but there is no such user", "write the whole path")


def make_folder(folder: Path, mode: int = 0o777) -> None:
    """Make a folder and those above it, each known to the disk before it is used."""
    if folder.is_dir():
        return
    make_folder(folder.parent)
    folder.mkdir(mode, exist_ok=True)
    sync_folder(folder.parent)


def sync_file(descriptor: int) -> None:
    """Force a file to disk; macOS stops at the disk's own memory unless told otherwise."""
    if sys.platform == "darwin":
        import fcntl

        # Disks on a network do not know this call.
        with contextlib.suppress(OSError):
            fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)
            return
    os.fsync(descriptor)


def sync_folder(folder: Path) -> None:
    """Force a folder's list of names to disk; Windows has no such call and needs none."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _find(target: Path) -> _Place:
    """Where a name leads; refuses what may never be written over."""
    _check_name(target)
    if os.name != "nt" and (own := OWN_OUTPUT.fullmatch(str(target))):
        return _find_own(target, int(own[1]) if own[1] else NUMBERS[own[0]])
    path = target
    try:
        there = path.lstat()
        if stat.S_ISLNK(there.st_mode):
            path = Path(os.path.realpath(target))
            if path.parent != Path(os.path.realpath(target.parent)):
                _refuse(target, f"is a link to {path}", "give that name itself, or another")
            there = path.lstat()
    except FileNotFoundError:
        if not path.parent.is_dir():
            raise
        return _Place(path)
    if stat.S_ISDIR(there.st_mode):
        _refuse(target, "is a folder", "give the name of a file")
    if not (stat.S_ISREG(there.st_mode) or stat.S_ISFIFO(there.st_mode)):
        _refuse(target, "is a device or the like", "give the name of a file")
    return _Place(path, there)


def _find_own(target: Path, descriptor: int) -> _Place:
    mode = os.fstat(descriptor).st_mode
    if not (stat.S_ISREG(mode) or stat.S_ISFIFO(mode) or stat.S_ISSOCK(mode)):
        _refuse(target, "is a screen or another device", "lead it into a file or a command")
    return _Place(target, descriptor=descriptor)


def _open_stream(place: _Place) -> BinaryIO:
    if place.descriptor is not None:
        return os.fdopen(os.dup(place.descriptor), "wb")
    # Neither made nor cut: should it be a pipe no longer, nothing has happened to it.
    descriptor = os.open(place.path, os.O_WRONLY)
    if not stat.S_ISFIFO(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        _refuse(place.path, "is no longer a pipe", "try again")
    return os.fdopen(descriptor, "wb")


@contextlib.contextmanager
def _translate(target: str | Path, failure: type[VoicecheckError]) -> Iterator[None]:
    """Errors of the system about this place; those about files that are read pass."""
    try:
        yield
    except BrokenPipeError:
        # Whoever reads has enough: the command ends as any command in a pipe does.
        raise
    except OSError as error:
        if error.filename is not None and not _is_beside(Path(error.filename), Path(target)):
            raise
        remedy = "choose another folder or name"
        if error.errno in {errno.ENOSPC, errno.EDQUOT}:
            remedy = "free some space"
        elif error.errno in {errno.ENOENT, errno.ENOTDIR}:
            remedy = "need the name of a file in a folder that is there"
        message = f"{shorten(target)}: cannot be written ({error.strerror or error})"
        raise failure(f"{message}; nothing was changed; {remedy}") from error


def _is_beside(path: Path, target: Path) -> bool:
    """Whether a path is the target, a folder above it, or something in its own folder."""
    folder = Path(os.path.realpath(target.parent))
    return path.parent in {folder, *folder.parents, *target.parents}


def _check_name(target: Path) -> None:
    """Refuse what the system would not even look for."""
    try:
        possible = b"\0" not in os.fsencode(target)
    except UnicodeEncodeError:
        possible = False
    if not possible:
        _refuse(target, "is no name that a file can have", "choose another")


def _refuse(target: str | Path, why: str, remedy: str) -> NoReturn:
    raise InputError(f"{shorten(target)}: {why}; nothing was written; {remedy}")


def shorten(target: str | Path) -> str:
    """A path for a message: the middle of a long one is left out."""
    text = str(target)
    return text if len(text) <= 200 else f"{text[:60]}...{text[-60:]}"
