"""
The DC feed, the loop, the set's network and the cable.

The transmitter stands in a loop: feed voltage and feed resistance on the direct-current side (a
choke keeps that current steady at voice frequencies), the 600 ohm load behind a capacitor on the
other. Choke and capacitor of the bench have their corner at 20 Hz, a decade below the voice
band, so that inside the loop they are ideal and the current follows each change of resistance at
once; the corner itself is applied to the line voltage.

Network figures (impedance seen by the transmitter, loss, balance) are proposals, no source: they
give a send level near that of a set on a short loop and a sidetone null of 6 to 20 dB
(`network,sidetone_null_depth`, MEM).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voicecheck.bench.simulated.grid import Spectrum
from voicecheck.bench.simulated.tables import load_rows
from voicecheck.records.arrays import Array

LOAD_OHM = 600.0
FEED_V = 24.0
LEAST_FEED_OHM = 200.0
CABLE_H_PER_KM = 0.62e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Feed:
    """
    Direct-current supply of the loop.

    Parameters
    ----------
    feed_v : float
        Open-circuit voltage.
    feed_ohm : float
        Resistance in series, with the choke's.
    """

    feed_v: float
    feed_ohm: float


def make_feed(feed_a: float, set_ohm: float) -> Feed:
    """
    Feed that drives a given current through a set of the normal resistance.

    Parameters
    ----------
    feed_a : float
        Amperes.
    set_ohm : float
        Direct-current resistance of the normal set.

    Returns
    -------
    Feed
        24 V (`feed_current` row of the jig table, PROP), more when that leaves too little
        resistance in series.
    """
    feed_v = max(FEED_V, feed_a * (set_ohm + LEAST_FEED_OHM))
    return Feed(feed_v=feed_v, feed_ohm=feed_v / feed_a - set_ohm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """
    The set's network between transmitter, receiver and line.

    Parameters
    ----------
    series_ohm : float
        Direct-current resistance beside the transmitter.
    seen_ohm : float
        Impedance that the transmitter's alternating current meets.
    transfer_ohm : float
        Line volts per ampere of that current: turns ratio, hybrid and equaliser loss together.
    receive_ratio, send_ratio, sidetone_ratio : float
        1.0 in a sound network.
    balance_ohm, balance_shunt_ohm, balance_nf : float
        Balance network: a resistance in series with a resistance beside a capacitor.
    """

    series_ohm: float = 90.0
    seen_ohm: float = 100.0
    transfer_ohm: float = 48.0
    receive_ratio: float = 1.0
    send_ratio: float = 1.0
    sidetone_ratio: float = 1.0
    balance_ohm: float = 270.0
    balance_shunt_ohm: float = 750.0
    balance_nf: float = 150.0

    def couple_sidetone(self, frequency_hz: Array, line_ohm: Spectrum) -> Spectrum:
        """
        Receiver-side volts per line volt of the set's own transmitter, shape (n,).

        The hybrid passes what the balance network fails to match:
        (balance - line) / (balance + line).
        """
        shunt_s = 1.0 / self.balance_shunt_ohm + 2j * np.pi * frequency_hz * self.balance_nf * 1e-9
        balance = self.balance_ohm + 1.0 / shunt_s
        return np.asarray(self.sidetone_ratio * (balance - line_ohm) / (balance + line_ohm))


@dataclass(frozen=True, slots=True, kw_only=True)
class Cable:
    """
    A length of unloaded pair.

    Parameters
    ----------
    length_km : float
    loop_ohm_per_km, nf_per_km : float
        As in `line_loss.csv`; inductance 0.62 mH/km.
    """

    length_km: float
    loop_ohm_per_km: float = 273.0
    nf_per_km: float = 51.6

    def compute_propagation(self, frequency_hz: Array) -> tuple[Spectrum, Spectrum]:
        """Propagation constant per km and characteristic impedance in ohm, each shape (n,)."""
        omega = 2.0 * np.pi * np.maximum(frequency_hz, 1e-3)
        series = self.loop_ohm_per_km + 1j * omega * CABLE_H_PER_KM
        shunt = 1j * omega * self.nf_per_km * 1e-9
        return np.sqrt(series * shunt), np.sqrt(series / shunt)

    def compute_insertion(self, frequency_hz: Array) -> Spectrum:
        """Volts at 600 ohm with the cable in between re without, source 600 ohm, shape (n,)."""
        constant, impedance = self.compute_propagation(frequency_hz)
        turn = constant * self.length_km
        cosine, sine = np.cosh(turn), np.sinh(turn)
        through = impedance * sine / LOAD_OHM + LOAD_OHM * sine / impedance
        return np.asarray(2.0 / (2.0 * cosine + through))

    def compute_input_ohm(self, frequency_hz: Array, load_ohm: float = LOAD_OHM) -> Spectrum:
        """Impedance of the cable with a load at its far end, shape (n,)."""
        constant, impedance = self.compute_propagation(frequency_hz)
        tangent = np.tanh(constant * self.length_km)
        return np.asarray(
            impedance * (load_ohm + impedance * tangent) / (impedance + load_ohm * tangent)
        )


def load_cable(name_part: str, length_km: float) -> Cable:
    """
    Cable of a gauge in `line_loss.csv`.

    Parameters
    ----------
    name_part : str
        Part of the table's name, as "0.4 mm".
    length_km : float

    Returns
    -------
    Cable
    """
    row = next(row for row in load_rows("line_loss.csv") if name_part in row["cable"])
    return Cable(
        length_km=length_km,
        loop_ohm_per_km=float(row["loop_ohm_per_km"]),
        nf_per_km=float(row["nF_per_km"]),
    )
