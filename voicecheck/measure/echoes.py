"""
What an echo adds to the curve.

The sweep parts an echo from the direct sound by its delay, and the harmonics by how much earlier
the sweep was at their frequency. Where both are alike, the echo of a harmonic lies on the curve.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from voicecheck.measure.sweeps import SweepAnalysis
from voicecheck.records.arrays import Array

NEAR_S = 0.16
"""Between an echo's delay and a harmonic's lead: longer than the windows, they fade out by then."""
MARGIN = 1.5
"""On the size of what lies there: a level of an echo is that of its mark, over one band (PROP)."""


def doubt_echoes(sweep: SweepAnalysis, echoes: Sequence[tuple[float, float]]) -> Array:
    """
    Half-width of what echoes may have added to the curve, dB.

    Parameters
    ----------
    sweep : SweepAnalysis
    echoes : sequence of (float, float)
        Delay in seconds and level in dB against the direct sound, one pair each.

    Returns
    -------
    ndarray, shape (n,)
        At `sweep.fine_hz`.
    """
    share = np.zeros(len(sweep.fine_hz))
    harmonics = sweep.make_distortion() if echoes else None
    if harmonics is None:
        return share
    level_db = np.nan_to_num(sweep.level_db, nan=-200.0)
    for row, order in enumerate(harmonics.harmonic_order):
        lead_s = sweep.spectra.constant_s * np.log(order)
        gains = [10.0 ** (db / 20.0) for delay_s, db in echoes if abs(delay_s - lead_s) < NEAR_S]
        known = np.isfinite(harmonics.harmonic_db[row])
        if not gains or not np.any(known):
            continue
        # What comes out at a frequency was made by the sound at its part, and is held against it.
        made_hz = sweep.fine_hz / order
        made_db = np.interp(
            made_hz, harmonics.frequency_hz[known], harmonics.harmonic_db[row][known]
        ) + np.interp(made_hz, sweep.fine_hz, level_db)
        share += sum(gains) * 10.0 ** ((made_db - level_db) / 20.0)
    return np.asarray(20.0 * np.log10(1.0 + MARGIN * share))
