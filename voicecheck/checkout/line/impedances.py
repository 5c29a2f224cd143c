"""Impedances that a set meets on the lines of several countries, and how well two of them agree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from voicecheck.checkout.limits import load_rows
from voicecheck.checkout.line.twoports import Spectrum
from voicecheck.errors import InputError
from voicecheck.records.arrays import Array

TABLE = "line_impedances.csv"


@dataclass(frozen=True, slots=True, kw_only=True)
class Impedance:
    """
    Resistance in series with a resistance beside a capacitor.

    Parameters
    ----------
    series_ohm : float
        0 or more.
    parallel_ohm, parallel_nf : float
        Both 0: the resistance alone.
    """

    series_ohm: float
    parallel_ohm: float = 0.0
    parallel_nf: float = 0.0

    def compute_ohm(self, frequency_hz: ArrayLike) -> Spectrum:
        """Complex ohm, shape (n,)."""
        omega = 2.0 * np.pi * np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
        turn = 1j * omega * self.parallel_ohm * self.parallel_nf * 1e-9
        return np.asarray(self.series_ohm + self.parallel_ohm / (1.0 + turn))


def list_impedances() -> tuple[str, ...]:
    """Names of `line_impedances.csv`, in its order."""
    return tuple(row["name"] for row in load_rows(TABLE))


def load_impedance(name: str) -> Impedance:
    """
    Impedance by its name in `line_impedances.csv`.

    Parameters
    ----------
    name : str
        Upper or lower case.

    Returns
    -------
    Impedance

    Raises
    ------
    InputError
        The table has no such name; the message lists those it has.

    Examples
    --------
    >>> load_impedance("Europe")
    Impedance(series_ohm=270.0, parallel_ohm=750.0, parallel_nf=150.0)
    """
    for row in load_rows(TABLE):
        if row["name"].casefold() == name.strip().casefold():
            return Impedance(
                series_ohm=float(row["series_ohm"]),
                parallel_ohm=float(row["parallel_ohm"]),
                parallel_nf=float(row["parallel_nf"]),
            )
    raise InputError(
        f"No line impedance is called '{name}'; known are {', '.join(list_impedances())}."
    )


def compute_return_loss_db(found_ohm: ArrayLike, expected_ohm: ArrayLike) -> Array:
    """
    How well one impedance agrees with another: more is better, a perfect fit is infinite.

    Parameters
    ----------
    found_ohm, expected_ohm : array_like, shape (n,)
        Complex.

    Returns
    -------
    ndarray, shape (n,)
        20 lg |(Z1 + Z2) / (Z1 - Z2)| in dB; either may be called the expected one.
    """
    found = np.asarray(found_ohm, dtype=np.complex128)
    expected = np.asarray(expected_ohm, dtype=np.complex128)
    with np.errstate(divide="ignore"):
        return np.asarray(-20.0 * np.log10(np.abs((found - expected) / (found + expected))))
