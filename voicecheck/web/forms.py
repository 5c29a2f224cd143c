"""What a browser sends: fields and files, bounded in size and kind."""

from __future__ import annotations

import math
import shutil
from collections.abc import AsyncGenerator, Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, Response

from voicecheck.errors import InputError, VoicecheckError
from voicecheck.web.remedies import link_commands

FIELD_BYTES, MOST_FIELDS, MOST_FILES = 65536, 400, 20
UPLOAD_BYTES = 64 * 2**20
"""An hour of 8 kHz telephone sound, or three minutes at 48 kHz and 24 bit (PROP)."""
LIMITS = {"application/x-www-form-urlencoded": FIELD_BYTES, "multipart/form-data": UPLOAD_BYTES}
SOUNDS = (".wav", ".flac", ".aiff", ".aif")
BEGINNINGS = {
    ".png": (b"\x89PNG\r\n\x1a\n",),
    ".jpg": (b"\xff\xd8\xff",),
    ".jpeg": (b"\xff\xd8\xff",),
    ".webp": (b"RIFF",),
    ".pdf": (b"%PDF-",),
    ".wav": (b"RIFF", b"RF64"),
    ".flac": (b"fLaC",),
    ".aiff": (b"FORM",),
    ".aif": (b"FORM",),
    ".txt": (b"",),
    ".csv": (b"",),
    ".json": (b"",),
    ".zip": (b"PK",),
}
"""Kinds of file that are taken, and how such a file begins."""
ATTACHED = tuple(kind for kind in BEGINNINGS if kind != ".zip")
NAME_BYTES = 120
STAYING = "x-stays"
"""Header of a form whose page stays where it is: what is refused is told in its field."""
MOST_NUMBER = 2**31 - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """
    A form as it came in.

    Parameters
    ----------
    data : FormData
    """

    data: FormData

    def text(self, name: str, default: str = "") -> str:
        """A field as text that can be kept; the default where it is not there."""
        value = self.data.get(name)
        if not isinstance(value, str):
            return default
        # A form may name a character set of its own, and hold half a pair of it.
        return value.replace("\0", "").encode("utf-8", "replace").decode()

    def number(self, name: str) -> float | None:
        """
        A number, or None where the field is empty.

        Raises
        ------
        InputError
            It is none.
        """
        text = self.text(name).strip().replace(",", ".")
        if not text:
            return None
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise InputError(f"{name}: need a number, got {text[:40]!r}")
        return value

    def whole(self, name: str, default: int, *, least: int = 0, most: int = MOST_NUMBER) -> int:
        """
        A whole number inside limits.

        Raises
        ------
        InputError
            It is none, or outside.
        """
        value = self.number(name)
        if value is None:
            return default
        if value != int(value) or not least <= value <= most:
            raise InputError(f"{name}: need a whole number from {least} to {most}, got {value:g}")
        return int(value)

    def has(self, name: str) -> bool:
        """Whether the field was sent with anything in it, as a ticked box is."""
        return bool(self.text(name))

    def list_uploads(self, name: str) -> list[UploadFile]:
        """Files of a field; a field left empty sends a file without a name."""
        found = self.data.getlist(name)
        return [one for one in found if isinstance(one, UploadFile) and one.filename]

    def save_uploads(self, name: str, folder: Path, kinds: tuple[str, ...]) -> list[Path]:
        """
        Write the files of a field into a folder.

        Parameters
        ----------
        name : str
        folder : Path
            Each file gets a folder of its own in it, so that equal names do no harm.
        kinds : tuple of str
            Endings that are taken.

        Raises
        ------
        InputError
            A file is of another kind, or is not what its name says.
        """
        return [
            _save_upload(one, folder / str(number), kinds)
            for number, one in enumerate(self.list_uploads(name))
        ]


