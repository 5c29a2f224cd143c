"""
Weights of standards: psophometric, C-message, fractional-octave bands, loudness ratings.

The tables are `voicecheck/data/standards/*.csv`; every row there carries its provenance.
"""

from __future__ import annotations

import csv
import math
from functools import lru_cache
from importlib.resources import files

import numpy as np
from numpy.typing import ArrayLike

from voicecheck.errors import InputError
from voicecheck.records.arrays import Array

OCTAVE_RATIO = 10.0**0.3
"""Base-ten octave ratio G of IEC 61260-1 (formula CALC, clause MEM)."""
SLOPE_SLR_RLR, SLOPE_STMR = 0.175, 0.225
_FLOOR_DB = -120.0


def make_band_frequencies(
    bands_per_octave: int, lowest_hz: float = 200.0, highest_hz: float = 4000.0
) -> Array:
    """
    Exact midband frequencies of IEC 61260-1, base ten, within two limits.

    Parameters
    ----------
    bands_per_octave : int
        b; for odd b a midband lies on 1000 Hz, for even b half a step beside it.
    lowest_hz, highest_hz : float

    Returns
    -------
    ndarray, shape (n_bands,)
        Hz, rising.

    Notes
    -----
    Source: IEC 61260-1:2014, f = 1000 G^(x/b) (b odd), 1000 G^((2x+1)/(2b)) (b even), G = 10^0.3
    (`iec_61260_bands.csv`, CALC; formulas MEM).

    Examples
    --------
    >>> make_band_frequencies(3, 900, 1100)
    array([1000.])
    >>> len(make_band_frequencies(12))
    52
    """
    shift = 0.0 if bands_per_octave % 2 else 0.5
    step = math.log10(OCTAVE_RATIO) / bands_per_octave
    first = math.ceil(math.log10(lowest_hz / 1000.0) / step - shift - 1e-9)
    last = math.floor(math.log10(highest_hz / 1000.0) / step - shift + 1e-9)
    return np.asarray(1000.0 * 10.0 ** (step * (np.arange(first, last + 1) + shift)))


@lru_cache(maxsize=8)
def load_table(name: str) -> tuple[dict[str, str], ...]:
    """
    Rows of a shipped table, its comment lines passed over.

    Parameters
    ----------
    name : str
        File below `voicecheck/data/standards`, without `.csv`.

    Returns
    -------
    tuple of dict
    """
    text = (files("voicecheck") / "data" / "standards" / f"{name}.csv").read_text("utf-8")
    return tuple(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))


def weigh_psophometric_db(frequency_hz: ArrayLike) -> Array:
    """
    Psophometer weight, 800 Hz = 0 dB.

    Parameters
    ----------
    frequency_hz : array_like, shape (n,)

    Returns
    -------
    ndarray, shape (n,)
        dB; straight lines on log-frequency between the published rows, steep outside.

    Notes
    -----
    Source: ITU-T O.41 (1994) Table 1, PUB rows only.

    Examples
    --------
    >>> float(weigh_psophometric_db([1000.0])[0])
    1.0
    """
    return _interpolate_weight("itu_t_o41_psophometric", frequency_hz)


def weigh_c_message_db(frequency_hz: ArrayLike) -> Array:
    """
    C-message weight, 1000 Hz = 0 dB.

    Parameters
    ----------
    frequency_hz : array_like, shape (n,)

    Returns
    -------
    ndarray, shape (n,)
        dB; straight lines on log-frequency between the published rows, steep outside. The
        5000 Hz row is printed as an upper bound and used as a value.

    Notes
    -----
    Source: IEEE 743-1995 (PUB rows).

    Examples
    --------
    >>> float(weigh_c_message_db([500.0])[0])
    -7.7
    """
    return _interpolate_weight("c_message_weighting", frequency_hz)


def _interpolate_weight(table: str, frequency_hz: ArrayLike) -> Array:
    rows = [row for row in load_table(table) if row["provenance"] == "PUB"]
    known_hz = np.array([float(row["frequency_hz"]) for row in rows])
    known_db = np.array([float(row["weight_db"]) for row in rows])
    wanted = np.log(np.maximum(np.asarray(frequency_hz, dtype=float), 1e-3))
    known = np.log(known_hz)
    weight = np.interp(wanted, known, known_db)
    # Outside the table the slope of its last stretch goes on, down to a floor.
    low = (known_db[1] - known_db[0]) / (known[1] - known[0])
    high = (known_db[-1] - known_db[-2]) / (known[-1] - known[-2])
    weight = np.where(wanted < known[0], known_db[0] + low * (wanted - known[0]), weight)
    weight = np.where(wanted > known[-1], known_db[-1] + high * (wanted - known[-1]), weight)
    return np.asarray(np.maximum(weight, _FLOOR_DB))


