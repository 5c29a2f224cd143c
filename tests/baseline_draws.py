# mypy: disable-error-code="no-any-return,no-untyped-call,arg-type"
"""
Sets of the independent populations as plain numbers, for rates of baselines.

`tests/plants` draws the sets; a seat's own departure is taken from sets that were seated often.
Types are drawn as deviations from the population's mean, which other spreads multiply: what counts
is level, tilt, bump, distortion and noise and how they go together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from plants.drawn import POINTS_HZ
from plants.pop_lumped import LumpedPopulation
from plants.pop_parametric import ParametricPopulation
from plants.pop_process import ProcessPopulation
from seat_figures import BANDS, CURVE, NOISE, PLACES, ROOMS, THD, read_figures

from voicecheck.verdicts.covariance import Kin
from voicecheck.verdicts.traits import TRAITS

N_SEATS = 3
KIN_SETS = 6
KIN_FACTOR = 0.3
"""Standard deviation of the logarithm of a kindred type's spread over the type's own."""
LUMPED_SPREAD = 0.59
"""With it the level of population B spreads by 0.9 dB, as that of C (CALC)."""

PLAIN = ProcessPopulation(heavy=False, other_make=0.0)
POPULATIONS: dict[str, Any] = {
    "A": ParametricPopulation(),
    "B": LumpedPopulation(spread=LUMPED_SPREAD),
    "C": PLAIN,
    "C, heavy tails": replace(PLAIN, heavy=True),
    "C, 8 of 100 of another make": replace(PLAIN, heavy=True, other_make=0.08),
    "C, two makes": replace(PLAIN, other_make=0.5),
}
ASKED = ("A", "B", "C")
"""Those that the promise is held against."""


@dataclass(frozen=True)
class Library:
    """Deviations of sets and of seats from their means, shape (n, n_figures) each."""

    sets: np.ndarray
    seats: np.ndarray
    mean: np.ndarray

    @classmethod
    def draw(cls, population: Any, n_sets: int, rng: np.random.Generator) -> Library:
        sets = np.array([read_figures(population.draw(rng)) for _ in range(n_sets)])
        seats = []
        for _ in range(max(n_sets // 50, 10)):
            drawn = population.draw(rng)
            rows = np.array([read_figures(population.seat(drawn, rng)) for _ in range(12)])
            seats.append((rows - rows.mean(axis=0)) * np.sqrt(12 / 11))
        return cls(sets - sets.mean(axis=0), np.concatenate(seats), sets.mean(axis=0))

    def measure(
        self, shape: tuple[int, ...], rng: np.random.Generator, sd: Any = 1.0
    ) -> np.ndarray:
        """Figures of one run of three seats for each set, shape (*shape, n_figures)."""
        sets = self.sets[rng.integers(0, len(self.sets), shape)] * sd
        seats = self.seats[rng.integers(0, len(self.seats), (*shape, N_SEATS))].mean(axis=-2)
        return self.mean + sets + seats + self.measure_noise(shape, rng)

    def measure_noise(self, shape: tuple[int, ...], rng: np.random.Generator) -> np.ndarray:
        """What the recordings of a quiet room add."""
        noise = np.zeros((*shape, self.sets.shape[1]))
        for place, spread in ROOMS["quiet"].items():
            part = noise[..., PLACES[place]]
            part += spread / np.sqrt(N_SEATS) * rng.standard_normal(part.shape)
        return noise


def make_trait_map() -> np.ndarray:
    """What turns figures into traits, shape (n_figures, n_traits); linear, as the traits are."""
    place = 2.0 * np.log(POINTS_HZ / 200.0) / np.log(20.0) - 1.0
    waves = np.linalg.pinv(np.polynomial.legendre.legvander(place, 4))
    found = np.zeros((NOISE.stop + 2, len(TRAITS)))
    found[CURVE, :5] = waves.T / np.sqrt(2.0 * np.arange(5) + 1.0)
    found[THD.start : THD.start + 3, TRAITS.index("distortion")] = 1.0 / 3.0
    found[NOISE, TRAITS.index("noise")] = 1.0
    return found


TRAIT_MAP = make_trait_map()


def draw_kin(library: Library, count: int, rng: np.random.Generator, sd: float) -> list[np.ndarray]:
    """Figures of six sets of each of some kindred types, shape (6, n_figures)."""
    factors = np.exp(KIN_FACTOR * rng.standard_normal(count))
    return [library.measure((KIN_SETS,), rng, sd * factor) for factor in factors]


def make_kin(types: list[np.ndarray]) -> Kin:
    traits = [one @ TRAIT_MAP for one in types]
    return Kin(deviations=tuple(one - one.mean(axis=0) for one in traits))


def lose_level(figures: np.ndarray, loss_db: float) -> np.ndarray:
    """The same sets with so much less level and all else as it was."""
    changed = figures.copy()
    changed[..., CURVE] -= loss_db
    changed[..., BANDS] -= loss_db
    return changed
