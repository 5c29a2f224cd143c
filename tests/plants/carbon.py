# mypy: disable-error-code="operator,type-arg"
"""
A carbon element with memory.

A sound of amplitude A moves the granules by a loop of Rayleigh's kind (`hysteresis`), their
resistance follows 1 / (1 - m x), and the whole is scaled by a level law (threshold, compression)
and by a gain that remembers: three relaxations, settling, packing by sound, chance jumps of the
heap. Noise that breathes with the sound comes on top. Numbers: `tables/parameters.csv`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy import fft
from scipy.signal import lfilter

from plants.filters import Shape, band_dbfs, keep_response, make_noise, padded_length
from plants.fixed import TALK_AMPLITUDE
from plants.plant import PERIOD, Plant, Sloping, Take, White
from plants.tables import load_shape, typical

STATE_HZ = 1000
MEMORY_S = (0.1, 2.0, 60.0)
LOUDEST = 0.9
THRESHOLD_AT, COMPRESSION_AT = 0.15, 2.0


@dataclass(frozen=True)
class NetworkBand:
    """What the set's network passes: one coupling corner, one of the line."""

    gain: float = 0.5
    low_hz: float = 90.0
    high_hz: float = 9000.0

    def __call__(self, frequency_hz: Any) -> Any:
        f = 1j * np.asarray(frequency_hz, float)
        return self.gain * f / (f + self.low_hz) / (1 + f / self.high_hz)


