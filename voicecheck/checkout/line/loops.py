"""
The nine test loops of ITU-T V.56bis, each as a chain of cable, loading coils and bridged taps.

The printed table tells loss, delay and impedance, not what a loop is made of: the parts in
`test_loops.csv` were found to fit it, in whole kilofeet and with nearly the constants of cable that
`line_loss.csv` has. At the printed frequencies seven loops come out within 0.2 dB, 15 ohm and 1
degree but for single cells; the two loaded ones do up to 2.5 kHz. Above, rows of the loaded loops
agree when their frequency is taken up to 25 Hz beside the printed one: the unloaded loops show
steps in the same rows, where they weigh little.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

from voicecheck.checkout.limits import load_rows
from voicecheck.checkout.line.twoports import (
    TwoPort,
    chain_all,
    make_cable,
    make_series,
    make_shunt,
    make_tap,
)
from voicecheck.errors import InputError

TABLE = "test_loops.csv"


def list_loops() -> tuple[str, ...]:
    """Names of the loops, in the table's order."""
    return tuple(dict.fromkeys(row["loop"] for row in load_rows(TABLE)))


def load_loop(name: str, frequency_hz: ArrayLike) -> TwoPort:
    """
    One of the test loops, from the set to the exchange.

    Parameters
    ----------
    name : str
        As in `list_loops`, upper or lower case.
    frequency_hz : array_like, shape (n,)
        Above 0; the loops are known from 200 to 4000 Hz.

    Returns
    -------
    TwoPort

    Raises
    ------
    InputError
        There is no such loop; the message lists those there are.
    """
    asked = name.strip().casefold()
    rows = [row for row in load_rows(TABLE) if row["loop"].casefold() == asked]
    if not rows:
        raise InputError(f"No test loop is called '{name}'; known are {', '.join(list_loops())}.")
    return chain_all([_make_part(row, frequency_hz) for row in rows])


def _make_part(row: Mapping[str, str], frequency_hz: ArrayLike) -> TwoPort:
    """One row of the table: cable and tap by their constants per km, other parts by the piece."""
    ohm, mh, nf = (float(row[key]) for key in ("ohm", "mh", "nf"))
    omega = 2.0 * np.pi * np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    if row["kind"] == "series":
        return make_series(ohm + 1j * omega * mh * 1e-3)
    if row["kind"] == "shunt":
        return make_shunt(1j * omega * nf * 1e-9)
    cable = make_cable(
        frequency_hz,
        length_km=float(row["length_km"]),
        ohm_per_km=ohm,
        mh_per_km=mh,
        nf_per_km=nf,
    )
    return make_tap(cable) if row["kind"] == "tap" else cable
