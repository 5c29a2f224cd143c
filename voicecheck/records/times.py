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
