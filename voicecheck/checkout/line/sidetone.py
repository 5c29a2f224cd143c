"""
One's own voice in the receiver when a set that was measured on one impedance works on another.

Any linear set with one balance hears its own voice in the proportion

    h(Z) = (Zb - Z) / (Zs + Z)

where Z is the line's impedance, Zb the one that the balance imitates and Zs the set's own: nothing
else depends on the line. (Four-terminal algebra: a current is a quotient of two linear functions of
Z; h is 0 at Z = Zb and its denominator that of the line current. `test_line_sidetone.py` holds it
against a transformer bridge solved by Kirchhoff's laws.) So the change of level from the bench's
impedance to the line's is known without knowing the set's elements; the balance and the set's own
impedance are not known well, and that is what the interval is made of:

- the parts of the balance are 10 % off, old ones (PROP);
- the set's own impedance is that of its balance, times 0.5 to 2 (PROP);
- what leaks past the bridge (windings, handset) is 20 to 30 dB below an open bridge (PROP).

Where the balance is not known, each of `line_impedances.csv` is taken in turn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from voicecheck.checkout.line.impedances import (
    Impedance,
    compute_return_loss_db,
    list_impedances,
    load_impedance,
)
from voicecheck.checkout.line.loops import load_loop
from voicecheck.checkout.line.twoports import Spectrum
from voicecheck.errors import InputError
from voicecheck.records.arrays import Array, freeze_arrays
from voicecheck.units import LINE_IMPEDANCE_OHM, db_from_ratio
from voicecheck.weighting import make_band_frequencies

BENCH = Impedance(series_ohm=LINE_IMPEDANCE_OHM)
VOICE_HZ = (300.0, 3400.0)
PART_SHARE = 0.1
OWN_FACTOR = 2.0
LEAK_DB = (-30.0, -20.0)
N_DRAWS = 400
MOST_DB = 40.0
"""Beyond this return loss two impedances are the same."""
LEAST_BANDS = 5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SidetoneOnLine:
    """
    Change of one's own voice from the measured impedance to a line's.

    Parameters
    ----------
    change_db : float
        Voice band, third-octave bands of equal weight (common practice, no source) or those of the
        measured curve; above 0 is louder on the line.
    low_db, high_db : float
        Between these 95 of 100 draws of what is not known.
    return_loss_before_db, return_loss_on_line_db : float or None
        Of the measured impedance and of the line against the balance, power mean of the reflection
        over the voice band, at most 40 dB; `None` where the balance is not known.
    rests_on : str
        "curve": weighed by a measured sidetone curve; "model": by the model alone.
    frequency_hz, band_change_db : ndarray, shape (n_bands,)
        Change in each band, middle of the draws.
    """

    change_db: float
    low_db: float
    high_db: float
    return_loss_before_db: float | None
    return_loss_on_line_db: float | None
    rests_on: Literal["curve", "model"]
    frequency_hz: Array
    band_change_db: Array

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        freeze_arrays(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopLoss:
    """Insertion loss of a loop in dB: at 1000 Hz, and the mean over the voice band's bands."""

    at_1000_hz_db: float
    voice_band_db: float


def see_line_ohm(frequency_hz: ArrayLike, exchange: Impedance, loop: str = "") -> Spectrum:
    """Impedance at the set's terminals, shape (n,): the exchange's, through a test loop if any."""
    far_ohm = exchange.compute_ohm(frequency_hz)
    return load_loop(loop, frequency_hz).compute_near_ohm(far_ohm) if loop else far_ohm


def compute_loop_loss(loop: str, *, near: Impedance, exchange: Impedance) -> LoopLoss:
    """
    What a test loop takes from speech between a set and an exchange.

    Raises
    ------
    InputError
        There is no such loop.
    """
    hz = np.append(_list_bands(), 1000.0)
    line = load_loop(loop, hz)
    loss_db = line.compute_loss_db(near.compute_ohm(hz), exchange.compute_ohm(hz))
    return LoopLoss(at_1000_hz_db=float(loss_db[-1]), voice_band_db=float(np.mean(loss_db[:-1])))


