# mypy: disable-error-code="no-any-return"
"""
Make voicecheck/data/verdict_factors.csv: how far limits stand from the mean, in deviations.

    python tests/bench/verdict_factors.py > voicecheck/data/verdict_factors.csv

The statistic is the largest |new set - mean| / (w s sqrt(1 + 1/n)) over all points, bands and
shape points of a curve (w: weights of the three), or over the distortion figures (upper side),
s drawn towards the whole group's spread. Once s is drawn so, its distribution depends mainly on
how much of the variance is common to all points (a level that differs from set to set has its
spread known no better than n sets tell), so there is a table for each of three ranges of that
share as estimated from the sets. Quantiles are over a mixture of populations: true share 0.2,
0.5, 0.8, 0.95; correlation length 0.4, 0.8, 1.5, 4 octaves (the last is hardly more than a slope,
as of sets that differ by one part); spread over the band even, or wavy (its logarithm a smooth
random curve of standard deviation 0.4). Takes about six minutes.
"""

from __future__ import annotations

import itertools
import sys

import numpy as np

from voicecheck.verdicts.limits import (
    BAND_VARIANCE,
    CURVE_PRIOR_DOF,
    DISTORTION_PRIOR_DOF,
    ERROR_RATE,
    LEVEL_SHARE_EDGES,
    WEIGHT,
    share_of,
)

SEED = 20260
DRAWS, FEWER_DRAWS = 7500, 4500
MANY_SETS = 14
"""From here on fewer draws will do: the factor hardly changes any more."""
BATCH = 1500
DOFS = (1, 2, 3, 4, 5, 6, 7, 9, 11, 14, 19, 29, 49)
PATHS = (1, 2, 3, 4)
FREQUENCY_HZ = 1000.0 * 10.0 ** (0.3 * (2.0 * np.arange(-28, 25) + 1.0) / 24.0)
OCTAVES = np.log2(FREQUENCY_HZ / 1000.0)
# In the order of BAND_VARIANCE; the last holds the point nearest to 1 kHz.
BANDS_HZ = ((200.0, 500.0), (500.0, 2000.0), (2000.0, 3400.0), (975.0, 1025.0))
CURVES = tuple(itertools.product((0.2, 0.5, 0.8, 0.95), (0.4, 0.8, 1.5, 4.0), (0.0, 0.4)))
DISTORTIONS = tuple(itertools.product((0.7, 1.5, 4.0), (1.0, 2.0), (0.1, 0.5)))


def make_root(length_octaves: float) -> np.ndarray:
    distance = OCTAVES[:, None] - OCTAVES[None, :]
    values, vectors = np.linalg.eigh(np.exp(-0.5 * (distance / length_octaves) ** 2))
    return (vectors * np.sqrt(np.clip(values, 0.0, None))).astype(np.float32)


def make_band_weights() -> np.ndarray:
    rows = []
    for low, high in BANDS_HZ:
        inside = (low <= FREQUENCY_HZ) & (high >= FREQUENCY_HZ)
        if not inside.any():
            inside = np.abs(OCTAVES) == np.abs(OCTAVES).min()
        rows.append(inside / inside.sum())
    return np.array(rows, dtype=np.float32)


def drawn_spread(deviation: np.ndarray, prior_dof: float) -> np.ndarray:
    """Spread over axis 1, drawn towards the mean variance of the group (last axis)."""
    dof = deviation.shape[1] - 1
    variance = deviation.var(axis=1, ddof=1)
    whole = variance.mean(axis=-1, keepdims=True)
    return np.sqrt((prior_dof * whole + dof * variance) / (dof + prior_dof))


