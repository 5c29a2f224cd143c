"""
The trade's figures behind the simulated sets, read from the data folder.

`simulated_parameters.csv`, `simulated_curves.csv` and `line_loss.csv`: every row has its source
and provenance. MEM rows are from memory and PROP rows are proposals: fit for a simulation, never
for a limit that a customer is held against.
"""

from __future__ import annotations

import csv
from functools import cache
from importlib import resources
from typing import NamedTuple


class Range(NamedTuple):
    """A parameter's low, typical and high value, in the unit of its row."""

    low: float
    typical: float
    high: float


@cache
def load_rows(name: str) -> tuple[dict[str, str], ...]:
    """
    Rows of one table of the data folder.

    Parameters
    ----------
    name : str
        Path in the folder, as "line_loss.csv"; lines that start with "#" are left out.

    Returns
    -------
    tuple of dict
        Header to text.
    """
    path = resources.files("voicecheck").joinpath("data", *name.split("/"))
    lines = path.read_text(encoding="utf-8").splitlines()
    return tuple(csv.DictReader(line for line in lines if not line.startswith("#")))


@cache
def load_range(part: str, parameter: str) -> Range:
    """
    Range of one parameter of the simulated parts.

    Parameters
    ----------
    part, parameter : str
        As in `simulated_parameters.csv`.

    Returns
    -------
    Range

    Examples
    --------
    >>> load_range("carbon", "high_level_compression_plus10dB")
    Range(low=0.5, typical=2.0, high=4.0)
    """
    for row in load_rows("simulated_parameters.csv"):
        if (row["part"], row["parameter"]) == (part, parameter):
            return Range(float(row["low"]), float(row["typical"]), float(row["high"]))
    raise KeyError((part, parameter))
