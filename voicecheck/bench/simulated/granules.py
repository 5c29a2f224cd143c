"""
The moods of carbon granules: what they remember, how they settle, pack, shift, drag and breathe.

A carbon element is not one fixed object while it is listened to. Its granules lie as the last
sounds left them (memory, from a tenth of a second to minutes), creep while the current warms
them (settling), are pressed together by loud sound (packing), slip into another arrangement
(re-arrangement, only while sound shakes them), follow the diaphragm with friction (hysteresis),
and hiss more while they are shaken (breathing noise). That they do is published (S14: output and
resistance depend on the arrangement; S18: packing); every number here is from memory, rows
`carbon,memory_*`, `settling_*`, `packing_*`, `rearrangement_*`, `hysteresis_*` and `breathing_*`
of `simulated_parameters.csv`. A sound element has them mildly.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from voicecheck.bench.simulated.contact import drag
from voicecheck.bench.simulated.draws import draw_factor
from voicecheck.records.arrays import Array

MEMORY_S = (0.1, 0.6, 4.0, 25.0, 150.0)
"""Time constants of the memory, evenly spread in the logarithm (`carbon,memory_time`, MEM)."""
STRIDE = 32
SHIFT_EDGE_S = 0.02
SHIFT_RETURN = 0.7
"""Share of a shift that the next arrangement keeps, so that the level does not wander off."""
TALK_MEAN_SQUARE_PA2 = 10.0 ** (-4.7 / 10.0)
LOUDEST_RATIO = 8.0
"""The breathing grows with the mean square up to 9 dB above talking level; PROP."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Granules:
    """
    How the granules of one element behave while it is listened to.

    Parameters
    ----------
    memory_db : float
        Change of sensitivity that lasting loud sound leaves behind; either sign.
    memory_s : tuple of float
        Time constants over which it comes and goes, with equal shares.
    settle_db, settle_s : float
        Change of sensitivity after the conditioning, and its time constant.
    pack_db_per_s : float
        Loss of sensitivity per second of loud sound.
    shift_db, shift_per_s : float
        Standard deviation and rate of re-arrangements under sound.
    drag_share : float
        Share of the granules that follow with friction.
    drag_pa : tuple of float
        Travel that friction takes up, as pressures.
    breath_db : float
        Rise of the excess noise under sound of talking level.
    """

    memory_db: float = 0.15
    memory_s: tuple[float, ...] = MEMORY_S
    settle_db: float = -0.12
    settle_s: float = 40.0
    pack_db_per_s: float = 0.0
    shift_db: float = 0.03
    shift_per_s: float = 0.5
    drag_share: float = 0.15
    drag_pa: tuple[float, ...] = (0.06, 0.24)
    breath_db: float = 3.0

    def draw(self, generator: np.random.Generator) -> Granules:
        """Another element of the type: sizes differ by 3 dB, memory and settling in sign too."""
        sizes = [draw_factor(generator, 3.0) for _ in range(5)]
        # More elements lose than gain when they settle; sound loosens as often as it packs.
        memory_sign = 1.0 if generator.uniform() < 0.5 else -1.0
        settle_sign = 1.0 if generator.uniform() < 0.7 else -1.0
        return dataclasses.replace(
            self,
            memory_db=self.memory_db * sizes[0] * memory_sign,
            settle_db=self.settle_db * sizes[1] * settle_sign,
            shift_db=self.shift_db * sizes[2],
            drag_share=self.drag_share * sizes[3],
            breath_db=self.breath_db * sizes[4],
        )

    def seat(self, generator: np.random.Generator) -> Granules:
        """Conditioned anew: memory, settling and shifts differ by 2 dB in size."""
        return dataclasses.replace(
            self,
            memory_db=self.memory_db * draw_factor(generator, 2.0),
            settle_db=self.settle_db * draw_factor(generator, 2.0),
            shift_db=self.shift_db * draw_factor(generator, 2.0),
        )

    def compute_gain(
        self, loosened: Array, rate_hz: float, generator: np.random.Generator | None
    ) -> Array:
        """
        Sensitivity over time re freshly conditioned granules.

        Parameters
        ----------
        loosened : ndarray, shape (n_samples,)
            0 for granules at rest to 1 for thoroughly shaken ones.
        rate_hz : float
        generator : numpy.random.Generator or None
            Draws the re-arrangements; None for none.

        Returns
        -------
        ndarray, shape (n_samples,)
            Ratio, no unit.
        """
        # All of this is slower than a few hertz: every 32nd sample will do.
        n_samples, loosened = len(loosened), loosened[::STRIDE]
        rate_hz = rate_hz / STRIDE
        time_s = np.arange(len(loosened)) / rate_hz
        level_db = self.settle_db * -np.expm1(-time_s / self.settle_s)
        if self.memory_db:
            for constant_s in self.memory_s:
                trace = follow_mean(loosened, rate_hz, constant_s)
                level_db += self.memory_db / len(self.memory_s) * trace
        if self.pack_db_per_s:
            level_db -= self.pack_db_per_s / rate_hz * np.cumsum(loosened)
        if generator is not None and self.shift_db:
            level_db += self._draw_shifts(generator, loosened, rate_hz)
        ratio = 10.0 ** (level_db / 20.0)
        return np.interp(np.arange(n_samples) / STRIDE, np.arange(len(level_db)), ratio)

    def _draw_shifts(
        self, generator: np.random.Generator, loosened: Array, rate_hz: float
    ) -> Array:
        """Levels in dB of the arrangements that the granules slip into, shape kept."""
        length_s = len(loosened) / rate_hz
        count = generator.poisson(self.shift_per_s * length_s)
        instants_s = np.sort(generator.uniform(0.0, length_s, count))
        chances, sizes_db = generator.uniform(size=count), generator.standard_normal(count)
        corner_s, corner_db, now_db = [0.0], [0.0], 0.0
        for instant_s, chance, size in zip(instants_s, chances, sizes_db, strict=True):
            # At rest nothing slips: a slip there would click, which is crackle and not this.
            if chance > loosened[min(int(instant_s * rate_hz), len(loosened) - 1)]:
                continue
            next_db = SHIFT_RETURN * now_db + self.shift_db * np.sqrt(1 - SHIFT_RETURN**2) * size
            corner_s += [instant_s, instant_s + SHIFT_EDGE_S]
            corner_db += [now_db, next_db]
            now_db = next_db
        return np.interp(np.arange(len(loosened)) / rate_hz, corner_s, corner_db)

    def follow(self, drive_pa: Array) -> Array:
        """Drive as the granules follow it, friction and all; in the order of time, shape kept."""
        if not self.drag_share:
            return drive_pa
        dragged = drag(drive_pa, self.drag_pa)
        return np.asarray(drive_pa + self.drag_share * (dragged - drive_pa))

    def compute_breath(self, mean_square_pa2: Array) -> Array:
        """Amplitude of the excess noise re idle under a drive of this mean square, shape kept."""
        louder = np.minimum(mean_square_pa2 / TALK_MEAN_SQUARE_PA2, LOUDEST_RATIO)
        return np.asarray(np.sqrt(1.0 + (10.0 ** (self.breath_db / 10.0) - 1.0) * louder))


def follow_mean(samples: Array, rate_hz: float, constant_s: float) -> Array:
    """
    Running mean with an exponential memory, at rest before the first sample.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
    rate_hz : float
    constant_s : float
        Time constant.

    Returns
    -------
    ndarray, shape (n_samples,)
    """
    from scipy.signal import lfilter

    kept = float(np.exp(-1.0 / (rate_hz * constant_s)))
    return np.asarray(lfilter([1.0 - kept], [1.0, -kept], samples))