def sidetone_on(
    exchange: Impedance,
    *,
    loop: str = "",
    measured_on: Impedance = BENCH,
    balance: Impedance | None = None,
    curve: tuple[ArrayLike, ArrayLike] | None = None,
) -> SidetoneOnLine:
    """
    How much louder or fainter one's own voice is on a line than where it was measured.

    Parameters
    ----------
    exchange : Impedance
        At the far end of the loop; at the set's terminals where there is no loop.
    loop : str
        A test loop of `list_loops`; "" for none.
    measured_on : Impedance
        What the set was measured on; the bench's 600 ohm.
    balance : Impedance or None
        The line that the set's balance was made for; `None` where it is not known.
    curve : tuple of two array_like, shape (n,), or None
        Frequency in Hz, rising, and the measured sidetone in dB, any reference; NaN where it was
        not measured.

    Returns
    -------
    SidetoneOnLine

    Raises
    ------
    InputError
        There is no such loop, or the curve has less than five bands of the voice band.

    Examples
    --------
    >>> found = sidetone_on(load_impedance("Europe"), balance=load_impedance("Europe"))
    >>> found.high_db < 0.0, found.return_loss_on_line_db, round(found.return_loss_before_db)
    (True, 40.0, 11)
    """
    hz, weight_db = _weigh_bands(curve)
    balances = [balance] if balance else [load_impedance(name) for name in list_impedances()]
    before_ohm, line_ohm = measured_on.compute_ohm(hz), see_line_ohm(hz, exchange, loop)
    draws = [_draw_levels_db(hz, each, before_ohm, line_ohm) for each in balances]
    before_db = np.concatenate([before for before, _ in draws])
    on_line_db = np.concatenate([on_line for _, on_line in draws])
    band_db = on_line_db - before_db
    if weight_db is None:
        change_db = _sum_bands_db(on_line_db) - _sum_bands_db(before_db)
    else:
        change_db = _sum_bands_db(weight_db + band_db) - _sum_bands_db(weight_db)
    low_db, middle_db, high_db = np.percentile(change_db, [2.5, 50.0, 97.5])
    return SidetoneOnLine(
        change_db=float(middle_db),
        low_db=float(low_db),
        high_db=float(high_db),
        return_loss_before_db=_average_return_loss_db(hz, balance, before_ohm),
        return_loss_on_line_db=_average_return_loss_db(hz, balance, line_ohm),
        rests_on="model" if weight_db is None else "curve",
        frequency_hz=hz,
        band_change_db=np.median(band_db, axis=0),
    )


def _list_bands() -> Array:
    """Centres of the third-octave bands that lie in the voice band."""
    return make_band_frequencies(3, *VOICE_HZ)


def _weigh_bands(curve: tuple[ArrayLike, ArrayLike] | None) -> tuple[Array, Array | None]:
    """Bands that are known, and the measured level in each."""
    hz = _list_bands()
    if curve is None:
        return hz, None
    curve_hz, curve_db = (np.array(values, dtype=np.float64) for values in curve)
    known = np.isfinite(curve_db)
    if known.any():
        level_db = np.interp(np.log(hz), np.log(curve_hz[known]), curve_db[known])
        inside = (hz >= curve_hz[known][0]) & (hz <= curve_hz[known][-1])
        if inside.sum() >= LEAST_BANDS:
            return hz[inside], level_db[inside]
    raise InputError(
        f"The sidetone curve covers fewer than {LEAST_BANDS} third-octave bands of "
        f"{VOICE_HZ[0]:.0f} to {VOICE_HZ[1]:.0f} Hz: measure sidetone anew, or leave the curve out."
    )


def _draw_levels_db(
    hz: Array, balance: Impedance, before_ohm: Spectrum, line_ohm: Spectrum
) -> tuple[Array, Array]:
    """Levels of h on both impedances, each shape (n_draws, n_bands): what is not known is drawn."""
    draw = np.random.default_rng(0)
    parts = draw.uniform(1.0 - PART_SHARE, 1.0 + PART_SHARE, (N_DRAWS, 3))
    balance_ohm = np.array(
        [
            Impedance(
                series_ohm=balance.series_ohm * series,
                parallel_ohm=balance.parallel_ohm * parallel,
                parallel_nf=balance.parallel_nf * capacitor,
            ).compute_ohm(hz)
            for series, parallel, capacitor in parts
        ]
    )
    own_ohm = balance_ohm * OWN_FACTOR ** draw.uniform(-1.0, 1.0, (N_DRAWS, 1))
    leak_db, turns = draw.uniform(*LEAK_DB, (N_DRAWS, 1)), draw.uniform(0.0, 1.0, (N_DRAWS, 1))
    leak = 10.0 ** (leak_db / 20.0) * np.exp(2j * np.pi * turns)
    before, on_line = (
        couple_own_voice(ohm, balance_ohm, own_ohm) + leak for ohm in (before_ohm, line_ohm)
    )
    return 20.0 * np.log10(np.abs(before)), 20.0 * np.log10(np.abs(on_line))


def couple_own_voice(line_ohm: ArrayLike, balance_ohm: ArrayLike, own_ohm: ArrayLike) -> Spectrum:
    """Part h(Z) of one's own voice that depends on the line, complex, no unit; shapes broadcast."""
    line = np.asarray(line_ohm, dtype=np.complex128)
    return np.asarray((np.asarray(balance_ohm) - line) / (np.asarray(own_ohm) + line))


def _sum_bands_db(level_db: Array) -> Array:
    """Power sum over the last axis."""
    return np.asarray(10.0 * np.log10(np.sum(10.0 ** (level_db / 10.0), axis=-1)))


def _average_return_loss_db(
    hz: Array, balance: Impedance | None, found_ohm: Spectrum
) -> float | None:
    """Power mean of the reflection over the bands."""
    if balance is None:
        return None
    loss_db = compute_return_loss_db(found_ohm, balance.compute_ohm(hz))
    reflected = float(np.mean(10.0 ** (-loss_db / 10.0)))
    return min(-db_from_ratio(math.sqrt(reflected)) if reflected else MOST_DB, MOST_DB)
