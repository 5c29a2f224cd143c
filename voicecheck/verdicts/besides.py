"""What a cause leaves unexplained: clues far from usual that no form of it moves."""

from __future__ import annotations

import math
from collections.abc import Mapping

from voicecheck.verdicts.evidence import Usual
from voicecheck.verdicts.faults import FaultRow
from voicecheck.verdicts.likelihood import read_clues
from voicecheck.verdicts.signatures import load_clues

FAR_SD = 3.5
"""Standard deviations of usual sets (PROP); `tests/bench/cause_rates.md` has what comes of it."""
SIGNS = {
    "dead": (("silent", 1.0),),
    "level": (("faint", -1.0), ("loud", 1.0)),
    "slope": (("toned", 1.0), ("toned", -1.0)),
    "low_rel": (("toned", 1.0), ("toned", -1.0)),
    "thd": (("distorted", 1.0),),
    "compression": (("crushed", 1.0),),
    "kurtosis": (("crackly", 1.0),),
    "losses": (("broken", 1.0),),
    "noise": (("noisy", 1.0),),
    "mains": (("humming", 1.0),),
    "take_drift": (("drifting", 1.0), ("drifting", -1.0)),
}
"""What is told of a clue that is far out, and on which side; other clues only go with these."""
PATHS = ("transmit", "receive")


def find_unexplained(
    row: FaultRow, evidence: Mapping[str, float], usual: Mapping[str, Usual]
) -> tuple[str, ...]:
    """
    What stands far from usual though a cause does not move it.

    Parameters
    ----------
    row : FaultRow
        The cause.
    evidence : mapping of str to float
        As `gather_evidence` gives it.
    usual : mapping of str to Usual
        As `gather_usual` gives it.

    Returns
    -------
    tuple of str
        As "receive.faint"; a clue that the cause may move by any amount counts as explained.
    """
    explained = list_explained(row)
    cases = read_clues(evidence, usual)
    far = zip(load_clues(), cases.value[0], cases.usual[0], cases.spread[0], strict=True)
    found = []
    for name, value, middle, spread in far:
        path, _, what = name.partition(".")
        if path not in PATHS or name in explained or not math.isfinite(value):
            continue
        off = (value - middle) / spread
        found += [f"{path}.{told}" for told, sign in SIGNS.get(what, ()) if sign * off > FAR_SD]
    return tuple(dict.fromkeys(found))


def leave_unexplained(row: FaultRow, evidence: Mapping[str, float]) -> dict[str, float]:
    """Evidence without what a cause moves or may move."""
    explained = list_explained(row)
    return {name: value for name, value in evidence.items() if name not in explained}


def list_explained(row: FaultRow) -> set[str]:
    """Clues that a cause moves or may move, in any of its forms."""
    clues = load_clues()
    return {
        term.name
        for form in row.forms
        for term in form
        # A term may also say that a clue stays as usual.
        if term.is_free or {term.mild, term.severe} != {clues[term.name].usual}
    }
