"""
Reference values and conversions, each in one place.

A level in dBFS is RMS relative to a full-scale *sine*: a sine of amplitude 1.0 is 0 dBFS.
Sources: 0 dBm is 1 mW; 600 ohm is the line's nominal impedance, so 0 dBm is 0.7746 V
(`jig_calibration.csv`, CALC). 0 dB SPL is 20 uPa by definition, so 0 dBPa is 93.98 dB SPL.
"""

from __future__ import annotations

import math

REFERENCE_PRESSURE_PA = 20e-6
LINE_IMPEDANCE_OHM = 600.0
REFERENCE_NOISE_DBM = -90.0
"""0 dBrn, 1 pW (`noise_reference.csv`: US Federal Standard 1037C as quoted, PUB-2ND)."""
TALK_LEVEL_DBPA = -4.7
"""Standard talk level at the mouth reference point (trade table S53, PUB)."""


def db_from_ratio(ratio: float) -> float:
    """
    Amplitude ratio in decibels.

    Parameters
    ----------
    ratio : float
        No unit, 0 or more.

    Returns
    -------
    float
        dB; minus infinity for 0.

    Examples
    --------
    >>> round(db_from_ratio(10.0), 6)
    20.0
    """
    return 20.0 * math.log10(ratio) if ratio > 0.0 else -math.inf


def ratio_from_db(level_db: float) -> float:
    """
    Amplitude ratio of a level in decibels.

    Examples
    --------
    >>> round(ratio_from_db(-20.0), 6)
    0.1
    """
    return float(10.0 ** (level_db / 20.0))


def dbfs_from_rms(rms: float) -> float:
    """
    RMS in full-scale units to dBFS (re a full-scale sine).

    Examples
    --------
    >>> round(dbfs_from_rms(math.sqrt(0.5)), 6)
    0.0
    """
    return db_from_ratio(rms * math.sqrt(2.0))


def volts_from_dbm(level_dbm: float, impedance_ohm: float = LINE_IMPEDANCE_OHM) -> float:
    """
    RMS volts of a power level across an impedance.

    Examples
    --------
    >>> round(volts_from_dbm(0.0), 4)
    0.7746
    """
    return math.sqrt(1e-3 * 10.0 ** (level_dbm / 10.0) * impedance_ohm)


def dbm_from_volts(rms_v: float, impedance_ohm: float = LINE_IMPEDANCE_OHM) -> float:
    """
    Power level in dBm of RMS volts across an impedance.

    Examples
    --------
    >>> round(dbm_from_volts(0.7746), 2)
    0.0
    """
    return 10.0 * math.log10(rms_v**2 / impedance_ohm / 1e-3) if rms_v > 0.0 else -math.inf


def dbspl_from_pa(rms_pa: float) -> float:
    """
    Sound pressure level of an RMS pressure.

    Examples
    --------
    >>> round(dbspl_from_pa(1.0), 2)
    93.98
    """
    return db_from_ratio(rms_pa / REFERENCE_PRESSURE_PA)
