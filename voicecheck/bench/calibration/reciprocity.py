"""
Ratios of two channels in two cavities -> what a microphone gives for a pascal, no calibrator used.

Pressure reciprocity, the principle of IEC 61094-2. In a closed cavity sit A, a receiver that works
both ways, B, any source, and C, the microphone. With B driven V_C / V_A = M_C / M_A. With the
current I_A through A, V_C = M_C M_A I_A / Y, where Y is the acoustic admittance that C looks into;
M_A, the volts that A gives for a pascal, is its volume velocity for an ampere, too. The product is
M_C^2 / Y, and A itself has gone.

Y is the air's, j omega V / (gamma P0), and what the diaphragms, their caps and leaks take besides,
which near the resonance of a receiver is far more. A second cavity of another volume has the same
besides: the difference of its 1 / product from the first one's is that of the air alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voicecheck.bench.calibration.cavityair import (
    Admittance,
    Bore,
    compute_step_admittance,
    find_wall_share,
    undo_waves,
)
from voicecheck.bench.calibration.tonesets import Ratio
from voicecheck.budgets import COVERAGE_95, student_95
from voicecheck.errors import InputError, RecordingError
from voicecheck.records.arrays import Array

KNOWN_HPA, UNKNOWN_SHARE = 3.0, 0.08
"""A barometer of the house, and standard pressure taken up to 600 m above the sea (PROP)."""
RESISTOR_PERCENT = 1.0
TAP_OHM, RECEIVER_OHM = 10e3, 400.0
"""Least that a line tap has (as the step electrical-in asks), most that a receiver has (PROP)."""
SEAT_CM3 = 0.1
"""How far the volume at a receiver's seat changes when it is seated again (PROP)."""
ONE_WAY_DB = 0.3
"""How far A may be from reciprocal where it was never checked by exchanging A and B (PROP)."""
FLATLY = COVERAGE_95 / math.sqrt(3.0)
"""Half-width of a 95 % interval over half the width of a range in which all is equally likely."""
LEAST_COHERENCE = 0.9
LOW_HZ, LEVEL_HZ = 300.0, (600.0, 1200.0)
"""Where the transducers are springs, and where a leak no longer shows."""
MOST_WAVES_DB, MOST_LEAK_DB = 1.0, 2.0
"""Where waves or a leak may leave more than that nothing is stated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cavity:
    """
    One cavity with its two takes.

    Parameters
    ----------
    volume_cm3 : float
    heard : Ratio
        Microphone over the open voltage of A, with B driven; full-scale units of their inputs.
    driven : Ratio
        Microphone over the voltage of the resistor that A's current runs through.
    """

    volume_cm3: float
    heard: Ratio
    driven: Ratio


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """
    What was typed, and what is known of the bench.

    Parameters
    ----------
    resistor_ohm : float
    volume_error_cm3 : float
        Half-width of a 95 % interval of either volume.
    tap_v, tap_db : float
        Volts at the line tap for a recorded 1.0, and the half-width of its interval.
    pressure_hpa : float, optional
        Barometric, as it is at the place; standard pressure if left out.
    temperature_c : float, optional
    receiver_ohm : float, optional
        The most that A's impedance is in the band; 400 ohm if left out.
    bore_mm : float, optional
        Across the hole of both blocks; else the larger one is taken to be as high as it is wide.
    """

    resistor_ohm: float
    volume_error_cm3: float
    tap_v: float
    tap_db: float
    pressure_hpa: float | None = None
    temperature_c: float | None = None
    bore_mm: float | None = None
    receiver_ohm: float | None = None

    @property
    def loading(self) -> float:
        """By how much the line tap may lower the open voltage of A, as a share of it."""
        return (self.receiver_ohm or RECEIVER_OHM) / TAP_OHM


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sensitivity:
    """
    A microphone's level for a pascal, and what is not known of it.

    Parameters
    ----------
    frequency_hz, level_db, uncertainty_db : ndarray, shape (n_tones,)
        dB re 1 full-scale unit per Pa; half-widths of 95 % intervals. NaN where a tone was lost in
        noise, in waves or in a leak.
    parts_db : dict of str to ndarray, shape (n_tones,)
        Half-widths of 95 % intervals by each part alone.
    leak_db : float
        How far the low end departs from the middle, dB.
    beside_cm3 : float
        What the transducers and their seats add to the volume of the cavity at the low end, cm3.
    """

    frequency_hz: Array
    level_db: Array
    uncertainty_db: Array
    parts_db: dict[str, Array]
    leak_db: float
    beside_cm3: float


def compute_sensitivity(small: Cavity, large: Cavity, given: Surroundings) -> Sensitivity:
    """
    Sensitivity of the microphone from four takes in two cavities.

    Parameters
    ----------
    small, large : Cavity
    given : Surroundings

    Returns
    -------
    Sensitivity

    Raises
    ------
    InputError
        The larger cavity is not the larger one.
    RecordingError
        Kind "same-cavity": the takes do not tell the cavities apart, or tell them the other way;
        kind "noise": no tone was heard.

    Notes
    -----
    Source: principle of IEC 61094-2 (title and method; its text was not seen, so its corrections
    are derived here); rows add up as in JCGM 100:2008, 5.1.2, every one but the noise resting on
    judgement, so with many degrees of freedom.
    """
    step_cm3 = _find_step_cm3(small, large)
    frequency_hz = small.heard.frequency_hz
    inverse_small = 1.0 / (small.heard.value * small.driven.value)
    inverse_large = 1.0 / (large.heard.value * large.driven.value)
    takes = (small.heard, small.driven, large.heard, large.driven)
    is_heard = np.min([take.coherence for take in takes], axis=0) >= LEAST_COHERENCE
    _check_cavities(inverse_small[is_heard], inverse_large[is_heard])
    bore = Bore(
        small_cm3=small.volume_cm3,
        large_cm3=large.volume_cm3,
        bore_mm=given.bore_mm,
        pressure_hpa=given.pressure_hpa,
        temperature_c=given.temperature_c,
    )
    step = inverse_large - inverse_small
    still = np.abs(compute_step_admittance(frequency_hz, bore) / step)
    square = np.abs(undo_waves(frequency_hz, inverse_small, inverse_large, bore))
    scale = given.resistor_ohm / given.tap_v**2 / (1.0 + 0.5 * given.loading)
    level_db = 10.0 * np.log10(scale * square)
    waves_db = FLATLY * np.abs(10.0 * np.log10(square / still))
    level_db[~is_heard | _is_wavy(waves_db)] = np.nan
    leak_db = _find_leak_db(frequency_hz, level_db)
    level_db[leak_db > MOST_LEAK_DB] = np.nan
    parts_db = {
        "noise": _as_db(_find_noise(small, large, np.abs(step))),
        "leak": leak_db,
        "waves": waves_db,
        "walls": _as_db(find_wall_share(frequency_hz, bore)),
        **_list_parts_db(len(frequency_hz), step_cm3, given),
    }
    beside = (inverse_small / step)[frequency_hz < LOW_HZ]
    return Sensitivity(
        frequency_hz=frequency_hz,
        level_db=level_db,
        uncertainty_db=np.sqrt(np.sum(np.square(list(parts_db.values())), axis=0)),
        parts_db=parts_db,
        leak_db=float(np.max(leak_db)),
        beside_cm3=float(np.median(beside.real)) * step_cm3 - small.volume_cm3,
    )


def _is_wavy(waves_db: Array) -> NDArray[np.bool_]:
    """Whether waves leave too much, there or at any lower tone."""
    return np.asarray(np.maximum.accumulate(np.nan_to_num(waves_db, nan=np.inf)) > MOST_WAVES_DB)


def _find_noise(small: Cavity, large: Cavity, step: Array) -> Array:
    """Half-width of the square's 95 % interval by noise alone, as a share of it."""
    spreads = [
        np.hypot(one.heard.spread, one.driven.spread)
        / np.abs(one.heard.value * one.driven.value)
        / step
        for one in (small, large)
    ]
    return np.asarray(student_95(small.heard.dof) * np.hypot(*spreads))


