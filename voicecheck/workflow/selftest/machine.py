"""The machine that the program is to work on: its versions, folders and sound devices."""

from __future__ import annotations

import base64
import hashlib
import os
import platform
import re
import shutil
import stat
import sys
import tempfile
from collections.abc import Callable, Sequence
from importlib import metadata
from pathlib import Path

from voicecheck import __version__
from voicecheck.errors import BenchError
from voicecheck.records.benches import Device
from voicecheck.workflow.selftest.tasks import Task, Tried

PACKAGE = "voicecheck"
OPTIONAL = {
    "page": "the page in a browser", "pdf": "reports as PDF", "pictures": "pictures of sound",
    "label": "labels with a code", "postgres": "job books on a server",
}  # fmt: skip
"""Extras of the installation, and what is not there without them."""
LEAST_FREE_BYTES = 500 << 20
JOB_BYTES = 30 << 20
"""A job with its recordings takes about so much (measured on made ones); the limit is a choice."""
SERVER_ADVICE = (
    "restart the sound server, or plug the device in again; recordings from files can be measured "
    "without"
)
PORTAUDIO_ADVICE = (
    "install the PortAudio library (on Debian and Ubuntu: libportaudio2) and a sound server; "
    "recordings from files can be measured without"
)


def list_system() -> dict[str, str]:
    """Versions that a report names."""
    found = {
        "voicecheck": __version__,
        "Python": f"{platform.python_implementation()} {platform.python_version()}",
        "system": f"{platform.system()} {platform.release()} {platform.machine()}".strip(),
        "processors": str(os.cpu_count() or "not known"),
    }
    return found | {name: version for name, version, _ in list_libraries() if version}


def _is_installed() -> bool:
    try:
        metadata.distribution(PACKAGE)
    except metadata.PackageNotFoundError:
        return False
    return True


def list_libraries() -> list[tuple[str, str, str]]:
    """Name, version that is there ("" where none is), and lowest that is needed."""
    if not _is_installed():
        return []
    needs = [one for one in metadata.requires(PACKAGE) or () if "extra ==" not in one]
    found = []
    for need in needs:
        name = re.split(r"[^\w.-]", need, maxsplit=1)[0]
        lowest = re.search(r">=\s*([\d.]+)", need)
        try:
            version = metadata.version(name)
        except metadata.PackageNotFoundError:
            version = ""
        found.append((name, version, lowest[1] if lowest else "0"))
    return sorted(found)


def list_machine_tasks(book: Path | None, list_devices: Callable[[], Sequence[Device]]) -> tuple[
    Task, ...
]:  # fmt: skip
    """
    What is tried of program, folders and sound.

    Parameters
    ----------
    book : Path or None
        Folder of the job book; `None` where it is on a server.
    list_devices : callable
        Sound devices, or a `BenchError`.
    """
    return (
        Task(group="program", name="libraries", title="Python and the libraries that are needed",
             run=lambda: try_libraries(list_libraries()), source="what the program asks for"),
        Task(group="program", name="extras", title="Parts that are installed when wanted",
             run=try_extras),
        Task(group="program", name="files", title="Files of the program as they were installed",
             run=try_files, source="SHA-256 in the list of the installation"),
        Task(group="book", name="folder", title="The folder of the job book",
             run=lambda: try_folder(book)),
        Task(group="book", name="rights", title="Nobody else reads the job book",
             run=lambda: try_rights(book)),
        Task(group="book", name="space", title="Room for recordings",
             run=lambda: try_space(book), source="a choice, no source"),
        Task(group="book", name="temporary", title="The folder for temporary files",
             run=try_temporary),
        Task(group="sound", name="devices", title="Sound library and sound devices",
             run=lambda: try_devices(list_devices)),
    )  # fmt: skip


def try_libraries(libraries: Sequence[tuple[str, str, str]]) -> Tried:
    """Each library that is needed, and old enough ones among them."""
    python = ".".join(map(str, sys.version_info[:3]))
    if not libraries:
        return Tried(outcome="not tried", told=f"Python {python}; the list is in one file with it")
    missing = [name for name, version, _ in libraries if not version]
    old = [
        f"{name} {version} ({lowest} needed)"
        for name, version, lowest in libraries
        if version and _read_version(version) < _read_version(lowest)
    ]
    if missing or old:
        told = "; ".join(
            [*(f"{name} is not there" for name in missing), *(f"too old: {one}" for one in old)]
        )
        return Tried(outcome="fails", told=told, advice="pip install --upgrade voicecheck")
    return Tried(outcome="passes", told=f"Python {python}, {len(libraries)} libraries")


def _read_version(text: str) -> tuple[int, ...]:
    """Its leading numbers, without zeros at the end: 2.0 is as old as 2."""
    numbers = [int(one) for one in re.findall(r"\d+", re.match(r"[\d.]*", text)[0])]  # type: ignore[index]
    while numbers and numbers[-1] == 0:
        numbers.pop()
    return tuple(numbers)


def try_extras() -> Tried:
    """Which of the parts that are installed when wanted are there."""
    if not _is_installed():
        return Tried(outcome="not tried", told="the program is one file")
    missing = [name for name in OPTIONAL if not _has_extra(name)]
    if not missing:
        return Tried(outcome="passes", told="all are there")
    lacks = "; ".join(f"no {OPTIONAL[name]} without {name}" for name in missing)
    return Tried(
        outcome="not tried", told=lacks, advice=f"pip install 'voicecheck[{','.join(missing)}]'"
    )


