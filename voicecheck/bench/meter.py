"""The live meter: block after block in, levels and spectrum out, in constant memory."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voicecheck.records.arrays import Array, freeze_arrays
from voicecheck.units import db_from_ratio, dbfs_from_rms

WINDOW_S = 0.34
"""Long enough to part 50 from 60 Hz and for the third of an octave at 100 Hz."""
FAST_S = 0.125
CLIPPED_PEAK = 0.999
LOWEST_DBFS = -200.0
MAINS_HZ = (50.0, 60.0)
LINE_RATIO = 30.0
"""A line stands out by this much power over the median around it."""
TONE_SHARE = 0.8
VOICE_HZ = (200.0, 4000.0)
MOST_TONES = 4
LINE_BINS = 2
"""Half-width of a line under the Hann window."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading:
    """
    What the meter shows.

    Levels in dBFS are RMS re a full-scale sine, `peak_dbfs` is re full scale.

    Parameters
    ----------
    peak_dbfs : float
        Highest since the last reading.
    rms_dbfs : float
        Over the last eighth of a second.
    weighted_dbfs : float or None
        Over the last third of a second, with the weights given.
    band_hz, band_dbfs : ndarray, shape (n_bands,)
        Bands as asked for.
    is_clipped : bool
    is_talking : bool
        The level has reached that of full transmit.
    mains_hz : float or None
        Frequency of the mains where its lines stand out.
    tones_hz : tuple of float
        Steady tones that carry most of the voice band's power: dial tone, busy, test tone.
    """

    peak_dbfs: float
    rms_dbfs: float
    weighted_dbfs: float | None
    band_hz: Array
    band_dbfs: Array
    is_clipped: bool = False
    is_talking: bool = False
    mains_hz: float | None = None
    tones_hz: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        freeze_arrays(self)


