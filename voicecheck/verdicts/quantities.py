"""Values of quantities over the recordings of a run, on the scale they are judged on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.records import Measurement, Run
from voicecheck.records.arrays import Array
from voicecheck.records.quantities import Quantity
from voicecheck.verdicts.readings import READERS


def to_scale(quantity: Quantity, value: float | None) -> float:
    """Value on the scale it is judged on (dB for "log"); NaN where there is none."""
    if value is None or not math.isfinite(value):
        return math.nan
    if quantity.scale == "log":
        return 20.0 * math.log10(value) if value > 0.0 else math.nan
    return value


def from_scale(quantity: Quantity, value: float) -> float:
    """Back from the scale it is judged on to the unit it is shown in."""
    return float(10.0 ** (value / 20.0)) if quantity.scale == "log" else value


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """
    One quantity over the seats of a run, on the scale it is judged on.

    `sd` is NaN with a single seat.
    """

    mean: float
    sd: float
    n: int


def read_seats(run: Run, quantity: Quantity) -> Array:
    """
    A quantity in each recording of a run that has a response.

    Returns
    -------
    ndarray, shape (n_seats,)
        On the scale the quantity is judged on; NaN where a recording does not have it.
    """
    source: Sequence[Measurement] = run.recordings or (run.pooled,)
    return np.array([to_scale(quantity, READERS[quantity.name](m)) for m in source if m.response])


def read_spread(run: Run, quantity: Quantity) -> Spread:
    """
    A quantity's mean and spread over the recordings of one run.

    Parameters
    ----------
    run : Run
    quantity : Quantity

    Returns
    -------
    Spread
        On the scale the quantity is judged on; n = 0 and NaN where no recording has it.
    """
    values = read_seats(run, quantity)
    values = values[np.isfinite(values)]
    if len(values) == 0:
        return Spread(mean=math.nan, sd=math.nan, n=0)
    pooled = to_scale(quantity, READERS[quantity.name](run.pooled))
    mean = pooled if math.isfinite(pooled) else float(np.mean(values))
    sd = float(np.std(values, ddof=1)) if len(values) > 1 else math.nan
    return Spread(mean=mean, sd=sd, n=len(values))