@dataclass(frozen=True)
class Carbon(Plant):
    """Decibels are of level; `memory_db` is what each relaxation takes off at talk level."""

    name: str = "carbon"
    before: object = Shape.from_table(load_shape("carbon_later_element"))
    after: object = NetworkBand()
    noise: object = Sloping(-68.0, typical("carbon", "noise_slope_db_per_decade"), White(-90.0))
    modulation: float = typical("carbon", "modulation")
    hysteresis: float = typical("carbon", "hysteresis")
    threshold_loss_db: float = typical("carbon", "threshold_loss_db")
    compression_db: float = typical("carbon", "compression_db")
    memory_db: tuple = (0.15, 0.2, 0.2)
    settling_db: float = 0.0
    settling_s: float = 6.0
    packing_db_per_sweep: float = 0.0
    jumps_per_s: float = 0.0
    jump_db: float = 0.3
    breathing_db: float = typical("carbon", "breathing_db")
    frying_per_s: float = 0.0
    frying_peak: float = 0.02

    @property
    def is_linear(self) -> Any:
        return False

    def level_law_db(self, amplitude: Any) -> Any:
        """Gain against amplitude, 0 dB at talk level."""
        a = np.asarray(amplitude, float) / TALK_AMPLITUDE

        def held(u: Any) -> Any:
            return 1 / (1 + (u / THRESHOLD_AT) ** 2)

        def pressed(u: Any) -> Any:
            return u**2 / (u**2 + COMPRESSION_AT**2)

        far, loud = 10 ** (-19 / 20), 10 ** (10 / 20)
        threshold = self.threshold_loss_db / (held(far) - held(1.0))
        compression = self.compression_db / (pressed(loud) - pressed(1.0))
        # Nothing more happens above 10 dB and below -40 dB: the table ends there.
        a = np.clip(a, 0.01, loud)
        return threshold * (held(1.0) - held(a)) + compression * (pressed(1.0) - pressed(a))

    def _bend(self, analytic: Any) -> Any:
        """Output of the granules for an analytic input, `imag` a quarter period behind."""
        amplitude = np.abs(analytic)
        x, q = analytic.real, analytic.imag
        loop = self.hysteresis / TALK_AMPLITUDE
        moved = x * (1 + loop * amplitude) + loop / 2 * q * np.abs(q)
        u = np.clip(self.modulation / TALK_AMPLITUDE * moved, -LOUDEST, LOUDEST)
        bent = u / (1 - u) * (TALK_AMPLITUDE / self.modulation)
        law = np.interp(amplitude, *self._law_table())
        return bent * law, amplitude

    def _law_table(self) -> Any:
        a = np.linspace(0, 4 * TALK_AMPLITUDE, 4001)
        return a, 10 ** (self.level_law_db(a) / 20)

    def lines(self, amplitude: Any) -> Any:
        angle = 2 * np.pi * np.arange(PERIOD) / PERIOD
        analytic = -1j * np.exp(1j * angle) * np.asarray(amplitude, float)[..., None]
        return fft.rfft(self._bend(analytic)[0], axis=-1)[..., :6] * 2 / PERIOD * 1j

    def remember(self, envelope: Any, rng: Any) -> Any:
        """Gain in dB against time that this course of amplitude leaves, at `STATE_HZ`."""
        u = np.minimum(envelope / TALK_AMPLITUDE, 1.0)
        gain = np.zeros(len(u))
        for depth_db, tau_s in zip(self.memory_db, MEMORY_S, strict=True):
            pole = np.exp(-1 / (STATE_HZ * tau_s))
            gain -= depth_db * lfilter([1 - pole], [1, -pole], u**2)
        time_s = np.arange(len(u)) / STATE_HZ
        gain -= self.settling_db * (1 - np.exp(-time_s / self.settling_s))
        sounding = u > 0.02
        gain -= self.packing_db_per_sweep * np.cumsum(sounding) / STATE_HZ / 3.0
        jumps = sounding & (rng.random(len(u)) < self.jumps_per_s / STATE_HZ)
        return gain + np.cumsum(jumps * self.jump_db * rng.standard_normal(len(u)))

    def run(self, samples: Any, rate_hz: Any, rng: Any) -> Any:
        """Recording, gain of the memory in dB at `STATE_HZ`."""
        samples = np.asarray(samples, float)
        n = len(samples)
        length = padded_length(n, rate_hz)
        spectrum = fft.rfft(samples, length) * keep_response(self.before, length, rate_hz)
        wide = np.zeros(2 * length, complex)
        wide[1 : len(spectrum)] = 2 * spectrum[1:]
        bent, amplitude = self._bend(fft.ifft(wide, overwrite_x=True) * 2)
        passed = fft.rfft(bent)[: length // 2 + 1] / 2
        passed *= keep_response(self.after, length, rate_hz)
        sound = fft.irfft(passed, length)[:n]
        time_s = np.arange(n) / rate_hz
        state_s = np.arange(int(n * STATE_HZ / rate_hz) + 1) / STATE_HZ
        envelope = np.interp(state_s, np.arange(2 * n) / (2 * rate_hz), amplitude[: 2 * n])
        gain_db = self.remember(envelope, rng)
        recording = sound * np.interp(time_s, state_s, 10 ** (gain_db / 20))
        pole = np.exp(-1 / (STATE_HZ * 0.02))
        breath = np.interp(time_s, state_s, lfilter([1 - pole], [1, -pole], envelope))
        rustle = make_noise(n, rate_hz, Sloping(0.0, -10.0, White(-60.0)), rng)
        scale = 10 ** (self.breathing_db / 20) * abs(self.after(np.array([1000.0])))[0]
        recording += scale * breath * rustle
        recording += self.disturb(n, rate_hz, rng)
        return recording, gain_db

    def disturb(self, n_samples: Any, rate_hz: Any, rng: Any) -> Any:
        total = super().disturb(n_samples, rate_hz, rng)
        for _ in range(rng.poisson(self.frying_per_s * n_samples / rate_hz)):
            first = rng.integers(0, n_samples)
            n = min(int(0.003 * rate_hz), n_samples - first)
            decay = np.exp(-np.arange(n) / (0.0008 * rate_hz))
            size = self.frying_peak * rng.lognormal(0, 0.5)
            total[first : first + n] += size * decay * rng.choice([-1, 1]) * rng.uniform(0.5, 1, n)
        return total

    def noise_dbfs(self, from_hz: Any = 200.0, to_hz: Any = 4000.0) -> Any:
        """Idle noise with the crackle that is to be expected of it in the long run."""
        hiss_dbfs = super().noise_dbfs(from_hz, to_hz)
        if not self.frying_per_s:
            return hiss_dbfs

        def density(frequency_hz: Any) -> Any:
            """Energy of one decay of 0.8 ms, 3/4 high in the mean; its roughness adds 0.05 dB."""
            power, tau = self.frying_peak**2 * np.exp(2 * 0.5**2), 0.0008
            energy = power * (0.75 * tau) ** 2 / (1 + (2 * np.pi * frequency_hz * tau) ** 2)
            return 2 * self.frying_per_s * energy

        return 10 * np.log10(
            10 ** (hiss_dbfs / 10) + 10 ** (band_dbfs(density, from_hz, to_hz) / 10)
        )

    def play(self, samples: Any, rate_hz: Any, rng: Any) -> Any:
        return self.run(samples, rate_hz, rng)[0]

    def take(self, played: Any, rng: Any) -> Any:
        recording, gain_db = self.run(played.samples, played.rate_hz, rng)
        return Take(recording, played, self, gain_db, np.arange(len(gain_db)) / STATE_HZ)


EARLY = replace(
    Carbon(),
    name="carbon-early",
    before=Shape.from_table(load_shape("carbon_early_element")),
    hysteresis=0.1,
)
SETTLING = replace(Carbon(), name="carbon-settling", settling_db=1.6, jumps_per_s=0.15)
PACKING = replace(Carbon(), name="carbon-packing", packing_db_per_sweep=0.4)
FRYING = replace(Carbon(), name="carbon-frying", frying_per_s=6.0, breathing_db=-40.0)