def _find_step_cm3(small: Cavity, large: Cavity) -> float:
    step_cm3 = large.volume_cm3 - small.volume_cm3
    if step_cm3 <= 0.1 * small.volume_cm3:
        message = (
            f"large_cm3: need at least a tenth more than the small cavity's "
            f"{small.volume_cm3:g} cm3, got {large.volume_cm3:g} cm3"
        )
        raise InputError(message)
    return step_cm3


def _check_cavities(small: Admittance, large: Admittance) -> None:
    """More air takes more: 1 / product is larger in the larger cavity, at most of the tones."""
    if len(small) == 0:
        message = "the tones are lost in noise: look at the wires, close the room, and do it again"
        raise RecordingError(message, "noise")
    ratio = float(np.median(np.abs(large / small)))
    if ratio < 1.02:
        message = (
            "the takes of the two cavities "
            + ("are alike" if ratio > 0.98 else "seem to have changed places")
            + ": small block first, large block after it, line tap and ear not exchanged; seat "
            "both receivers and do it again"
        )
        raise RecordingError(message, "same-cavity")


def _list_parts_db(n_tones: int, step_cm3: float, given: Surroundings) -> dict[str, Array]:
    """Half-widths of what is not known of volts, volume and air, the same at every tone, dB."""
    volume = math.hypot(math.sqrt(2.0) * given.volume_error_cm3, SEAT_CM3) / step_cm3
    barometer = UNKNOWN_SHARE if given.pressure_hpa is None else KNOWN_HPA / given.pressure_hpa
    loading = 0.5 * given.loading + 0.5 * given.resistor_ohm / TAP_OHM
    shares = {
        "resistor": 0.01 * RESISTOR_PERCENT,
        "volume": volume,
        "barometer": barometer,
        "loading": FLATLY * loading,
    }
    known = {"voltage": given.tap_db, "one-way": ONE_WAY_DB}
    known |= {name: float(_as_db(np.array(share))) for name, share in shares.items()}
    return {name: np.full(n_tones, half_width_db) for name, half_width_db in known.items()}


