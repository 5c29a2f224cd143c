"""
The four tones: whether there is a sound between their products.

What a set makes of four tones lies on lines that can be listed; between them there is noise. The
block is made of sines that all start at zero on whole numbers of hertz, so that its envelope runs
the same way back from its middle; a set without memory keeps that, speech does not.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from voicecheck.modelcheck.slowly import Slowed, compute_power, estimate_density, list_bins_hz
from voicecheck.ranks import find_median, list_distinct
from voicecheck.records import Problem, Programme, Timeline
from voicecheck.records.arrays import Array

HIGHEST_ORDER = 5
LINE_REACH_HZ = 2.5
BAND_HZ = (250.0, 3900.0)
EDGE_S, FRAME_S = 0.03, 0.02
OVER_DB = 3.0
ASYMMETRY = 0.17
"""Gaussian noise in frames of 20 ms reaches 0.12; speech is at 0.25 and more."""


def judge_tones(
    programme: Programme, slowed: Slowed, timeline: Timeline, *, usual: float, breathing: float
) -> Problem | None:
    """
    Whether a sound lies over the four tones.

    Parameters
    ----------
    programme : Programme
    slowed : Slowed
    timeline : Timeline
    usual : float
        Density of the idle noise, the most of it.
    breathing : float
        Density of the noise that comes with a tone, over the tone's mean square.

    Returns
    -------
    Problem or None
    """
    blocks, tones_hz = programme.blocks_of("four-tone"), programme.recipe.tones_hz
    if not blocks:
        return None
    samples = slowed.cut(
        timeline.locate_s(blocks[0].start_s + EDGE_S), timeline.locate_s(blocks[0].end_s - EDGE_S)
    )
    size = len(samples) // 60 * 60
    if size < 3000:
        return None
    samples = samples[:size]
    power = compute_power(samples)
    hz = list_bins_hz(size, slowed.low_rate_hz)
    is_line = _list_lines(tuple(tones_hz), size, slowed.low_rate_hz / timeline.stretch)
    between = (hz > BAND_HZ[0]) & (hz < BAND_HZ[1]) & ~is_line
    tones = 2.0 / size * float(np.sum(power[is_line]))
    expected = usual + 2.0 * breathing * tones
    if float(estimate_density(power, between)) < 10.0 ** (OVER_DB / 10.0) * expected:
        return None
    energy = _follow_between(samples, between, slowed.low_rate_hz)
    # Of pairs of frames the median: bursts of frying are in few of them, speech in most.
    both = energy + energy[::-1]
    asymmetry = find_median(np.abs(energy - energy[::-1]) / np.maximum(both, 1e-30))
    between_power = 2.0 * expected * float(np.count_nonzero(between)) / size
    if asymmetry < ASYMMETRY or find_median(energy) < between_power:
        return None
    name = programme.name_block(blocks[0])
    return Problem(
        kind="sound-in-pause",
        at_s=timeline.locate_s(blocks[0].start_s),
        message=f"a sound beside the tones (speech, or crackle) lies over the {name}",
        effect="the figures of this block are withheld; keep quiet and record again",
        block=name,
    )


@lru_cache(maxsize=8)
def _list_lines(tones_hz: tuple[float, ...], size: int, rate_hz: float) -> NDArray[np.bool_]:
    """Bins near a product of some order."""
    counts = np.indices((2 * HIGHEST_ORDER + 1,) * len(tones_hz)).reshape(len(tones_hz), -1)
    counts -= HIGHEST_ORDER
    order = np.sum(np.abs(counts), axis=0)
    found = (order > 0) & (order <= HIGHEST_ORDER)
    lines_hz = list_distinct(np.abs(np.array(tones_hz) @ counts[:, found]))
    is_line = np.zeros(size // 2 + 1, dtype=bool)
    reach = LINE_REACH_HZ * size / rate_hz
    for line_hz in lines_hz.tolist():
        middle = line_hz * size / rate_hz
        is_line[max(0, round(middle - reach)) : max(0, round(middle + reach)) + 1] = True
    return is_line


def _follow_between(samples: Array, between: NDArray[np.bool_], rate_hz: float) -> Array:
    """Mean square, frame by frame, of what lies between the lines."""
    rest = np.fft.irfft(np.fft.rfft(samples) * between, len(samples))
    size = round(FRAME_S * rate_hz)
    n_frames = len(rest) // size
    first = (len(rest) - n_frames * size) // 2
    return np.asarray(
        np.mean(rest[first : first + n_frames * size].reshape(n_frames, size) ** 2, axis=1)
    )
