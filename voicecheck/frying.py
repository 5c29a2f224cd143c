"""
Crackle and frying in idle noise of any length, block by block at constant memory.

The voice band is filtered out, its energy taken in frames of 2 ms, and a frame is hot when it
holds several times what is usual. The usual energy is the median over the last half minute, so
that a slow change of the hiss is not taken for bursts, nor bursts for hiss.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voicecheck.fourier import keep_awake
from voicecheck.idle import VOICE_BAND_HZ
from voicecheck.records.arrays import Array

FRAME_S = 0.002
HOT_RATIO = 5.0
"""Frame energy over the usual: Gaussian noise with 15 degrees of freedom passes it once in 10^9."""
SILENT = 1e-30
"""Energy of a frame below all that a recorder can write: a step of 32 bits squared is 2e-19."""
JOIN_S = 0.006
"""Hot frames less than this apart are one burst."""
HIGHEST_PART = 0.45
"""Of the rate, the upper end of the band where the rate is too low for all of it."""
MEMORY_S = 30.0
"""Over which the usual level is taken: longer than a shower of bursts, shorter than warming up."""
PIECE_S = 0.5
"""250 frames: their median scatters by 3 %, far below the ratio that makes a frame hot."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Burst:
    """One burst: when, how long, and its largest frame over the usual level."""

    at_s: float
    duration_ms: float
    size_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FryingSummary:
    """
    What was heard so far.

    `level_dbfs` is the usual level in the voice band, bursts left out; `sizes_db` and
    `durations_ms` are the 10, 50 and 90 % points over the bursts.
    """

    duration_s: float
    level_dbfs: float | None
    n_bursts: int
    bursts_per_s: float
    sizes_db: tuple[float, float, float] | None
    durations_ms: tuple[float, float, float] | None


class FryingWatch:
    """
    Counts bursts in a stream of samples.

    Parameters
    ----------
    rate_hz : int
        Samples per second, 1000 or more; below 8889 the band ends where the recording does.

    Notes
    -----
    Memory is bounded: half a minute of frame energies, and a histogram of sizes and durations.

    Examples
    --------
    >>> import numpy as np
    >>> watch = FryingWatch(48000)
    >>> hiss = 0.001 * np.random.default_rng(1).standard_normal(96000)
    >>> hiss[30000:30100] *= 50
    >>> [round(burst.at_s, 2) for burst in watch.update(hiss) + watch.finish()]
    [0.62]
    """

    def __init__(self, rate_hz: int) -> None:
        from scipy import signal

        self.rate_hz = rate_hz
        low_hz, high_hz = VOICE_BAND_HZ
        top_hz = min(high_hz, HIGHEST_PART * rate_hz)
        self._filter = signal.butter(4, (low_hz, top_hz), "bandpass", fs=rate_hz, output="sos")
        self._state = np.zeros((len(self._filter), 2))
        # Of a narrower band a frame is as much longer, so that it holds as much that is new.
        self._frame_s = FRAME_S * (high_hz - low_hz) / (top_hz - low_hz)
        self._frame = round(self._frame_s * rate_hz)
        self._piece = round(PIECE_S / self._frame_s) * self._frame
        self._rest: Array = np.zeros(0)
        self._medians: deque[float] = deque(maxlen=round(MEMORY_S / PIECE_S))
        self._open: tuple[float, float, float] | None = None
        self._n_frames = self._n_bursts = 0
        self._sizes: NDArray[np.int64] = np.zeros(121, dtype=np.int64)
        self._durations: NDArray[np.int64] = np.zeros(501, dtype=np.int64)

    def update(self, samples: Array) -> list[Burst]:
        """
        Take in some samples.

        Parameters
        ----------
        samples : ndarray, shape (n,)
            The next ones; any number.

        Returns
        -------
        list of Burst
            Those that have ended by now.
        """
        self._rest = np.concatenate([self._rest, samples])
        found: list[Burst] = []
        while len(self._rest) >= self._piece:
            piece, self._rest = self._rest[: self._piece], self._rest[self._piece :]
            found += self._take(piece)
        return found

    def finish(self) -> list[Burst]:
        """Take in what is left over, and close a burst that is still open."""
        whole = len(self._rest) // self._frame * self._frame
        found = self._take(self._rest[:whole]) if whole else []
        self._rest = self._rest[whole:]
        return found + self._close()

    def summarise(self) -> FryingSummary:
        """What was heard so far."""
        duration_s = self._n_frames * self._frame / self.rate_hz
        usual = float(np.median(self._medians)) / self._frame if self._medians else 0.0
        return FryingSummary(
            duration_s=duration_s,
            level_dbfs=10.0 * math.log10(2.0 * usual) if usual > 0.0 else None,
            n_bursts=self._n_bursts,
            bursts_per_s=self._n_bursts / duration_s if duration_s > 0.0 else 0.0,
            sizes_db=_read_points(self._sizes, 0.5),
            durations_ms=_read_points(self._durations, 1.0),
        )

    def _take(self, piece: Array) -> list[Burst]:
        from scipy import signal

        heard, self._state = signal.sosfilt(self._filter, keep_awake(piece), zi=self._state)
        energy = np.sum(heard.reshape(-1, self._frame) ** 2, axis=1)
        # The trace of noise against slow zeros is nothing that was heard.
        energy[energy < SILENT] = 0.0
        first = self._n_frames
        self._n_frames += len(energy)
        # The filter's own start is no burst.
        if first * self._frame_s < 0.02:
            energy[: round(0.02 / self._frame_s)] = np.median(energy)
        self._medians.append(float(np.median(energy)))
        usual = float(np.median(self._medians))
        if usual <= 0.0:
            return []
        found: list[Burst] = []
        for index in np.flatnonzero(energy > HOT_RATIO * usual):
            at_s = float((first + index) * self._frame / self.rate_hz)
            ratio = float(energy[index]) / usual
            if self._open is None or at_s - self._open[1] > JOIN_S * self._frame_s / FRAME_S:
                found += self._close()
                self._open = (at_s, at_s, ratio)
            else:
                self._open = (self._open[0], at_s, max(self._open[2], ratio))
        return found

    def _close(self) -> list[Burst]:
        if self._open is None:
            return []
        first_s, last_s, ratio = self._open
        self._open = None
        burst = Burst(
            at_s=first_s,
            duration_ms=1000.0 * (last_s - first_s + self._frame_s),
            size_db=10.0 * math.log10(ratio),
        )
        self._n_bursts += 1
        self._sizes[min(round(2.0 * burst.size_db), len(self._sizes) - 1)] += 1
        self._durations[min(round(burst.duration_ms), len(self._durations) - 1)] += 1
        return [burst]


def _read_points(counts: NDArray[np.int64], step: float) -> tuple[float, float, float] | None:
    """10, 50 and 90 % points of a histogram."""
    total = int(np.sum(counts))
    if total == 0:
        return None
    below = np.cumsum(counts) / total
    low, middle, high = (float(step * np.searchsorted(below, p)) for p in (0.1, 0.5, 0.9))
    return low, middle, high