def clean_name(name: str) -> str:
    r"""
    A file name that every file system takes, whatever was sent.

    Examples
    --------
    >>> clean_name("../../etc/pass\nwd.txt"), clean_name("C:\\con\\a.wav"), clean_name("..")
    ('passwd.txt', 'a.wav', 'file')
    """
    last = name.replace("\\", "/").rpartition("/")[2]
    last = "".join(letter for letter in last if letter.isprintable() and letter not in '<>:"|?*')
    last = last.encode("utf-8", "ignore").decode()
    stem, dot, ending = last.strip(" .").rpartition(".")
    if not dot:
        stem, ending = ending, ""
    stem = stem.encode()[: NAME_BYTES - len(ending.encode()[:20])].decode("utf-8", "ignore")
    return f"{stem}{dot}{ending[:20]}" if stem else "file"


def _save_upload(upload: UploadFile, folder: Path, kinds: tuple[str, ...]) -> Path:
    name = clean_name(upload.filename or "")
    ending = Path(name).suffix.lower()
    if ending not in kinds:
        raise InputError(f"{name}: need a file of kind {', '.join(kinds)}; nothing was kept")
    begins = upload.file.read(8)
    # A telephone coding without header begins with anything.
    if not any(begins.startswith(start) for start in BEGINNINGS.get(ending, (b"",))):
        raise InputError(f"{name}: is not the {ending} file that it is called; nothing was kept")
    upload.file.seek(0)
    folder.mkdir(parents=True)
    path = folder / name
    with path.open("wb") as file:
        shutil.copyfileobj(upload.file, file)
    return path


class _BoundedRequest(Request):
    """A request whose body ends with 413 where it is larger than allowed."""

    async def stream(self) -> AsyncGenerator[bytes, None]:
        limit = LIMITS[_find_kind(self)]
        n_bytes = 0
        async for part in super().stream():
            n_bytes += len(part)
            if n_bytes > limit:
                raise HTTPException(413, f"More than {limit // 1024} kB; nothing was kept.")
            yield part


def _find_kind(request: Request) -> str:
    return request.headers.get("content-type", "").split(";")[0].strip().lower()


def with_form(
    act: Callable[[Request, Sent], Response],
) -> Callable[[Request], Awaitable[Response]]:
    """Give a handler its form, and run it beside the server's own thread."""

    async def answer(request: Request) -> Response:
        if STAYING not in request.headers:
            return await take(request)
        try:
            return _stay(await take(request))
        except (VoicecheckError, HTTPException) as error:
            return _tell(error)

    async def take(request: Request) -> Response:
        if _find_kind(request) not in LIMITS:
            raise HTTPException(415, "Not a form.")
        bounded = _BoundedRequest(request.scope, request.receive)
        try:
            data = await bounded.form(
                max_files=MOST_FILES, max_fields=MOST_FIELDS, max_part_size=FIELD_BYTES
            )
        except (UnicodeDecodeError, ValueError) as error:
            raise HTTPException(400, "The form cannot be read.") from error
        except ClientDisconnect as error:
            # A browser that leaves in the middle is no fault of the program.
            raise HTTPException(400, "The form did not come in whole.") from error
        try:
            return await run_in_threadpool(act, request, Sent(data=data))
        finally:
            await data.close()

    return answer


def _stay(done: Response) -> Response:
    """In place of a page to be loaded, the address that the script is to go to."""
    to = done.headers.get("location")
    return done if to is None else Response(status_code=204, headers={"hx-redirect": to})


def _tell(error: VoicecheckError | HTTPException) -> Response:
    """What is wrong, to be put beside the field that the sentence begins with."""
    line = error.detail if isinstance(error, HTTPException) else str(error)
    field, colon, _ = line.partition(":")
    told = Markup('<p class="failed" role="alert" data-field="{}"><bdi>{}</bdi></p>').format(
        field if colon else "", link_commands(line)
    )
    return HTMLResponse(told, 400)


def parse_number(text: str, *, most: int = MOST_NUMBER) -> int:
    """A whole number of an address, or 404."""
    if not (text.isascii() and text.isdigit() and len(text) <= 10 and int(text) <= most):
        raise HTTPException(404, "There is no such page.")
    return int(text)
