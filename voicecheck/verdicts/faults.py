"""The fault table as data: rows, and conditions that match by degrees."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

from voicecheck.errors import InputError

COLUMNS = (
    "code", "area", "symptom", "signature", "condition", "causes", "check", "separate_by",
    "next_test", "jig", "confidence", "provenance", "sources",
)  # fmt: skip
CONFIDENCES = ("high", "medium", "low")
TERM = re.compile(
    r"^(?P<name>[a-z_0-9]+\.[a-z_0-9]+)\s*(?P<sign><=|>=)\s*(?P<value>[-+]?\d+(\.\d+)?)"
    r"\s*(~\s*(?P<width>\d+(\.\d+)?))?$"
)
DEFAULT_WIDTH_SHARE = 0.3
"""Width of a term that states none, as a share of its value."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """
    One comparison of a condition.

    `sign` is +1 for ">=" and -1 for "<="; the degree is 0.5 at `value`, 1 a `width` beyond and 0 a
    `width` short of it.
    """

    name: str
    sign: int
    value: float
    width: float

    def match(self, evidence: Mapping[str, float]) -> float | None:
        """Degree 0 to 1; `None` where the evidence is not there."""
        known = evidence.get(self.name)
        if known is None or not math.isfinite(known):
            return None
        return min(1.0, max(0.0, 0.5 + 0.5 * self.sign * (known - self.value) / self.width))


@dataclass(frozen=True, slots=True, kw_only=True)
class Clause:
    """Alternatives of which the best counts; an optional one counts only where it is known."""

    terms: tuple[Term, ...]
    is_optional: bool = False

    def match(self, evidence: Mapping[str, float]) -> float | None:
        """Degree 0 to 1; `None` where no alternative can be told."""
        degrees = [degree for term in self.terms if (degree := term.match(evidence)) is not None]
        return max(degrees) if degrees else None


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultRow:
    """One row of the table."""

    code: str
    area: str
    symptom: str
    signature: str
    clauses: tuple[Clause, ...]
    causes: tuple[str, ...]
    check: str
    separate_by: str
    next_test: str
    is_jig: bool
    confidence: str
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
    40
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
        A column is missing, a code is there twice, or a condition cannot be read.
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
    if row["confidence"] not in CONFIDENCES:
        message = f"{where}: confidence: need high, medium or low, got {row['confidence']}"
        raise InputError(message)
    return FaultRow(
        code=row["code"],
        area=row["area"],
        symptom=row["symptom"],
        signature=row["signature"],
        clauses=parse_condition(row["condition"], where),
        causes=tuple(part.strip() for part in row["causes"].split(";")),
        check=row["check"],
        separate_by=row["separate_by"],
        next_test=row["next_test"],
        is_jig=row["jig"] == "yes",
        confidence=row["confidence"],
        provenance=row["provenance"],
        sources=row["sources"],
    )


def parse_condition(text: str, where: str = "condition") -> tuple[Clause, ...]:
    """
    Read a condition.

    Parameters
    ----------
    text : str
        Clauses separated by ";", alternatives by "|", terms `name >= value ~ width`; a clause
        that ends in "?" is optional.
    where : str
        For messages.

    Returns
    -------
    tuple of Clause

    Raises
    ------
    InputError
        A term cannot be read, or every clause is optional.

    Examples
    --------
    >>> clauses = parse_condition("transmit.level <= -5 ~ 2; transmit.shape_rms <= 2 ~ 1 ?")
    >>> [clause.match({"transmit.level": -6.0}) for clause in clauses]
    [0.75, None]
    """
    clauses = []
    for part in text.split(";"):
        body = part.strip()
        is_optional = body.endswith("?")
        terms = tuple(_parse_term(item, where) for item in body.rstrip("? ").split("|"))
        clauses.append(Clause(terms=terms, is_optional=is_optional))
    if all(clause.is_optional for clause in clauses):
        message = f"{where}: need at least one clause that is not optional"
        raise InputError(message)
    return tuple(clauses)


def _parse_term(text: str, where: str) -> Term:
    found = TERM.match(text.strip())
    if found is None:
        message = f"{where}: cannot read {text.strip()!r}; write `path.name >= value ~ width`"
        raise InputError(message)
    value = float(found["value"])
    width = float(found["width"]) if found["width"] else DEFAULT_WIDTH_SHARE * abs(value)
    return Term(
        name=found["name"],
        sign=1 if found["sign"] == ">=" else -1,
        value=value,
        width=max(width, 1e-6),
    )


def match_row(row: FaultRow, evidence: Mapping[str, float]) -> float:
    """
    How well the evidence fits a row.

    Parameters
    ----------
    row : FaultRow
    evidence : mapping of str to float

    Returns
    -------
    float
        0 to 1: geometric mean of the worst clause and of the mean of all; 0 where a clause that
        must be known is not.
    """
    degrees = []
    for clause in row.clauses:
        degree = clause.match(evidence)
        if degree is None:
            if clause.is_optional:
                continue
            return 0.0
        degrees.append(degree)
    return math.sqrt(min(degrees) * sum(degrees) / len(degrees)) if degrees else 0.0
