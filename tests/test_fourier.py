"""Lengths, phasors and medians that stand in for a library which is slow to load."""

import numpy as np
import pytest
from scipy import fft
from scipy.ndimage import median_filter

from voicecheck.fourier import (
    find_next_fast_length,
    find_previous_fast_length,
    make_phasors,
    raise_cosine,
)
from voicecheck.noise import take_running_median


def test_fast_lengths_are_the_library_s_own() -> None:
    """Source: scipy.fft.next_fast_len and prev_fast_len for real transforms."""
    rng = np.random.default_rng(5)
    lengths = [*range(1, 3000), *rng.integers(3000, 20_000_000, 500).tolist()]
    assert [find_next_fast_length(n) for n in lengths] == [
        fft.next_fast_len(n, real=True) for n in lengths
    ]
    assert [find_previous_fast_length(n) for n in lengths] == [
        fft.prev_fast_len(n, real=True) for n in lengths
    ]


@pytest.mark.parametrize(("count", "first"), [(1, 0), (7, -3), (4096, 0), (100_003, -517)])
def test_phasors_are_the_exponential(count: int, first: int) -> None:
    """Source: numpy's exponential, each value on its own; 1e-10 is the rounding of the phase."""
    steps = np.array([0.0, 0.25, -0.013731, 60.02 / 48000])
    k = np.arange(first, first + count)
    expected = np.exp(2j * np.pi * k[:, None] * steps)
    assert np.max(np.abs(make_phasors(steps, count, first) - expected)) < 1e-10
    assert np.max(np.abs(make_phasors(steps[2], count, first) - expected[:, 2])) < 1e-10


def test_a_raised_cosine_bends_between_0_and_1_alone() -> None:
    """Source: its formula, taken everywhere."""
    position = np.linspace(-0.5, 1.5, 4001)
    expected = 0.5 - 0.5 * np.cos(np.pi * np.clip(position, 0, 1))
    assert np.array_equal(raise_cosine(position), expected)
    quarter = raise_cosine(np.array([0.25]))[0]
    assert quarter == pytest.approx(0.5 - 0.5 * np.sqrt(0.5), abs=1e-15)


@pytest.mark.parametrize("width", [9, 31, 141])
def test_the_running_median_is_the_library_s_own(width: int) -> None:
    """Source: scipy.ndimage.median_filter with mode="nearest"."""
    values = np.random.default_rng(7).exponential(size=1200)
    expected = median_filter(values, width, mode="nearest")
    assert np.array_equal(take_running_median(values, width), expected)
