"""
Lines as two-ports: what stands between two pairs of terminals, as a chain of parts.

A part is its chain matrix at each frequency: volts and amperes at the near end from those at the
far end, V1 = A V2 + B I2 and I1 = C V2 + D I2; parts in a row multiply. The set is at the near end,
the exchange at the far one. Uniform cable is solved exactly (telegrapher's equations), with
resistance, inductance and capacitance that do not change with frequency and no leakance: good to
4 kHz for pairs of up to 0.9 mm, where the skin effect is small.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce

import numpy as np
from numpy.typing import ArrayLike, NDArray

from voicecheck.records.arrays import Array

Spectrum = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TwoPort:
    """
    Chain matrix at each frequency.

    Parameters
    ----------
    a, d : ndarray, shape (n,)
        Complex, without a unit.
    b : ndarray, shape (n,)
        Complex, ohm.
    c : ndarray, shape (n,)
        Complex, siemens.
    """

    a: Spectrum
    b: Spectrum
    c: Spectrum
    d: Spectrum

    def chain(self, far: TwoPort) -> TwoPort:
        """Make one of this and of what follows it on the way to the exchange."""
        return TwoPort(
            a=self.a * far.a + self.b * far.c,
            b=self.a * far.b + self.b * far.d,
            c=self.c * far.a + self.d * far.c,
            d=self.c * far.b + self.d * far.d,
        )

    def compute_near_ohm(self, far_ohm: ArrayLike) -> Spectrum:
        """Impedance that the set meets, shape (n,), `far_ohm` at the exchange's end."""
        far = np.asarray(far_ohm, dtype=np.complex128)
        return np.asarray((self.a * far + self.b) / (self.c * far + self.d))

    def compute_far_ohm(self, near_ohm: ArrayLike) -> Spectrum:
        """Impedance that the exchange meets, shape (n,), `near_ohm` at the set's end."""
        near = np.asarray(near_ohm, dtype=np.complex128)
        return np.asarray((self.d * near + self.b) / (self.c * near + self.a))

    def compute_transfer(self, near_ohm: ArrayLike, far_ohm: ArrayLike) -> Spectrum:
        """
        Volts at the far end with the line in between over those without, shape (n,).

        The source's own impedance is `near_ohm`, the load `far_ohm`; it is the same in both
        directions (reciprocity).
        """
        near = np.asarray(near_ohm, dtype=np.complex128)
        far = np.asarray(far_ohm, dtype=np.complex128)
        through = self.a * far + self.b + near * (self.c * far + self.d)
        return np.asarray((near + far) / through)

    def compute_loss_db(self, near_ohm: ArrayLike, far_ohm: ArrayLike) -> Array:
        """Insertion loss in dB between two impedances, shape (n,)."""
        return np.asarray(-20.0 * np.log10(np.abs(self.compute_transfer(near_ohm, far_ohm))))


def make_series(ohm: ArrayLike) -> TwoPort:
    """Impedance in the line, shape (n,): a loading coil, a resistor, the windings of a bridge."""
    b = np.atleast_1d(np.asarray(ohm, dtype=np.complex128))
    return TwoPort(a=np.ones_like(b), b=b, c=np.zeros_like(b), d=np.ones_like(b))


def make_shunt(siemens: ArrayLike) -> TwoPort:
    """Admittance across the line, shape (n,): a capacitor, a second set, a bridged tap."""
    c = np.atleast_1d(np.asarray(siemens, dtype=np.complex128))
    return TwoPort(a=np.ones_like(c), b=np.zeros_like(c), c=c, d=np.ones_like(c))


def make_cable(
    frequency_hz: ArrayLike,
    *,
    length_km: float,
    ohm_per_km: float,
    mh_per_km: float,
    nf_per_km: float,
) -> TwoPort:
    """
    Length of uniform pair.

    Parameters
    ----------
    frequency_hz : array_like, shape (n,)
        Above 0.
    length_km : float
        Above 0.
    ohm_per_km, mh_per_km, nf_per_km : float
        Both wires together (loop), as in `line_loss.csv`.

    Returns
    -------
    TwoPort

    Examples
    --------
    >>> import numpy as np
    >>> pair = dict(ohm_per_km=273.0, mh_per_km=0.62, nf_per_km=51.6)
    >>> line = make_cable([1000.0], length_km=3.6576, **pair)
    >>> float(np.round(line.compute_loss_db(600.0, 600.0)[0], 1))
    6.1
    """
    omega = 2.0 * np.pi * np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    series = ohm_per_km + 1j * omega * mh_per_km * 1e-3
    shunt = 1j * omega * nf_per_km * 1e-9
    turn = np.sqrt(series * shunt) * length_km
    impedance: Spectrum = np.asarray(np.sqrt(series / shunt), dtype=np.complex128)
    return TwoPort(
        a=np.cosh(turn),
        b=impedance * np.sinh(turn),
        c=np.sinh(turn) / impedance,
        d=np.cosh(turn),
    )


def make_tap(cable: TwoPort) -> TwoPort:
    """Branch of cable across the line, its other end left open (a bridged tap)."""
    return make_shunt(cable.c / cable.a)


def chain_all(parts: list[TwoPort]) -> TwoPort:
    """Parts in a row, from the set to the exchange; at least one."""
    return reduce(TwoPort.chain, parts)