class Meter:
    """
    Levels of a running input.

    Parameters
    ----------
    rate_hz : int
    band_hz : ndarray, shape (n_bands,)
        Midband frequencies, rising.
    bands_per_octave : int
        How wide they are.
    weigh_db : callable, optional
        From frequencies to weights in dB: psophometric, C-message.
    full_talk_dbfs : float, optional
        The level at which the talk mark lights.

    Examples
    --------
    >>> meter = Meter(48000, np.array([1000.0]))
    >>> tone = np.sin(2 * np.pi * 1000 * np.arange(24000) / 48000)
    >>> reading = meter.update(0.5 * tone)
    >>> round(reading.rms_dbfs, 2), round(float(reading.band_dbfs[0]), 2)
    (-6.02, -6.02)
    """

    def __init__(
        self,
        rate_hz: int,
        band_hz: Array,
        *,
        bands_per_octave: int = 3,
        weigh_db: Callable[[Array], Array] | None = None,
        full_talk_dbfs: float | None = None,
    ) -> None:
        self.rate_hz = rate_hz
        self.band_hz = np.asarray(band_hz, dtype=np.float64)
        self.full_talk_dbfs = full_talk_dbfs
        size = 2 ** math.ceil(math.log2(WINDOW_S * rate_hz))
        self._held = np.zeros(size)
        self._window = np.hanning(size + 1)[:-1]
        self._scale = 2.0 / (size * float(np.sum(self._window**2)))
        self._bins_hz = np.arange(size // 2 + 1) * rate_hz / size
        edge = 10.0 ** (0.3 / (2.0 * bands_per_octave))
        self._edges = np.searchsorted(self._bins_hz, [self.band_hz / edge, self.band_hz * edge])
        self._weights: Array | None = None
        if weigh_db is not None:
            weight_db = np.full(len(self._bins_hz), -np.inf)
            weight_db[1:] = weigh_db(self._bins_hz[1:])
            self._weights = np.nan_to_num(10.0 ** (weight_db / 10.0), nan=0.0, posinf=0.0)

    def update(self, block: NDArray[np.floating]) -> Reading:
        """
        Take in one block and read the meter.

        Parameters
        ----------
        block : ndarray, shape (n_samples,)
            Full-scale units, of any length; samples that are no numbers count as 0.

        Returns
        -------
        Reading
        """
        new = np.nan_to_num(np.asarray(block, dtype=np.float64), posinf=0.0, neginf=0.0)
        self._hold(new)
        fast = self._held[-round(FAST_S * self.rate_hz) :]
        peak = float(np.max(np.abs(new), initial=0.0))
        rms_dbfs = max(LOWEST_DBFS, dbfs_from_rms(float(np.sqrt(np.mean(fast**2)))))
        power = np.abs(np.fft.rfft(self._held * self._window)) ** 2 * self._scale
        sums = np.concatenate([[0.0], np.cumsum(power)])
        band_power = sums[self._edges[1]] - sums[self._edges[0]]
        weighted = None
        if self._weights is not None:
            weighted = _level_dbfs(float(np.dot(power, self._weights)))
        return Reading(
            peak_dbfs=max(LOWEST_DBFS, db_from_ratio(peak)),
            rms_dbfs=rms_dbfs,
            weighted_dbfs=weighted,
            band_hz=self.band_hz,
            band_dbfs=np.array([_level_dbfs(float(value)) for value in band_power]),
            is_clipped=peak >= CLIPPED_PEAK,
            is_talking=self.full_talk_dbfs is not None and rms_dbfs >= self.full_talk_dbfs,
            mains_hz=self._find_mains_hz(power),
            tones_hz=self._find_tones_hz(power),
        )

    def _hold(self, new: Array) -> None:
        """Shift the window along; its length never changes."""
        size = len(self._held)
        if len(new) >= size:
            self._held[:] = new[len(new) - size :]
        elif len(new):
            self._held[: size - len(new)] = self._held[len(new) :]
            self._held[size - len(new) :] = new

    def _find_mains_hz(self, power: Array) -> float | None:
        """Whichever mains has two of its first three lines standing out, refined by the lowest."""
        best, best_power = None, 0.0
        step_hz = float(self._bins_hz[1])
        for mains_hz in MAINS_HZ:
            found = []
            for order in (1, 2, 3):
                top = round(order * mains_hz / step_hz)
                near = slice(max(1, top - 1), top + 2)
                line = float(np.max(power[near]))
                around = power[max(1, top - 12) : top + 13]
                if line > LINE_RATIO * float(np.median(around)) and line > 0.0:
                    peak = near.start + int(np.argmax(power[near]))
                    if power[peak] >= max(power[peak - 1], power[peak + 1]):
                        found.append((self._refine_hz(power, peak) / order, line))
            total = sum(line for _, line in found)
            if len(found) >= 2 and total > best_power:
                best, best_power = found[0][0], total
        return best

    def _find_tones_hz(self, power: Array) -> tuple[float, ...]:
        """The strongest lines of the voice band, if they are nearly all there is in it."""
        first, last = np.searchsorted(self._bins_hz, VOICE_HZ)
        rest = power[first:last].copy()
        total = float(np.sum(rest))
        if total <= 10.0 ** (LOWEST_DBFS / 10.0):
            return ()
        tones: list[float] = []
        for _ in range(MOST_TONES):
            top = int(np.argmax(rest))
            tones.append(self._refine_hz(power, first + top))
            rest[max(0, top - LINE_BINS) : top + LINE_BINS + 1] = 0.0
            if float(np.sum(rest)) < (1.0 - TONE_SHARE) * total:
                return tuple(sorted(tones))
        return ()

    def _refine_hz(self, power: Array, top: int) -> float:
        """Frequency between bins, by a parabola through the logarithms."""
        before, here, after = np.log(power[top - 1 : top + 2] + 1e-300)
        bend = before - 2.0 * here + after
        shift = 0.5 * (before - after) / bend if bend < 0.0 else 0.0
        return (top + float(np.clip(shift, -0.5, 0.5))) * float(self._bins_hz[1])


def _level_dbfs(mean_square: float) -> float:
    return max(LOWEST_DBFS, 10.0 * math.log10(max(2.0 * mean_square, 1e-30)))