def rate_loudness(
    sensitivity_db: ArrayLike, weight_db: ArrayLike, *, slope: float = SLOPE_SLR_RLR
) -> float:
    """
    Loudness rating of one path.

    Parameters
    ----------
    sensitivity_db : array_like, shape (n_bands,)
        Transmit in dB V/Pa, receive in dB Pa/V.
    weight_db : array_like, shape (n_bands,)
        Weights in dB, same path and bands.
    slope : float
        No unit; 0.175 for SLR and RLR, 0.225 for STMR.

    Returns
    -------
    rating_db : float
        Larger is quieter.

    Raises
    ------
    InputError
        Shapes differ, or a value is not finite.

    Notes
    -----
    Source: ITU-T P.79 formula as quoted in S05 (PUB-2ND).

    Examples
    --------
    >>> quiet, loud = rate_loudness([-18], [40]), rate_loudness([-8], [40])
    >>> round(loud - quiet, 6)
    -10.0
    """
    sensitivity = np.asarray(sensitivity_db, dtype=float)
    weight = np.asarray(weight_db, dtype=float)
    if sensitivity.shape != weight.shape or not np.all(np.isfinite(sensitivity + weight)):
        message = "loudness rating: need one finite sensitivity and one weight for each band"
        raise InputError(message)
    total = float(np.sum(10.0 ** (0.1 * slope * (sensitivity - weight))))
    return -10.0 / slope * math.log10(total)


def rate_transmit(sensitivity_db: ArrayLike) -> float:
    """
    SLR over the bands 4-17 (200-4000 Hz).

    Parameters
    ----------
    sensitivity_db : array_like, shape (14,)
        dB V/Pa at the third-octave bands 200 to 4000 Hz.

    Returns
    -------
    float
        dB; larger is quieter.

    Notes
    -----
    Source: ITU-T P.79; weights MEM until a printed table has been seen.
    """
    return rate_loudness(sensitivity_db, _p79_column("w_send_4_17"))


def rate_receive(sensitivity_db: ArrayLike, *, sealed: bool = True) -> float:
    """
    RLR over the bands 4-17 (200-4000 Hz).

    Parameters
    ----------
    sensitivity_db : array_like, shape (14,)
        dB Pa/V at the third-octave bands 200 to 4000 Hz.
    sealed : bool
        A sealed coupler: the loss from it to a real ear is taken off.

    Returns
    -------
    float
        dB; larger is quieter.

    Notes
    -----
    Source: ITU-T P.79; weights and ear loss MEM until a printed table has been seen.
    """
    loss_db = _p79_column("l_e_db", "w_send_4_17") if sealed else 0.0
    return rate_loudness(np.asarray(sensitivity_db) - loss_db, _p79_column("w_receive_4_17"))


def rate_sidetone(sensitivity_db: ArrayLike, *, sealed: bool = True) -> float:
    """
    STMR over all 20 bands (100-8000 Hz).

    Parameters
    ----------
    sensitivity_db : array_like, shape (20,)
        dB Pa/Pa from mouth to ear at the third-octave bands 100 to 8000 Hz.
    sealed : bool
        As for `rate_receive`.

    Returns
    -------
    float
        dB; larger is quieter.

    Notes
    -----
    Source: ITU-T P.79; weights and ear loss MEM until a printed table has been seen.
    """
    loss_db = _p79_column("l_e_db") if sealed else 0.0
    sensitivity = np.asarray(sensitivity_db) - loss_db
    return rate_loudness(sensitivity, _p79_column("w_stmr"), slope=SLOPE_STMR)


def _p79_column(name: str, present: str | None = None) -> Array:
    """Column of the P.79 table, over the rows where `present` has a value."""
    rows = [row for row in load_table("itu_t_p79_weights") if row[present or name]]
    return np.array([float(row[name]) for row in rows])