def _has_extra(extra: str) -> bool:
    needs = [
        one for one in metadata.requires(PACKAGE) or () if re.search(rf"extra == .{extra}.", one)
    ]
    try:
        for need in needs:
            metadata.version(re.split(r"[^\w.-]", need, maxsplit=1)[0])
    except metadata.PackageNotFoundError:
        return False
    return True


def try_files(distribution: metadata.Distribution | None = None) -> Tried:
    """Each file of the installation against the digest that came with it."""
    try:
        distribution = distribution or metadata.distribution(PACKAGE)
    except metadata.PackageNotFoundError:
        return Tried(outcome="not tried", told="the program is one file")
    listed = [one for one in distribution.files or () if one.hash and one.parts[0] == PACKAGE]
    if not listed:
        return Tried(outcome="not tried", told="the program runs from its source, which may change")
    changed = []
    for one in listed:
        path = Path(str(one.locate()))
        content = path.read_bytes() if path.is_file() else b""
        digest = base64.urlsafe_b64encode(hashlib.sha256(content).digest()).decode().rstrip("=")
        if one.hash is not None and digest != one.hash.value:
            changed.append(str(one))
    if changed:
        told = f"changed or gone: {', '.join(changed[:5])}" + (" ..." if len(changed) > 5 else "")
        return Tried(outcome="fails", told=told, advice="install the program again")
    return Tried(outcome="passes", told=f"{len(listed)} files")


def _find_existing(folder: Path) -> Path:
    """The folder itself, or the nearest one above it that is there."""
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    return folder


def try_folder(book: Path | None) -> Tried:
    """Whether the book can be read and written, or made where it is not there yet."""
    if book is None:
        return _on_server()
    there = book
    try:
        there = _find_existing(book)
        if not there.is_dir():
            told = f"{there} is a file"
            return Tried(outcome="fails", told=told, advice="give another folder with --book")
        next(there.iterdir(), None)
        # Rights are not all that can be in the way: a disk may be full or read-only.
        with tempfile.TemporaryFile(dir=there) as file:
            file.write(b"voicecheck")
    except OSError as error:
        return Tried(
            outcome="fails",
            told=f"{there} cannot be read and written ({error.strerror})",
            advice=f"give yourself the right to read and write {there}, or name a folder with "
            "--book",
        )
    told = f"{book} is read and written" if there == book else f"{book} can be made"
    return Tried(outcome="passes", told=told)


def try_rights(book: Path | None) -> Tried:
    """Whether other users of the machine can look into the book."""
    if book is None:
        return _on_server()
    if os.name == "nt":
        return Tried(outcome="not tried", told="rights are kept in another way on this system")
    try:
        mode = stat.S_IMODE(book.stat().st_mode)
    except FileNotFoundError:
        return Tried(outcome="not tried", told="there is no job book yet; it will be made closed")
    except OSError as error:
        return Tried(outcome="not tried", told=f"{book} cannot be looked at ({error.strerror})")
    if mode & 0o077:
        return Tried(
            outcome="fails",
            told=f"other users of this machine can read {book}",
            advice="open the book once, with the page or any command: that closes it to others",
        )
    return Tried(outcome="passes", told="the folder is its user's alone")


def try_space(book: Path | None) -> Tried:
    """Room on the disk of the book."""
    if book is None:
        return _on_server()
    try:
        free = shutil.disk_usage(_find_existing(book)).free
    except OSError as error:
        return Tried(outcome="not tried", told=f"{book} cannot be looked at ({error.strerror})")
    told = f"{free / 1e9:.1f} GB are free, for about {free // JOB_BYTES:d} jobs"
    is_enough = free >= LEAST_FREE_BYTES
    return Tried(
        outcome="passes" if is_enough else "fails",
        told=told,
        advice="" if is_enough else "make room, or keep the book on another disk (--book)",
        figures={"free_gb": free / 1e9},
    )


def _on_server() -> Tried:
    return Tried(
        outcome="not tried", told="the job book is on a server", advice="voicecheck book verify"
    )


def try_temporary() -> Tried:
    """Whether there is a folder for what is not kept."""
    try:
        with tempfile.TemporaryFile() as file:
            file.write(b"voicecheck")
    except OSError as error:
        return Tried(
            outcome="fails", told=f"nothing can be written there ({error.strerror})",
            advice="make room in it, or name another one in the variable TMPDIR",
        )  # fmt: skip
    return Tried(outcome="passes", told="it can be written")


def try_devices(list_devices: Callable[[], Sequence[Device]]) -> Tried:
    """PortAudio, and what it finds; no device is no failure of the program."""
    try:
        devices = list_devices()
    except BenchError as error:
        is_missing = "PortAudio" in str(error)
        advice = PORTAUDIO_ADVICE if is_missing else SERVER_ADVICE
        return Tried(outcome="fails", told=str(error), advice=advice)
    if not devices:
        return Tried(
            outcome="not tried",
            told="PortAudio is there and finds no sound device",
            advice="plug the sound interface in and look again with `voicecheck devices`",
        )
    named = [
        f"{one.name} ({one.host_api}: {one.n_inputs} in, {one.n_outputs} out)" for one in devices
    ]
    return Tried(outcome="passes", told=f"PortAudio finds {'; '.join(named)}")
