"""The fault table as data: causes, what they change, how often they come, and their tests."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

from voicecheck.errors import InputError
from voicecheck.verdicts.signatures import Form, parse_change

COLUMNS = (
    "code", "area", "symptom", "signature", "change", "share", "causes", "check",
    "separate_by", "next_test", "jig", "provenance", "sources",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultRow:
    """One row of the table; `share` is what part of all sets that come to a bench have it."""

    code: str
    area: str
    symptom: str
    signature: str
    forms: tuple[Form, ...]
    share: float
    causes: tuple[str, ...]
    check: str
    separate_by: str
    next_test: str
    is_jig: bool
    provenance: str
    sources: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultTable:
    """Rows in the order of the file, and the file's version."""

    version: str
    rows: tuple[FaultRow, ...]


@cache
def load_fault_table() -> FaultTable:
    """
    The table that comes with the program.

    Examples
    --------
    >>> len(load_fault_table().rows)
    48
    """
    source = resources.files("voicecheck") / "data" / "fault_table.csv"
    return load_fault_table_text(source.read_text(encoding="utf-8"), "fault_table.csv")


def load_fault_table_text(text: str, name: str) -> FaultTable:
    """
    Read a fault table, the program's or a user's own.

    Parameters
    ----------
    text : str
        CSV; a line `# version: 2` before the header names its version.
    name : str
        For messages.

    Returns
    -------
    FaultTable

    Raises
    ------
    InputError
        A column is missing, a code is there twice, or what a cause changes cannot be read.
    """
    lines = text.lstrip("\ufeff").splitlines()
    version = next(
        (line.partition(":")[2].strip() for line in lines if line.startswith("# version:")), ""
    )
    reader = csv.DictReader(line for line in lines if not line.startswith("#"))
    missing = [column for column in COLUMNS if column not in (reader.fieldnames or ())]
    if missing:
        message = f"{name}: need the column {missing[0]}; take the table shipped as a pattern"
        raise InputError(message)
    rows = tuple(_read_row(row, name) for row in reader)
    codes = [row.code for row in rows]
    twice = sorted({code for code in codes if codes.count(code) > 1})
    if twice:
        message = f"{name}: {', '.join(twice)} is there more than once; give each row its own code"
        raise InputError(message)
    return FaultTable(version=version, rows=rows)


def _read_row(row: Mapping[str, str], name: str) -> FaultRow:
    where = f"{name}, {row['code']}"
    return FaultRow(
        code=row["code"],
        area=row["area"],
        symptom=row["symptom"],
        signature=row["signature"],
        forms=parse_change(row["change"], where),
        share=_read_share(row["share"], where),
        causes=tuple(part.strip() for part in row["causes"].split(";")),
        check=row["check"],
        separate_by=row["separate_by"],
        next_test=row["next_test"],
        is_jig=row["jig"] == "yes",
        provenance=row["provenance"],
        sources=row["sources"],
    )


def _read_share(text: str, where: str) -> float:
    try:
        share = float(text)
    except ValueError:
        share = math.nan
    if not (math.isfinite(share) and share > 0.0):
        message = f"{where}: share: need a number above 0, got {text!r}"
        raise InputError(message)
    return share
