"""What a residual distortion tells of its kind, in words."""

from __future__ import annotations

import numpy as np

from voicecheck.records.measurement import Distortion, Measurement, Residual
from voicecheck.words import Words

SPIKES_DB = 9.5
"""
Crest from which on distortion comes in spikes: orders 2 to 5, all alike and in step, have 9.03 dB.

Found with smooth curves, carbon, receivers and a dead zone: 3.3 to 7.9 dB; with peaks cut off 12 to
13 dB, where a diaphragm just touches 10 dB (where it strikes hard its blows ring and run together).
"""
HIGH_ORDERS = 2.0
"""Power of the residual over that of orders 2 to 5 from which on most of it is something else."""


def describe_residual(measurement: Measurement, words: Words) -> tuple[str, ...]:
    """
    What kind of distortion it is: spikes, or lines above the fifth harmonic.

    Parameters
    ----------
    measurement : Measurement
    words : Words

    Returns
    -------
    tuple of str
        Nothing of a soft curvature.
    """
    found, thd = measurement.residual, measurement.distortion
    if found is None:
        return ()
    told = []
    crests_db = np.nan_to_num(found.crest_db)
    if np.max(crests_db) > SPIKES_DB:
        at = int(np.argmax(crests_db))
        hz, crest = (words.number(one, 0) for one in (found.frequency_hz[at], crests_db[at]))
        told.append(words.say("chart", "residual_spikes", hz=hz, crest=crest))
    if thd is not None:
        high = _find_high_orders(found, thd)
        if high is not None:
            hz, whole, low = (
                words.number(one, digits) for one, digits in zip(high, (0, 1, 1), strict=True)
            )
            told.append(words.say("chart", "residual_high", hz=hz, whole=whole, low=low))
    return tuple(told)


def _find_high_orders(found: Residual, thd: Distortion) -> tuple[float, float, float] | None:
    """Frequency, percent in all and percent of orders 2 to 5 where the rest is most of it."""
    known = np.isfinite(thd.thd_percent)
    if not np.any(known):
        return None
    low = np.interp(found.frequency_hz, thd.frequency_hz[known], thd.thd_percent[known])
    surely = np.nan_to_num(found.percent - found.uncertainty_percent)
    ratio = np.square(surely / low)
    at = int(np.argmax(ratio))
    if ratio[at] < HIGH_ORDERS:
        return None
    return float(found.frequency_hz[at]), float(found.percent[at]), float(low[at])
