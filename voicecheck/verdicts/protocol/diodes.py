"""
What a resistor and two diodes, one each way round, make of a tone.

The current through the pair is 2 Is sinh(v / n VT), what the tap loads with takes v / R_tap, and
both flow through the resistor: u = v + R (v / R_tap + 2 Is sinh(v / n VT)). For each v the drive u
is closed; the way back is found by Newton's method, and the harmonics are Fourier sums over one
period, exact for a wave of so few orders. Is comes from the meter's diode test at the same
temperature, so that its own course with temperature, which is steep, falls out.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np

from voicecheck.records.arrays import Array

BOLTZMANN_J_K, CHARGE_C = 1.380649e-23, 1.602176634e-19
"""Exact by the SI since 2019."""
KELVIN = 273.15
N_ANGLES, N_ROUNDS, CLOSE_V = 256, 60, 1e-13
HIGHEST_ORDER = 5
OFF = {
    "emission": 0.15,
    "celsius": 3.0,
    "forward_mv": 6.0,
    "test_ma_share": 0.2,
    "series_share": 0.01,
    "tap_share": 0.3,
    "drive_share": 0.03,
}
"""
Half-widths of 95 % intervals. Emission: models of such diodes in public (1.75 to 1.94), PUB-2ND;
forward voltage: a meter's last digit and two parts of one bag, the others PROP.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class DiodePair:
    """
    The circuit.

    Parameters
    ----------
    series_ohm, tap_ohm : float
    forward_mv, test_ma : float
        What a meter's diode test showed, and at which current.
    celsius : float
    emission : float
        Emission coefficient, no unit.
    """

    series_ohm: float
    forward_mv: float
    test_ma: float = 1.0
    celsius: float = 21.0
    tap_ohm: float = 47e3
    emission: float = 1.85

    @property
    def scale_v(self) -> float:
        """Emission coefficient times thermal voltage, V."""
        return self.emission * BOLTZMANN_J_K * (self.celsius + KELVIN) / CHARGE_C

    @property
    def saturation_a(self) -> float:
        """Saturation current of one diode, A."""
        return 1e-3 * self.test_ma / math.expm1(1e-3 * self.forward_mv / self.scale_v)


@dataclass(frozen=True, slots=True, kw_only=True)
class BentTone:
    """
    A tone behind the diodes, with the half-widths of 95 % intervals.

    `thd_percent` is of orders 2 to 5 re the fundamental at the loud level, `loss_db` how much less
    gain the fundamental has there than at the soft one.
    """

    thd_percent: float
    thd_uncertainty_percent: float
    loss_db: float
    loss_uncertainty_db: float


def compute_voltage(pair: DiodePair, drive_v: Array) -> Array:
    """
    Voltage across the diodes, shape (n,), V, for a drive of shape (n,), V.

    Notes
    -----
    Newton's method from the smaller of both ends that hold the answer: without diodes, and with
    all of the current through them. The function is monotonic and convex there.
    """
    load = 1.0 + pair.series_ohm / pair.tap_ohm
    size = np.abs(drive_v)
    steep_v = 2.0 * pair.saturation_a * pair.series_ohm
    voltage = np.minimum(size / load, pair.scale_v * np.arcsinh(size / steep_v))
    for _ in range(N_ROUNDS):
        bent = voltage / pair.scale_v
        excess = load * voltage + steep_v * np.sinh(bent) - size
        move = excess / (load + steep_v * np.cosh(bent) / pair.scale_v)
        voltage = voltage - move
        if np.max(np.abs(move), initial=0.0) < CLOSE_V:
            break
    return np.asarray(np.sign(drive_v) * voltage)


def compute_harmonics(pair: DiodePair, drive_v: float) -> Array:
    """Amplitude of orders 1 to 5 behind the diodes for a sine of that amplitude, V, shape (5,)."""
    angle = 2.0 * np.pi * (np.arange(N_ANGLES) + 0.5) / N_ANGLES
    wave = compute_voltage(pair, drive_v * np.sin(angle))
    orders = np.arange(1, HIGHEST_ORDER + 1)[:, None]
    return np.asarray(2.0 / N_ANGLES * np.abs(np.exp(-1j * orders * angle) @ wave))


def foresee_tone(
    pair: DiodePair, soft_v: float, loud_v: float, *, drive_off_share: float = 0.0
) -> BentTone:
    """
    THD and loss of gain behind the diodes, with what is not known of parts, temperature and drive.

    Parameters
    ----------
    pair : DiodePair
    soft_v, loud_v : float
        Amplitudes of two levels at 1 kHz, V.
    drive_off_share : float
        Half-width of the calibration's 95 % interval, as a share; beside `OFF`.

    Returns
    -------
    BentTone
        Each input is moved by its half-width either way, and half of what that makes is a row;
        the rows are added in quadrature (JCGM 100:2008, 5.1.3 and its note 2).
    """
    drive = math.hypot(OFF["drive_share"], drive_off_share)
    rows = [
        _read(pair, soft_v * (1.0 + drive), loud_v * (1.0 + drive))
        - _read(pair, soft_v * (1.0 - drive), loud_v * (1.0 - drive))
    ]
    half_widths = {
        "emission": OFF["emission"],
        "celsius": OFF["celsius"],
        "forward_mv": OFF["forward_mv"],
        "test_ma": OFF["test_ma_share"] * pair.test_ma,
        "series_ohm": OFF["series_share"] * pair.series_ohm,
        "tap_ohm": OFF["tap_share"] * pair.tap_ohm,
    }
    for name, half_width in half_widths.items():
        value = getattr(pair, name)
        low = dataclasses.replace(pair, **{name: value - half_width})
        high = dataclasses.replace(pair, **{name: value + half_width})
        rows.append(_read(high, soft_v, loud_v) - _read(low, soft_v, loud_v))
    thd, loss_db = _read(pair, soft_v, loud_v)
    off = 0.5 * np.sqrt(np.sum(np.square(rows), axis=0))
    return BentTone(
        thd_percent=float(thd),
        thd_uncertainty_percent=float(off[0]),
        loss_db=float(loss_db),
        loss_uncertainty_db=float(off[1]),
    )


def _read(pair: DiodePair, soft_v: float, loud_v: float) -> Array:
    """THD in percent at the loud level, and loss of gain in dB against the soft, shape (2,)."""
    soft, loud = compute_harmonics(pair, soft_v), compute_harmonics(pair, loud_v)
    thd = 100.0 * math.sqrt(float(np.sum(loud[1:] ** 2))) / loud[0]
    return np.array([thd, 20.0 * math.log10(soft[0] / soft_v * loud_v / loud[0])])
