"""
NIST's statistical reference datasets, as NIST publishes them (public domain).

Source: NIST/ITL StRD, https://www.itl.nist.gov/div898/strd; the files themselves, with their
certified values, lie in `fixtures/published/nist_strd`.
"""

from __future__ import annotations

import math
from pathlib import Path

FILES = Path(__file__).parents[1] / "fixtures" / "published" / "nist_strd"
FIRST_DATA_LINE = 60


def read_pairs(name: str) -> list[tuple[float, float]]:
    """The two columns of a dataset, in their order."""
    lines = (FILES / f"{name}.dat").read_text("ascii").splitlines()[FIRST_DATA_LINE:]
    return [(float(a), float(b)) for a, b in (line.split() for line in lines if line.strip())]


def read_certified(name: str, line_start: str) -> list[float]:
    """Numbers of the first line that begins so, among the certified values."""
    for line in (FILES / f"{name}.dat").read_text("ascii").splitlines()[:FIRST_DATA_LINE]:
        if line.strip().startswith(line_start):
            return [float(word) for word in line[len(line_start) :].split() if _is_number(word)]
    raise LookupError(f"{name}: no line {line_start!r}")


def count_right_digits(found: float, certified: float) -> float:
    """Log relative error, as the makers of the datasets score a program: digits that are right."""
    error = abs(found - certified) / abs(certified)
    return 15.0 if error == 0.0 else min(15.0, -math.log10(error))


def _is_number(word: str) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True
