"""The jig of two receivers and a microphone as a bench: plays tones into it, take by take."""

from __future__ import annotations

import math

import numpy as np

from voicecheck.bench.simulated.cavity import RESISTOR_OHM, Jig, compute_take, make_jig
from voicecheck.bench.simulated.draws import make_generator
from voicecheck.errors import InputError
from voicecheck.fourier import find_next_fast_length
from voicecheck.records import Conditions, Programme, Recording
from voicecheck.records.arrays import Array

SOLVED_HZ = np.arange(20.0, 6000.0, 8.0)
"""Where the circuit is solved; between these it is smooth."""
TAKES = ("small-heard", "small-driven", "large-driven", "large-heard")
LEAD_S, LATENCY_S, TAIL_S = 0.1, (0.02, 0.15), 0.3
FLOOR_DBFS, HUM_DBFS = (-95.0, -85.0), (-85.0, -70.0)
CHANNELS_APART_S = 1e-5
"""Half a sample or so between the converters of two inputs."""


class SimulatedJig:
    """
    The jig as somebody has it on the table.

    Parameters
    ----------
    seed : int
        Draws everything: parts, blocks, air, electronics, and how well its owner reads them.
    jig : Jig, optional
        In place of the one that the seed draws.
    is_noisy : bool
        False: no noise and no hum.
    """

    def __init__(self, seed: int, jig: Jig | None = None, *, is_noisy: bool = True) -> None:
        self.seed, self.is_noisy = seed, is_noisy
        self.jig = jig or make_jig(seed)

    def play_pair(self, programme: Programme, take: str) -> tuple[Recording, Recording]:
        """
        What line tap and ear record of one take.

        Parameters
        ----------
        programme : Programme
        take : str
            One of `TAKES`.

        Returns
        -------
        tap, ear : Recording

        Raises
        ------
        InputError
            There is no such take.
        """
        if take not in TAKES:
            raise InputError(f"take: need one of {', '.join(TAKES)}, got {take!r}")
        drawn = make_generator(self.seed, "reciprocity take", take)
        size, _, way = take.partition("-")
        gains = compute_take(
            self.jig, SOLVED_HZ, is_large=size == "large", is_first_driven=way == "driven"
        )
        latency_s = LEAD_S + float(drawn.uniform(*LATENCY_S))
        floor_dbfs, hum_dbfs = drawn.uniform(*FLOOR_DBFS), drawn.uniform(*HUM_DBFS)
        recordings = []
        for path, gain, late_s in zip(
            ("loop", "receive"), gains, (latency_s, latency_s + CHANNELS_APART_S), strict=True
        ):
            samples = _filter(programme, gain, late_s)
            if self.is_noisy:
                samples += _make_hum(len(samples), programme.rate_hz, hum_dbfs)
                noise = drawn.standard_normal(len(samples))
                samples += 10.0 ** (floor_dbfs / 20.0) / math.sqrt(2.0) * noise
            recordings.append(
                Recording(
                    samples=np.clip(samples, -1.0, 1.0),
                    rate_hz=programme.rate_hz,
                    conditions=Conditions(path=path, bench="simulated", seed=self.seed),
                )
            )
        return recordings[0], recordings[1]

    def read_sizes(self) -> dict[str, float]:
        """
        What the owner types of it: each figure as well as such a thing can be read.

        Returns
        -------
        dict of str to float
            By the names of the readings.
        """
        drawn = make_generator(self.seed, "reciprocity readings")
        jig = self.jig
        area_m2 = jig.large.edges_m[0] * jig.large.edges_m[1]
        return {
            "small_cm3": 1e6 * jig.small.volume_m3 + 0.1 * _draw(drawn),
            "large_cm3": 1e6 * jig.large.volume_m3 + 0.1 * _draw(drawn),
            "volume_error_cm3": 0.2,
            "bore_mm": 1e3 * math.sqrt(4.0 * area_m2 / math.pi) + 0.3 * _draw(drawn),
            "pressure_hpa": 0.01 * jig.air.pressure_pa + 1.5 * _draw(drawn),
            "resistor_ohm": RESISTOR_OHM,
        }

    def read_tap(self, error_db: float) -> float:
        """Volts for a recorded 1.0 as the owner's meter has them, within that at 95 %."""
        drawn = make_generator(self.seed, "reciprocity meter")
        return float(self.jig.tap_v * 10.0 ** (0.5 * error_db * _draw(drawn) / 20.0))

    def find_truth_pa(self, frequency_hz: Array) -> Array:
        """What is to be found: pascal for a recorded 1.0, shape as the frequencies."""
        return np.asarray(1.0 / np.abs(self.jig.compute_microphone(frequency_hz)))


def _draw(drawn: np.random.Generator) -> float:
    return float(np.clip(drawn.standard_normal(), -2.5, 2.5))


def _filter(programme: Programme, gain: np.ndarray, late_s: float) -> Array:
    """Samples as they come back through a gain known along the band, late by that much."""
    rate_hz = programme.rate_hz
    n_samples = len(programme.samples) + round((LEAD_S + LATENCY_S[1] + TAIL_S) * rate_hz)
    n_fast = find_next_fast_length(n_samples)
    spectrum = np.fft.rfft(programme.samples, n_fast)
    hz = np.fft.rfftfreq(n_fast, 1.0 / rate_hz)
    through = np.interp(hz, SOLVED_HZ, gain.real) + 1j * np.interp(hz, SOLVED_HZ, gain.imag)
    through[(hz < SOLVED_HZ[0]) | (hz > SOLVED_HZ[-1])] = 0.0
    late = np.exp(-2j * np.pi * hz * late_s)
    return np.asarray(np.fft.irfft(spectrum * through * late, n_fast)[:n_samples])


def _make_hum(n_samples: int, rate_hz: int, level_dbfs: float) -> Array:
    """Mains at 50 Hz with some harmonics, falling."""
    time_s = np.arange(n_samples) / rate_hz
    parts = [np.sin(2.0 * np.pi * 50.0 * n * time_s + n) / n for n in (1, 2, 3, 5, 7)]
    return np.asarray(10.0 ** (level_dbfs / 20.0) * np.sum(parts, axis=0))
