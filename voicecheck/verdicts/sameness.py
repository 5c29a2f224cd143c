"""One recording given twice: it counts once."""

from __future__ import annotations

import base64
import binascii
import math
from collections.abc import Iterable, Sequence

import numpy as np

from voicecheck.records import Measurement, Problem, Response

PIECE_BYTES = 80
ALIKE = 5.0
"""
Least agreement of the noise in standard deviations of what chance gives.

Measured, agreement 0 by chance and 1 for the same, median over nine pieces, five of them 0.082:
true repeats reach 0.02, with an echo over the silences 0.03; a recording rounded to 9 bits of its
peak, with the set's noise 16 dB under the rounding, 0.09 and more.
"""
SAME_CURVE_DB, SAME_START_S = 0.5, 1e-3
"""A simulated set has the same noise with another fault, and one file may hold several takes."""


def is_same_recording(one: Measurement, other: Measurement) -> bool:
    """
    Whether two measurements are of one recording, however it was stored in between.

    Parameters
    ----------
    one, other : Measurement

    Returns
    -------
    bool
        False where neither file nor noise tells.
    """
    first, second = one.recording, other.recording
    if not _is_one_curve(one.response, other.response):
        return False
    if first.sha256 and first.sha256 == second.sha256 and first.channel == second.channel:
        starts_s = [m.timing.latency_s for m in (one, other) if m.timing is not None]
        return not starts_s or max(starts_s) - min(starts_s) < SAME_START_S
    n_bits = 6.0 * len(first.fingerprint or "A")
    # The median of pieces scatters sqrt(pi / 2) times as much as their mean.
    chance = math.sqrt(0.5 * math.pi / n_bits)
    return compare_noise(first.fingerprint, second.fingerprint) >= ALIKE * chance


def compare_noise(first: str | None, second: str | None) -> float:
    """
    Agreement of two fingerprints: 0 by chance, 1 for the same noise.

    Parameters
    ----------
    first, second : str or None

    Returns
    -------
    float
        0 where they cannot be compared.

    Examples
    --------
    >>> compare_noise("A" * 320, "A" * 320)
    1.0
    """
    if not first or not second or len(first) != len(second):
        return 0.0
    try:
        bits = [np.frombuffer(base64.b64decode(one), np.uint8) for one in (first, second)]
    except binascii.Error:
        return 0.0
    if len(bits[0]) % PIECE_BYTES:
        return 0.0
    differing = np.unpackbits(bits[0] ^ bits[1]).reshape(-1, 8 * PIECE_BYTES)
    return float(np.median(1.0 - 2.0 * np.mean(differing, axis=1)))


def _is_one_curve(first: Response | None, second: Response | None) -> bool:
    """Whether two curves are alike but for a gain."""
    if first is None or second is None:
        return False
    if first.level_db.shape != second.level_db.shape:
        return False
    gain_db = first.level_db - second.level_db
    known = gain_db[np.isfinite(gain_db)]
    return len(known) > 0 and float(np.std(known)) < SAME_CURVE_DB


def leave_out_repeats(measurements: Sequence[Measurement]) -> tuple[Measurement, ...]:
    """
    Seats of a run, each recording once.

    Parameters
    ----------
    measurements : sequence of Measurement

    Returns
    -------
    tuple of Measurement
        As many; one that is the same as an earlier one has lost its response and tells so.
    """
    kept: list[Measurement] = []
    for index, one in enumerate(measurements):
        earlier = find_same(one, kept)
        if earlier is None:
            kept.append(one)
            continue
        problem = Problem(
            kind="same-recording",
            message=f"seat {index + 1} is the same recording as seat {earlier + 1}",
            effect="it is left out; record each seat anew",
        )
        kept.append(one.replace(response=None, problems=(*one.problems, problem)))
    return tuple(kept)


def find_same(one: Measurement, others: Iterable[Measurement]) -> int | None:
    """Index of the first of some measurements that is of the same recording, or `None`."""
    return next((i for i, other in enumerate(others) if is_same_recording(one, other)), None)
