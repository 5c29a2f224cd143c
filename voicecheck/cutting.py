"""Stretches cut out of a recording that may begin too late or end too soon for them."""

from __future__ import annotations

import numpy as np

from voicecheck.records.arrays import Array


def cut_padded(samples: Array, first: int, count: int) -> Array:
    """
    Cut out a stretch, zeros where the recording has no samples.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
    first : int
        First sample of the stretch; may be negative.
    count : int

    Returns
    -------
    ndarray, shape (count,)

    Examples
    --------
    >>> cut_padded(np.array([1.0, 2.0, 3.0]), -1, 3)
    array([0., 1., 2.])
    """
    begin, end = max(0, first), min(len(samples), first + count)
    cut = np.zeros(count)
    if end > begin:
        cut[begin - first : end - first] = samples[begin:end]
    return cut
