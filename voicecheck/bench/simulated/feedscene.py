"""A resistor in the feed of a set whose dial runs down: the steps of its voltage at an input."""

from __future__ import annotations

import numpy as np

from voicecheck.bench.simulated.draws import make_generator
from voicecheck.bench.simulated.scene import make_gate
from voicecheck.records.arrays import Array

FULL_SCALE_V = 1.5
"""Peak volts that record as full scale (PROP)."""


def make_feed_take(
    seed: int, resistor_ohm: float, rate_hz: int, words: tuple[str, ...] = ()
) -> tuple[Array, float]:
    """
    Voltage across a resistor in the feed while 5 and 8 are dialled.

    Parameters
    ----------
    seed : int
    resistor_ohm : float
    rate_hz : int
    words : tuple of str
        "hum" for strong hum.

    Returns
    -------
    samples : ndarray, shape (n_samples,)
        At an input that passes no direct current, full-scale units of `FULL_SCALE_V`.
    feed_ma : float
        What flows while the contact is closed.
    """
    draw = make_generator(seed, "parts", "feed")
    battery_v, bridge_ohm = 48.0, float(draw.uniform(800.0, 1800.0))
    set_ohm = float(draw.uniform(120.0, 300.0))
    amperes = battery_v / (bridge_ohm + set_ohm + resistor_ohm)
    speed, share = float(draw.uniform(9.5, 10.5)), float(draw.uniform(0.58, 0.65))
    breaks = []
    now_s = 1.5
    for pulses in (5, 8):
        breaks += [(now_s + n / speed, now_s + (n + share) / speed) for n in range(pulses)]
        now_s += pulses / speed + 1.0
    count = round((now_s + 0.5) * rate_hz)
    closed = 1.0 - make_gate(count, rate_hz, breaks)
    volts = amperes * resistor_ohm * closed
    # The input's condenser lets go of what stands still.
    from scipy.signal import butter, sosfilt, sosfilt_zi

    high = butter(1, float(draw.uniform(1.0, 2.5)), "highpass", fs=rate_hz, output="sos")
    heard = sosfilt(high, volts, zi=sosfilt_zi(high) * volts[0])[0] / FULL_SCALE_V
    time_s = np.arange(count) / rate_hz
    hum = 10.0 ** ((-30.0 if "hum" in words else -70.0) / 20.0)
    heard += hum * np.sin(2.0 * np.pi * 50.02 * time_s + draw.uniform(0.0, 6.0))
    heard += 10.0 ** (-80.0 / 20.0) * draw.standard_normal(count)
    return np.clip(heard, -1.0, 1.0), 1e3 * amperes
