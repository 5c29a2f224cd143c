"""What a cause does to what is measured, as data: clues, and how far a cause moves each of them."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

from voicecheck.errors import InputError

NUMBER = r"[-+]?\d+(?:\.\d+)?"
TERM = re.compile(
    rf"^(?P<name>[a-z_0-9]+\.[a-z_0-9]+)\s+(?:(?P<any>any)|(?P<mild>{NUMBER})"
    rf"(?:\.\.(?P<severe>{NUMBER}))?(?:\s*~\s*(?P<spread>\d+(?:\.\d+)?))?)$"
)
"""`name mild..severe ~ spread`, `name value` or `name any`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Clue:
    """
    One measured number that causes are told apart by.

    `usual`, `spread` (standard deviation among usual sets) and `reach` (standard deviation of what
    moves it when anything does) are on the scale it is judged on: dB (20 log10) where `is_log`.
    Clues of one `kind` move together where nobody knows why.
    """

    name: str
    usual: float
    spread: float
    reach: float
    is_log: bool
    floor: float
    kind: str

    def to_scale(self, value: float) -> float:
        """A value on the scale it is judged on; what lies below the floor counts as the floor."""
        kept = max(value, self.floor)
        return 20.0 * math.log10(kept) if self.is_log else kept


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """
    What a cause does to one clue, from its mildest to its severest, on the clue's scale.

    `spread` is how far causes of one severity differ; `None` stands for the clue's own. A free
    clue may move by any amount or stay.
    """

    name: str
    mild: float
    severe: float
    spread: float | None
    is_free: bool = False


Form = tuple[Term, ...]
"""One way in which a cause shows; clues that it does not name stay usual."""


@cache
def load_clues() -> Mapping[str, Clue]:
    """Clues by name, in the order of the file that comes with the program."""
    source = resources.files("voicecheck") / "data" / "cause_evidence.csv"
    lines = source.read_text(encoding="utf-8").splitlines()
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    return {row["name"]: _read_clue(row) for row in rows}


def _read_clue(row: Mapping[str, str]) -> Clue:
    is_log = row["scale"] == "log"
    floor = float(row["floor"]) if row["floor"] else -math.inf
    usual = float(row["usual"])
    return Clue(
        name=row["name"],
        usual=20.0 * math.log10(usual) if is_log else usual,
        spread=float(row["spread"]),
        reach=float(row["reach"]),
        is_log=is_log,
        floor=floor,
        kind=row["kind"],
    )


def parse_change(text: str, where: str = "change") -> tuple[Form, ...]:
    """
    Read what a cause changes.

    Parameters
    ----------
    text : str
        Forms separated by "|", terms by ";". A term is `name mild..severe ~ spread`: the clue's
        value at the mildest and at the severest that comes to a bench, and how far cases of one
        severity differ (dB where the clue is judged in dB). A clue with `name any` may move or not.
    where : str
        For messages.

    Returns
    -------
    tuple of Form

    Raises
    ------
    InputError
        A term cannot be read, or names no clue.

    Examples
    --------
    >>> ((term,),) = parse_change("receive.low_rel -2..-12 ~ 1.5")
    >>> term.mild, term.severe, term.spread
    (-2.0, -12.0, 1.5)
    """
    return tuple(
        tuple(_parse_term(part.strip(), where) for part in form.split(";"))
        for form in text.split("|")
    )


def _parse_term(text: str, where: str) -> Term:
    found = TERM.match(text)
    if found is None:
        message = f"{where}: cannot read {text!r}; write `path.name mild..severe ~ spread`"
        raise InputError(message)
    clue = load_clues().get(found["name"])
    if clue is None:
        message = f"{where}: {found['name']} is no clue; cause_evidence.csv has their names"
        raise InputError(message)
    if found["any"]:
        usual = clue.usual
        return Term(name=clue.name, mild=usual, severe=usual, spread=None, is_free=True)
    mild = float(found["mild"])
    severe = float(found["severe"] or mild)
    return Term(
        name=clue.name,
        mild=clue.to_scale(mild),
        severe=clue.to_scale(severe),
        spread=float(found["spread"]) if found["spread"] else None,
    )
