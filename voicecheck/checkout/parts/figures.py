"""Impedance along the band -> the figures of a condenser, a bell circuit, a set, a receiver."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicecheck.checkout.line.impedances import Impedance as LineImpedance
from voicecheck.checkout.line.impedances import compute_return_loss_db
from voicecheck.checkout.parts.lockin import Complex
from voicecheck.checkout.parts.terminals import Impedance, spread
from voicecheck.records.arrays import Array
from voicecheck.records.parts import PartFigure, PartRow

Figure = Callable[[Complex], Array]
MOST_MOVED = 0.1
"""A figure that an input nobody measured moves by more than a tenth is withheld."""
LOSS_HZ = 1000.0
VOICE_HZ = (300.0, 3400.0)


def state(
    z: Impedance, figures: Mapping[str, Figure]
) -> tuple[dict[str, PartFigure], dict[str, tuple[PartRow, ...]], list[str]]:
    """
    Figures with their uncertainties, and which of them are withheld.

    Parameters
    ----------
    z : Impedance
    figures : mapping of str to callable
        Name -> impedances to the figure.

    Returns
    -------
    figures : dict of str to PartFigure
    budget : dict of str to tuple of PartRow
    withheld : list of str
        Names of figures that the second input's own impedance may have moved by over a tenth.
    """
    found, budget, withheld = {}, {}, []
    for name, figure in figures.items():
        value = float(figure(z.ohm))
        rows = {row: float(width) for row, width in spread(z, figure).items()}
        total = float(np.sqrt(sum(width**2 for width in rows.values())))
        if not np.isfinite(value) or not np.isfinite(total):
            found[name] = PartFigure(value=None)
        elif rows.get("input", 0.0) > MOST_MOVED * abs(value):
            found[name] = PartFigure(value=None)
            withheld.append(name)
        else:
            found[name] = PartFigure(value=value, uncertainty=total)
            budget[name] = tuple(PartRow(name=row, half_width=width) for row, width in rows.items())
    return found, budget, withheld


def list_capacitor(z: Impedance) -> dict[str, Figure]:
    """Value and loss of a condenser; what is in series with it is told apart by its frequency."""
    weight = 1.0 / np.maximum(z.half_width_ohm, 1e-9)
    turn = 2.0 * np.pi * z.frequency_hz

    def fit(ohm: Complex) -> tuple[float, float, float]:
        elastance = np.sum(weight**2 * -ohm.imag / turn) / np.sum(weight**2 / turn**2)
        basis = np.stack([weight, weight / turn], axis=1)
        series, lossy = np.linalg.lstsq(basis, weight * ohm.real, rcond=None)[0]
        return float(elastance), float(series), float(lossy)

    def loss(ohm: Complex) -> Array:
        elastance, series, lossy = fit(ohm)
        return np.asarray((2.0 * np.pi * LOSS_HZ * series + lossy) / elastance)

    return {
        "capacitance_uf": lambda ohm: np.asarray(1e6 / fit(ohm)[0]),
        "loss_tangent": loss,
        "series_resistance_ohm": lambda ohm: np.asarray(fit(ohm)[1]),
    }


def list_bell(z: Impedance) -> dict[str, Figure]:
    """Coil and condenser of a bell circuit: L, R, C from the whole curve, where it is resonant."""
    weight = 1.0 / np.maximum(z.half_width_ohm, 1e-9)
    turn = 2.0 * np.pi * z.frequency_hz

    def fit(ohm: Complex) -> tuple[float, float, float]:
        basis = np.stack([weight * turn, -weight / turn], axis=1)
        henry, elastance = np.linalg.lstsq(basis, weight * ohm.imag, rcond=None)[0]
        real = np.stack([weight, weight * turn], axis=1)
        resistance = np.linalg.lstsq(real, weight * ohm.real, rcond=None)[0][0]
        return float(henry), float(elastance), float(resistance)

    def resonate(ohm: Complex) -> Array:
        return np.asarray(find_zero_hz(z.frequency_hz, ohm.imag))

    def rate_quality(ohm: Complex) -> Array:
        at_hz = float(resonate(ohm))
        if not np.isfinite(at_hz):
            return np.asarray(np.nan)
        lost_ohm = read_at(z.frequency_hz, ohm, at_hz).real
        return np.asarray(2.0 * np.pi * at_hz * fit(ohm)[0] / lost_ohm)

    return {
        "resonance_hz": resonate,
        "quality": rate_quality,
        "resistance_ohm": lambda ohm: np.asarray(fit(ohm)[2]),
        "inductance_h": lambda ohm: np.asarray(fit(ohm)[0]),
        "capacitance_uf": lambda ohm: np.asarray(1e6 / fit(ohm)[1]),
        "impedance_20hz_ohm": lambda ohm: np.asarray(abs(read_at(z.frequency_hz, ohm, 20.0))),
    }


def find_zero_hz(frequency_hz: Array, reactance_ohm: NDArray[np.floating[Any]]) -> float:
    """Where a reactance turns from that of a condenser to that of a coil; NaN where nowhere."""
    rising = np.flatnonzero((reactance_ohm[:-1] < 0.0) & (reactance_ohm[1:] >= 0.0))
    if len(rising) == 0:
        return float("nan")
    at = int(rising[0])
    below, above = reactance_ohm[at], reactance_ohm[at + 1]
    # A coil and a condenser through both points: X = a f - b / f.
    low_hz, high_hz = float(frequency_hz[at]), float(frequency_hz[at + 1])
    rise = (above * high_hz - below * low_hz) / (high_hz**2 - low_hz**2)
    fall = rise * low_hz**2 - below * low_hz
    return float(np.sqrt(max(fall / rise, 0.0)))


def read_at(frequency_hz: Array, ohm: Complex, at_hz: float) -> complex:
    """
    An impedance between tones: a cubic through the nearest four, over the logarithm of frequency.

    Examples
    --------
    >>> hz = np.array([800.0, 900.0, 1000.0, 1100.0])
    >>> read_at(hz, 2j * hz + 3.0, 950.0).real
    3.0
    """
    place = np.log(frequency_hz)
    near = np.sort(np.argsort(np.abs(place - np.log(at_hz)))[:4])
    wanted, value = np.log(at_hz), 0j
    for one in near:
        others = near[near != one]
        weight = np.prod((wanted - place[others]) / (place[one] - place[others]))
        value += complex(ohm[one]) * float(weight)
    return value


def list_set(z: Impedance, line: LineImpedance) -> dict[str, Figure]:
    """A set off hook: size and angle at 1 kHz, and how well it ends a line."""
    inside = (z.frequency_hz >= VOICE_HZ[0]) & (z.frequency_hz <= VOICE_HZ[1])

    def rate(ohm: Complex) -> Array:
        return compute_return_loss_db(ohm, line.compute_ohm(z.frequency_hz))

    def at_1khz(ohm: Complex) -> complex:
        return read_at(z.frequency_hz, ohm, 1000.0)

    def return_loss(ohm: Complex) -> Array:
        losses_db = rate(ohm)[inside]
        return np.asarray(-10.0 * np.log10(np.mean(10.0 ** (-losses_db / 10.0))))

    return {
        "impedance_1khz_ohm": lambda ohm: np.asarray(abs(at_1khz(ohm))),
        "angle_1khz_deg": lambda ohm: np.asarray(np.degrees(np.angle(at_1khz(ohm)))),
        "return_loss_db": return_loss,
        "worst_return_loss_db": lambda ohm: np.asarray(np.min(rate(ohm)[inside])),
    }


def list_receiver(z: Impedance, *, is_damped: bool) -> dict[str, Figure]:
    """
    A receiver: its electrical side, and the loop that a diaphragm which is free to move adds.

    Parameters
    ----------
    z : Impedance
        With `is_damped` the diaphragm free, then the same tones with it held.
    is_damped : bool
    """
    n = len(z.frequency_hz) // (2 if is_damped else 1)
    tones_hz = z.frequency_hz[:n]
    figures: dict[str, Figure] = {
        "impedance_1khz_ohm": lambda ohm: np.asarray(abs(read_at(tones_hz, ohm[:n], 1000.0)))
    }
    if not is_damped:
        return figures

    def loop(ohm: Complex) -> tuple[float, float, float]:
        return fit_loop(tones_hz, ohm[:n] - ohm[n:])

    def share(ohm: Complex) -> Array:
        size, at_hz, _ = loop(ohm)
        return np.asarray(100.0 * size / abs(read_at(tones_hz, ohm[n:], at_hz)))

    figures["motional_ohm"] = lambda ohm: np.asarray(loop(ohm)[0])
    figures["motional_percent"] = share
    figures["resonance_hz"] = lambda ohm: np.asarray(loop(ohm)[1])
    figures["quality"] = lambda ohm: np.asarray(loop(ohm)[2])
    return figures


def fit_loop(frequency_hz: Array, ohm: Complex) -> tuple[float, float, float]:
    """
    Size, frequency and quality of a resonance that is a circle: R / (1 + j Q (f / f0 - f0 / f)).

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
    ohm : ndarray of complex, shape (n,)
        Where it passes half its height it counts.

    Returns
    -------
    size_ohm, resonance_hz, quality : float
        NaN where there is no resonance.

    Notes
    -----
    Its reciprocal is (1 / R) + j (a f - b / f), linear in all that is sought.

    Examples
    --------
    >>> hz = np.linspace(500.0, 2000.0, 31)
    >>> loop = 60.0 / (1.0 + 5.0j * (hz / 1150.0 - 1150.0 / hz))
    >>> [round(one, 6) for one in fit_loop(hz, loop)]
    [60.0, 1150.0, 5.0]
    """
    size = np.abs(ohm)
    near = size > 0.5 * np.max(size)
    hz, weight = frequency_hz[near], size[near] ** 2
    siemens = 1.0 / ohm[near]
    if len(hz) < 3:
        return float("nan"), float("nan"), float("nan")
    real = float(np.sum(weight * siemens.real) / np.sum(weight))
    basis = np.stack([weight * hz, -weight / hz], axis=1)
    rise, fall = np.linalg.lstsq(basis, weight * siemens.imag, rcond=None)[0]
    if real <= 0.0 or rise * fall <= 0.0:
        return float("nan"), float("nan"), float("nan")
    return 1.0 / real, float(np.sqrt(fall / rise)), float(np.sqrt(rise * fall) / real)
