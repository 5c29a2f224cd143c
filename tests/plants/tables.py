"""The tables beside this package, read once."""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

FOLDER = Path(__file__).parent / "tables"


def _rows(name: Any) -> Any:
    text = (FOLDER / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in text if not line.startswith("#")))


@cache
def load_shape(curve_id: Any) -> Any:
    """Frequencies in Hz and levels in dB of one tabulated shape."""
    rows = [row for row in _rows("shapes.csv") if row["curve_id"] == curve_id]
    points = np.array([(float(row["freq_hz"]), float(row["value_db"])) for row in rows])
    return points[:, 0], points[:, 1]


@cache
def load_parameters() -> Any:
    """(part, parameter) -> (low, typical, high)."""
    return {
        (row["part"], row["parameter"]): tuple(float(row[k]) for k in ("low", "typical", "high"))
        for row in _rows("parameters.csv")
    }


def typical(part: Any, parameter: Any) -> Any:
    return load_parameters()[part, parameter][1]
