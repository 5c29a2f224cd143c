"""How coarse the recorder's steps are, and what that leaves of a tone."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from voicecheck.ranks import list_distinct
from voicecheck.records import Problem, Programme, Recording, Timeline
from voicecheck.records.arrays import Array

N_LOOKED_AT = 8192
"""Samples of a sweep among which the smallest difference is a step: many more than steps in use."""
FEW_STEPS = 100.0
"""Amplitude in steps below which it is said: THD by rounding is 0.05 % there, level 0.003 dB."""
FUNDAMENTAL_SHARE, HARMONIC_SHARE = 0.4, 0.55
"""
Largest error of a rounded sine's fundamental, and of its orders 2 to 5 together, re the first.

Each times the amplitude in steps to the power of -1.5 (the lines of a rounded sine are sums of
Bessel functions, which fall as the root of their argument). Found by rounding sines of 4, 12 and 40
steps at three offsets: 0.37 and 0.45 to 0.55.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rounding:
    """
    Steps of a recording, in full-scale units.

    `step` is 0 where the samples lie on no grid; `n_steps` the amplitude of the sweep in steps;
    `smoothed` what the noise leaves of the distortion by rounding: 1 without noise.
    """

    step: float
    n_steps: float
    smoothed: float

    @property
    def power(self) -> float:
        """Mean square of the rounding's own noise."""
        return self.step**2 / 12.0

    def leave(self, amplitude: Array) -> Array:
        """All that rounding adds to a tone and noise does not smooth, RMS re the tone's."""
        with np.errstate(divide="ignore"):
            share = math.sqrt(2.0 * self.power) * self.smoothed / amplitude
        return np.asarray(share) if self.step > 0.0 else np.zeros_like(amplitude)

    def bend(self, amplitude: Array, share: float) -> Array:
        """Error of a tone's line by rounding, re the tone; 0 where there is no grid."""
        if self.step <= 0.0:
            return np.zeros_like(amplitude)
        with np.errstate(divide="ignore"):
            return np.asarray(share * self.smoothed * (self.step / amplitude) ** 1.5)


def find_rounding(
    programme: Programme, recording: Recording, timeline: Timeline, idle_power: float
) -> Rounding:
    """
    Grid that the samples of the first sweep lie on.

    Parameters
    ----------
    programme : Programme
    recording : Recording
    timeline : Timeline
    idle_power : float
        Mean square of the idle noise over the recorder's band.

    Returns
    -------
    Rounding

    Notes
    -----
    Gaussian noise of standard deviation s takes exp(-2 (pi s / step)^2) off the first line that
    rounding makes (Widrow, Kollar, Quantization Noise, 2008; MEM).
    """
    block = programme.blocks_of("sweep")[0]
    first = max(0, round(timeline.locate_s(block.start_s) * recording.rate_hz))
    last = round(timeline.locate_s(block.end_s) * recording.rate_hz)
    samples = recording.samples[first : last : max(1, (last - first) // N_LOOKED_AT)]
    levels = list_distinct(samples)
    if len(levels) < 3:
        return Rounding(step=0.0, n_steps=math.inf, smoothed=0.0)
    step = float(np.min(np.diff(levels)))
    places = (levels - levels[0]) / step
    if np.max(np.abs(places - np.rint(places))) > 0.02:
        return Rounding(step=0.0, n_steps=math.inf, smoothed=0.0)
    amplitude = math.sqrt(2.0 * max(float(np.var(samples)) - idle_power, 0.0))
    return Rounding(
        step=step,
        n_steps=amplitude / step,
        smoothed=math.exp(-2.0 * math.pi**2 * idle_power / step**2),
    )


def report_few_steps(rounding: Rounding) -> list[Problem]:
    """What is said of a recording whose sweep is few steps high; nothing for others."""
    if rounding.n_steps >= FEW_STEPS:
        return []
    floor_db = 10.0 * math.log10(2.0 * rounding.power)
    return [
        Problem(
            kind="too-few-steps",
            message=f"too few steps of the recorder: the sweep is {rounding.n_steps:.0f} of them "
            f"high, and rounding alone makes {floor_db:.0f} dBFS",
            effect="distortion and noise below that are the recorder's; turn the input gain up, or "
            "record with more bits",
        )
    ]
