"""A friend's envelope: closed before the rounds, opened after the last of them."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from pathlib import Path

from voicecheck import __version__
from voicecheck.errors import InputError
from voicecheck.incoming import read_ordinary
from voicecheck.jobbook import JobBook
from voicecheck.records import ProtocolPart
from voicecheck.records.times import get_now_utc
from voicecheck.verdicts.protocol.envelope import LONGEST, seal, unseal
from voicecheck.verdicts.protocol.steps import ENVELOPE, OPENED, count_rounds, list_parts
from voicecheck.workflow.books import check_open
from voicecheck.workflow.protocol.kept import read_parts, save_part
from voicecheck.writing import DOOR, Door

STEP = "round"


def list_rounds() -> tuple[str, ...]:
    """Names of the rounds in their order."""
    return tuple(part for part in list_parts() if part.startswith(f"{STEP} "))


def close_envelope(
    book: JobBook, job: int, plants: Sequence[str], target: str | Path, door: Door = DOOR
) -> str:
    """
    Write what a friend hides into a file of the friend's, and its hash into the book.

    Parameters
    ----------
    book : JobBook
    job : int
    plants : sequence of str
        One word or more for each round, "none" for nothing.
    target : path
    door : Door

    Returns
    -------
    str
        SHA-256 of the file.

    Raises
    ------
    InputError
        Not one entry for each round, a round was done already, or the file cannot be written.
    """
    record = book.load_job(job)
    check_open(record)
    done = {one.part for one in read_parts(book, record)}
    if begun := [name for name in list_rounds() if name in done]:
        raise InputError(
            f"envelope: {begun[0]} of job {job} was done already; an envelope closed after it "
            "proves nothing; nothing was kept"
        )
    content, digest = seal(plants, secrets.token_hex(32), n_rounds=count_rounds())
    door.write(target, content)
    _keep(book, job, ENVELOPE, answer=digest)
    return digest


def open_envelope(book: JobBook, job: int, path: str | Path) -> tuple[str, ...]:
    """
    Open the envelope that was closed before the rounds.

    Parameters
    ----------
    book : JobBook
    job : int
    path : path
        Of the friend's file.

    Returns
    -------
    tuple of str
        What was in it, one for each round.

    Raises
    ------
    InputError
        No envelope was closed, rounds are missing, or this is another file than was closed then.
    """
    record = book.load_job(job)
    check_open(record)
    done = {one.part: one for one in read_parts(book, record)}
    if ENVELOPE not in done:
        raise InputError(f"envelope: none was closed for job {job}; nothing was opened")
    if missing := [name for name in list_rounds() if name not in done]:
        raise InputError(
            f"envelope: {missing[0]} is not done yet, and {len(missing) - 1} more; once it is "
            "open no further round counts; nothing was opened"
        )
    try:
        content = read_ordinary(path, LONGEST)
    except OSError as error:
        raise InputError(f"envelope: {path} cannot be read ({error.strerror})") from error
    plants = unseal(content, done[ENVELOPE].answer, n_rounds=count_rounds())
    _keep(book, job, OPENED, plants=plants)
    return plants


def _keep(
    book: JobBook, job: int, part: str, *, answer: str = "", plants: tuple[str, ...] = ()
) -> None:
    save_part(
        book,
        job,
        ProtocolPart(
            part=part, step=STEP, taken_utc=get_now_utc(), bench="", version=__version__,
            answer=answer, plants=plants,
        ),
    )  # fmt: skip
