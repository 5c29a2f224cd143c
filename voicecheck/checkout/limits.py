"""Rows of the data folder that a checkout is held against, and the verdict on a single value."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files

from voicecheck.errors import InputError
from voicecheck.records import Finding
from voicecheck.records.terms import Verdict

Row = Mapping[str, str]
MEMORY = "from memory"
OTHER_NAMES = {
    "united states": "North America",
    "usa": "North America",
    "canada": "North America",
    "great britain": "United Kingdom",
    "uk": "United Kingdom",
    "uae": "United Arab Emirates",
    "czechia": "Czech Republic",
}
"""Countries that share the rows of another name, and short names."""


@cache
def load_rows(name: str) -> tuple[dict[str, str], ...]:
    """
    Rows of one table of the data folder.

    Parameters
    ----------
    name : str
        Path in the folder; lines that start with "#" are left out.

    Returns
    -------
    tuple of dict
        Header to text.

    Examples
    --------
    >>> load_rows("dial_limits.csv")[0]["region"]
    'Australia'
    """
    text = files("voicecheck").joinpath("data", *name.split("/")).read_text("utf-8")
    return tuple(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))


def find_region(table: str, region: str) -> str:
    """
    Region of a table by its name or another one, whatever its case; "" where none is named.

    Raises
    ------
    InputError
        The table has no such region; the message lists those it has.

    Examples
    --------
    >>> find_region("dial_limits.csv", "united kingdom")
    'United Kingdom'
    >>> find_region("dial_limits.csv", "canada")
    'North America'
    """
    if not region.strip():
        return ""
    known = list_regions(table)
    typed = region.strip().casefold()
    for name in known:
        if name.casefold() in (typed, OTHER_NAMES.get(typed, "").casefold()):
            return name
    message = f"region: no limits for {region!r}; known: {', '.join(known)}"
    raise InputError(message)


def list_regions(table: str) -> tuple[str, ...]:
    """Regions of a table, each once, in its order."""
    names = (row["region"] for row in load_rows(table))
    return tuple(dict.fromkeys(name for name in names if not name.startswith("any")))


def read_number(text: str) -> float | None:
    """Number of a cell; `None` for an empty one."""
    return float(text) if text else None


def name_source(row: Row) -> str:
    """Source of a row with its provenance, as it is shown beside a limit."""
    told = MEMORY if row["provenance"].startswith("MEM") else row["provenance"]
    return f"{row['source']} ({told})"


def judge(
    quantity: str,
    value: float | None,
    row: Row,
    *,
    uncertainty: float = 0.0,
    columns: Sequence[str] = ("min", "max"),
    path: str = "loop",
) -> Finding:
    """
    Hold one value against one row.

    Parameters
    ----------
    quantity : str
    value : float or None
        In the row's unit; `None` is "not comparable".
    row : mapping
        With `unit`, `source`, `provenance` and the two columns of limits.
    uncertainty : float
        Half-width of a 95 % interval.
    columns : (str, str)
        Of the lower and upper limit.
    path : str

    Returns
    -------
    Finding
        "outside" only where the value is outside by more than its uncertainty.

    Examples
    --------
    >>> row = {"min": "9", "max": "11", "unit": "pulses/s", "source": "x", "provenance": "PUB"}
    >>> [judge("speed", v, row, uncertainty=0.1).verdict for v in (10.0, 11.05, 12.0)]
    ['within', 'doubtful', 'outside']
    """
    low, high = (read_number(row.get(column, "")) for column in columns)
    verdict: Verdict = "not comparable"
    reason = "not to be had from this recording"
    if value is not None:
        below = low is not None and value < low
        above = high is not None and value > high
        sure_below = low is not None and value + uncertainty < low
        sure_above = high is not None and value - uncertainty > high
        verdict = "outside" if sure_below or sure_above else "within"
        verdict = "doubtful" if verdict == "within" and (below or above) else verdict
        reason = row.get("note", "") or ""
    return Finding(
        path=path,
        quantity=quantity,
        value=value,
        unit=row["unit"],
        uncertainty=uncertainty,
        low=low,
        high=high,
        verdict=verdict,
        reason=reason,
        source=name_source(row),
    )
