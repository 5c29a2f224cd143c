"""
A plant of known answer, carried with the program to be tried at the user's own machine.

A curve x + a x^2 + b x^3, then two filters of first order made by the bilinear transform, whose
response at any frequency is known in closed form without an error. A sine of amplitude A has a
fundamental of A (1 + 3/4 b A^2), a second harmonic of a A^2 / 2 and a third of b A^3 / 4, each
then filtered at its own frequency (algebra). At 48 kHz nothing of the third order folds back, since
the programme ends at 8 kHz. It shares no line with the analysis and none with the simulated bench.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voicecheck.records import Programme, Recording
from voicecheck.records.arrays import Array

RATE_HZ = 48000
LEAD_SAMPLES, TAIL_SAMPLES = 1200, 24000
SEED = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownPlant:
    """
    The plant; what is left out is a wire.

    Parameters
    ----------
    gain_db : float
    square, cube : float
        Of the curve.
    low_hz, high_hz : float
        Corners of the filters.
    noise_dbfs : float
        White, RMS re a full-scale sine.
    peak_hz, peak_q : float
        One resonance, 1 at its middle; no hertz is none.
    """

    gain_db: float = -3.0
    square: float = 0.05
    cube: float = -0.04
    low_hz: float = 200.0
    high_hz: float = 3200.0
    noise_dbfs: float = -90.0
    peak_hz: float = 0.0
    peak_q: float = 8.0

    def answer(self, frequency_hz: Array) -> Array:
        """Complex response of gain and filters, shape as given."""
        s = 1j * _warp(frequency_hz)
        low, high, peak = self._read_corners()
        passed = 10.0 ** (self.gain_db / 20.0) * s / (s + low) * high / (s + high)
        if not peak:
            return np.asarray(passed)
        width = peak / self.peak_q
        return np.asarray(passed * s * width / (s**2 + s * width + peak**2))

    def _read_corners(self) -> tuple[float, float, float]:
        low, high, peak = _warp(np.array([self.low_hz, self.high_hz, self.peak_hz]))
        return float(low), float(high), float(peak)

    def fundamental_db(self, frequency_hz: Array, amplitude: Array | float) -> Array:
        """Level of the fundamental over that of the sine played, dB."""
        bent = 1.0 + 0.75 * self.cube * np.square(amplitude)
        return np.asarray(20.0 * np.log10(np.abs(self.answer(frequency_hz)) * bent))

    def thd_percent(self, frequency_hz: Array, amplitude: float) -> Array:
        """Root sum square of both harmonics over the fundamental, %."""
        fundamental = amplitude * 10.0 ** (self.fundamental_db(frequency_hz, amplitude) / 20.0)
        second = 0.5 * self.square * amplitude**2 * np.abs(self.answer(2.0 * frequency_hz))
        third = 0.25 * self.cube * amplitude**3 * np.abs(self.answer(3.0 * frequency_hz))
        return np.asarray(100.0 * np.hypot(second, third) / fundamental)

    def play(self, sound: Array) -> Array:
        """What comes back of a sound, with silence before and after it and noise over all."""
        from scipy.signal import lfilter

        still = np.zeros(LEAD_SAMPLES), np.zeros(TAIL_SAMPLES)
        bent = np.concatenate([still[0], sound, still[1]])
        bent = 10.0 ** (self.gain_db / 20.0) * (bent + self.square * bent**2 + self.cube * bent**3)
        low, high, peak = self._read_corners()
        width = peak / self.peak_q
        heard = bent
        for over, under in (
            ([1.0, -1.0], [1.0 + low, low - 1.0]),
            ([high, high], [1.0 + high, high - 1.0]),
            ([width, 0.0, -width], [1.0 + width + peak**2, 2.0 * (peak**2 - 1.0),
                                    1.0 - width + peak**2]),
        ):  # fmt: skip
            heard = heard if over[0] == 0.0 else np.asarray(lfilter(over, under, heard))
        return np.asarray(heard + make_noise(len(heard), self.noise_dbfs))

    def record(self, programme: Programme) -> Recording:
        """Recording of a programme of 48 kHz through the plant."""
        return Recording(samples=self.play(programme.samples), rate_hz=RATE_HZ)


def make_noise(n_samples: int, level_dbfs: float) -> Array:
    """White noise, the same each time; RMS re a full-scale sine."""
    rng = np.random.default_rng(SEED)
    return np.asarray(10.0 ** (level_dbfs / 20.0) / np.sqrt(2.0) * rng.standard_normal(n_samples))


def _warp(frequency_hz: Array) -> Array:
    """The bilinear transform's frequency: exact for a digital filter."""
    return np.asarray(np.tan(np.pi * frequency_hz / RATE_HZ))