def statistic(sets: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """Last of the sets against the others, in deviations of one more set."""
    n = sets.shape[1] - 1
    return (sets[:, -1] - sets[:, :-1].mean(axis=1)) / (spread * np.sqrt(1.0 + 1.0 / n))


def draw_curves(random: np.random.Generator, n: int, scenario: tuple[float, ...]) -> np.ndarray:
    level_share, length, uneven = scenario
    waves = random.standard_normal((BATCH, 1, len(OCTAVES)), dtype=np.float32)
    profile = np.exp(uneven * (waves @ make_root(0.8).T))
    wave = random.standard_normal((BATCH, n + 1, len(OCTAVES)), dtype=np.float32)
    wave = wave @ make_root(length).T
    level = random.standard_normal((BATCH, n + 1, 1), dtype=np.float32)
    mixed = np.sqrt(level_share) * level + np.sqrt(1.0 - level_share) * wave
    return (mixed * profile.astype(np.float32)).astype(np.float32)


def draw_acoustic_statistics(
    random: np.random.Generator, n: int, scenario: tuple[float, ...]
) -> tuple[np.ndarray, np.ndarray]:
    sets = draw_curves(random, n, scenario)
    bands = sets @ make_band_weights().T
    shapes = sets - sets.mean(axis=2, keepdims=True)
    whole = sets[:, :-1].var(axis=1, ddof=1).mean(axis=-1, keepdims=True)
    band_variance = bands[:, :-1].var(axis=1, ddof=1)
    expected = whole * np.array(list(BAND_VARIANCE.values()))
    band_spread = np.sqrt(
        (CURVE_PRIOR_DOF * expected + (n - 1) * band_variance) / (n - 1 + CURVE_PRIOR_DOF)
    )
    curve = statistic(sets, drawn_spread(sets[:, :-1], CURVE_PRIOR_DOF))
    shape = statistic(shapes, drawn_spread(shapes[:, :-1], CURVE_PRIOR_DOF))
    band = statistic(bands, band_spread)
    parts = ((curve, "curve"), (shape, "shape"), (band, "level"))
    share = 1.0 - shapes[:, :-1].var(axis=1, ddof=1).mean(axis=-1) / whole[:, 0]
    largest = np.max([np.abs(part).max(axis=1) / WEIGHT[name] for part, name in parts], axis=0)
    return largest, share


def draw_distortion_statistics(
    random: np.random.Generator, n: int, scenario: tuple[float, ...]
) -> np.ndarray:
    length, sd, own = scenario
    wave = random.standard_normal((BATCH, n + 1, len(OCTAVES)), dtype=np.float32)
    thd = -2.0 * OCTAVES.astype(np.float32) + sd * (wave @ make_root(length).T)
    at = [int(np.argmin(np.abs(FREQUENCY_HZ - hz))) for hz in (315.0, 500.0, 1000.0)]
    sinad = thd[:, :, at[2]] + own * sd * random.standard_normal((BATCH, n + 1), dtype=np.float32)
    sets = np.stack([*(thd[:, :, k] for k in at), thd.max(axis=2), sinad], axis=2)
    return statistic(sets, drawn_spread(sets[:, :-1], DISTORTION_PRIOR_DOF)).max(axis=1)


def draw_all(seed: list[int], n: int) -> dict[str, np.ndarray]:
    """Statistics of n reference sets by name of the table; each family has draws of its own."""
    random, other = np.random.default_rng(seed), np.random.default_rng([*seed, 1])
    acoustic, shares, distortion = [], [], []
    draws = DRAWS if n <= MANY_SETS else FEWER_DRAWS
    for _ in range(draws // BATCH):
        for scenario in CURVES:
            largest, share = draw_acoustic_statistics(random, n, scenario)
            acoustic.append(largest)
            shares.append(share)
        for scenario in DISTORTIONS:
            distortion.append(draw_distortion_statistics(other, n, scenario))
    values, bins = np.concatenate(acoustic), np.digitize(np.concatenate(shares), LEVEL_SHARE_EDGES)
    tables = {f"acoustic-{k}": values[bins == k] for k in range(len(LEVEL_SHARE_EDGES) + 1)}
    return tables | {"distortion": np.concatenate(distortion)}


def main() -> None:
    out = sys.stdout
    out.write("# Limits in deviations of one more healthy set, by verdict_factors.py (CALC)\n")
    draws = f"{DRAWS} draws ({FEWER_DRAWS} from {MANY_SETS} on)"
    out.write(f"# seed {SEED}; {draws} of each of {len(CURVES)} populations a row\n")
    out.write("table,dof,n_paths,factor,provenance\n")
    for dof in DOFS:
        for table, values in draw_all([SEED, dof], dof + 1).items():
            for n_paths in PATHS:
                tail = ERROR_RATE * share_of(table.partition("-")[0], dof) / n_paths
                out.write(f"{table},{dof},{n_paths},{np.quantile(values, 1.0 - tail):.3f},CALC\n")
        out.flush()


if __name__ == "__main__":
    main()
