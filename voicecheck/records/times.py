"""Times as they are stored and as they are read."""

from __future__ import annotations

import datetime


def get_now_utc(precision: str = "seconds") -> str:
    """Now, as it is stored: ISO 8601, UTC, to the second or as `isoformat` names it."""
    return datetime.datetime.now(datetime.UTC).isoformat(timespec=precision)


def say_time(text: str | None) -> str:
    """
    A stored time as it is read; what is none is given back as it is.

    Examples
    --------
    >>> say_time("2026-03-01T10:02:33+00:00"), say_time(None), say_time("in May")
    ('2026-03-01 10:02 UTC', '', 'in May')
    """
    try:
        time = datetime.datetime.fromisoformat(text or "").astimezone(datetime.UTC)
    except (ValueError, OverflowError):
        return text or ""
    return f"{time:%Y-%m-%d %H:%M} UTC"


def say_own_time(text: str | None) -> str:
    """
    A stored time by the clock of this machine, as "3 Nov 2026, 10:02"; what is none is given back.

    Examples
    --------
    >>> say_own_time("in May"), len(say_own_time("2026-11-13T10:02:33+00:00"))
    ('in May', 18)
    """
    moment = _to_own_clock(text)
    return text or "" if moment is None else f"{moment.day} {moment:%b %Y, %H:%M}"


def say_own_day(text: str | None) -> str:
    """
    Day of a stored time by the clock of this machine.

    Examples
    --------
    >>> say_own_day(None), say_own_day("2026-11-13T12:00:00+00:00")
    ('', '13 Nov 2026')
    """
    moment = _to_own_clock(text)
    return text or "" if moment is None else f"{moment.day} {moment:%b %Y}"


def _to_own_clock(text: str | None) -> datetime.datetime | None:
    try:
        return datetime.datetime.fromisoformat(text or "").astimezone()
    except (ValueError, OverflowError):
        return None