def _as_db(share: Array) -> Array:
    """What a share of the square is in dB of its root."""
    return np.asarray(10.0 * np.log10(1.0 + share))


def _find_leak_db(frequency_hz: Array, level_db: Array) -> Array:
    """
    What a leak may do: a small microphone itself is flat there, so what departs is the leak's.

    With rising frequency a slit takes less against the air, at least as 1 / f; below a tone that
    departs no less is supposed than there.
    """
    within = (frequency_hz >= LEVEL_HZ[0]) & (frequency_hz <= LEVEL_HZ[1])
    low = (frequency_hz < LEVEL_HZ[0]) & np.isfinite(level_db)
    if not np.any(low) or not np.any(np.isfinite(level_db[within])):
        return np.zeros(len(frequency_hz))
    departs_db = np.abs(level_db[low] - np.nanmedian(level_db[within]))
    reach = np.minimum(frequency_hz[low][:, None] / frequency_hz, 1.0)
    return np.asarray(np.max(departs_db[:, None] * reach, axis=0))


def read_at_db(found: Sensitivity, values_db: Array, frequency_hz: float) -> float:
    """
    A curve of a sensitivity at one frequency, dB.

    Raises
    ------
    RecordingError
        Kind "noise": no tone near it was heard.
    """
    known = np.isfinite(found.level_db)
    near = np.abs(np.log2(found.frequency_hz / frequency_hz)) < 0.5
    if not np.any(known & near):
        message = (
            f"the tones about {frequency_hz:.0f} Hz are lost in noise: look at the wires, close "
            "the room, and do the takes again"
        )
        raise RecordingError(message, "noise")
    points = np.log(found.frequency_hz[known])
    return float(np.interp(math.log(frequency_hz), points, values_db[known]))


def find_upper_hz(found: Sensitivity) -> float:
    """Up to where the cavities are small enough for their waves to be undone, Hz."""
    is_small = ~_is_wavy(found.parts_db["waves"])
    return float(np.max(found.frequency_hz[is_small], initial=0.0))
