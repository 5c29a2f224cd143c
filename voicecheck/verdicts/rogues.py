"""
Reference sets that do not belong with the others of their baseline.

Each set is held against the others (leave-one-out), in five ways: its level, its own level (what is
left of it once shape, distortion and noise are allowed for), the shape of its curve, its distortion
and its noise. A number is judged by Student's t, the shape by the ratio of its mean square to that
of the others (F, with the degrees of freedom that its covariance leaves, after G. E. P. Box, Annals
of Mathematical Statistics 25, 1954, general statistics). The chances are added up over the sets
(Bonferroni) and shared out over the ways, so that of 100 baselines of healthy sets at most two
name one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.records import Baseline, Doubt, Run
from voicecheck.records.arrays import Array
from voicecheck.verdicts.covariance import (
    LEAST_SD_DB,
    Kin,
    borrow_own_level,
    gather_kin,
    leave_out,
    pool_covariance,
    read_sets,
    weigh_own_level,
)
from voicecheck.verdicts.kindred import Borrowed, join_variance
from voicecheck.verdicts.limits import FLOOR_DB, prediction_factor
from voicecheck.verdicts.ownspread import shape_of
from voicecheck.verdicts.traits import DISTORTION, LEVEL, NOISE, SHAPE, TRAITS

NAMED_RATE = 0.02
"""Share of baselines of healthy sets that may name one."""
FEWEST_SETS = 3
ALONE = {"level": 0.5, "own level": 0.5, "shape": 0.1, "distortion": 0.1, "noise": 0.1}
WITH_KIN = {"level": 0.3, "own level": 1.0, "shape": 0.1, "distortion": 0.1, "noise": 0.1}
"""
How the rate is shared out over the ways.

They sum to more than 1 since level and own level are nearly one statement, and sets are held
against each other: with these shares at most 2 of 100 baselines name a healthy set
(`tests/bench/verdict_rates.md`).
"""
MUCH_MORE = 1.5
"""An own level that is so many times the level's departure is told in its place."""
COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
WORDS = {
    "level": ("fainter", "louder"),
    "own level": ("fainter", "louder"),
    "distortion": ("less distorted", "more distorted"),
    "noise": ("quieter in the pauses", "noisier in the pauses"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """How far one set lies from the others in one way, in dB, and the chance of it."""

    way: str
    away_db: float
    probability: float


def find_doubted(runs: Sequence[Run], kindred: Sequence[Baseline] = ()) -> tuple[Doubt, ...]:
    """
    Reference sets that stand out from the others.

    Parameters
    ----------
    runs : sequence of Run
        One for each set, of one path.
    kindred : sequence of Baseline
        Of the same path, without the type itself; from three on they lend their spread.

    Returns
    -------
    tuple of Doubt
        The least likely first; empty with fewer than three sets.

    Notes
    -----
    Two sets that depart alike hide each other.
    """
    if len(runs) < FEWEST_SETS:
        return ()
    sets, _ = read_sets(runs)
    used = np.all(np.isfinite(sets), axis=0)
    if not np.all(used[: SHAPE.stop]):
        return ()
    names = [name for name, is_used in zip(TRAITS, used, strict=True) if is_used]
    kin = gather_kin(kindred, used)
    doubts = []
    for index, run in enumerate(runs):
        departures = hold_against_others(sets[:, used], index, kin, names)
        worst = min(departures, key=lambda one: one.probability)
        if worst.probability <= NAMED_RATE:
            others = [one for k, one in enumerate(runs) if k != index]
            why = "; ".join(
                _tell(one, run, others)
                for one in _leave_twins(departures)
                if one.probability <= NAMED_RATE
            )
            doubts.append(Doubt(job=run.job, path=run.path, probability=worst.probability, why=why))
    return tuple(sorted(doubts, key=lambda one: one.probability))


def hold_against_others(
    sets: Array, index: int, kin: Kin, names: Sequence[str]
) -> tuple[Departure, ...]:
    """
    One set against the others in each of the ways.

    Parameters
    ----------
    sets : ndarray, shape (n_sets, n_traits)
        dB, without NaN; the first five traits are the curve's.
    index : int
        Of the set.
    kin : Kin
        With the same traits.
    names : sequence of str
        Of the traits.

    Returns
    -------
    tuple of Departure
        `probability` is that of a whole baseline: over all sets and ways.
    """
    others = np.delete(sets, index, axis=0)
    away = sets[index] - np.mean(others, axis=0)
    covariance = pool_covariance(others, kin)
    unit = np.eye(len(away))
    sums = {"level": unit[LEVEL], "own level": weigh_own_level(covariance)}
    for way, place in (("distortion", DISTORTION), ("noise", NOISE)):
        if TRAITS[place] in names:
            sums[way] = unit[names.index(TRAITS[place])]
    found = {}
    for way, weights in sums.items():
        size = float(weights @ away)
        if way == "own level":
            own, lent = leave_out(others, kin), borrow_own_level(others, kin)
        else:
            own, lent = float(np.var(others @ weights, ddof=1)), kin.borrow(weights)
        found[way] = size, _rate_size(size, own, lent, len(others), _find_floor(way))
    found["shape"] = _rate_shape(others, away, covariance, kin)
    shares = WITH_KIN if kin.deviations else ALONE
    return tuple(
        Departure(
            way=way, away_db=size, probability=min(1.0, chance * len(sets) / shares[way])
        )
        for way, (size, chance) in found.items()
    )  # fmt: skip


def _find_floor(way: str) -> float:
    if way == "own level":
        return LEAST_SD_DB
    return FLOOR_DB[way]


def _rate_size(
    size_db: float, variance: float, lent: Borrowed, n_others: int, floor_db: float
) -> float:
    """Two-sided chance of a departure by so much, Student's t."""
    from scipy.special import stdtr

    joined, dof = join_variance(variance, n_others - 1.0, lent)
    wide = max(math.sqrt(float(joined)), floor_db) * prediction_factor(n_others)
    return 2.0 * float(stdtr(dof, -abs(size_db) / wide))


def _rate_shape(others: Array, away: Array, covariance: Array, kin: Kin) -> tuple[float, float]:
    """The waves of the curve together: their rms, and the chance of as much."""
    from scipy.special import fdtrc

    part = covariance[SHAPE, SHAPE]
    dof = float(np.trace(part) ** 2 / np.sum(part**2))
    own = float(np.sum(np.var(others[:, SHAPE], axis=0, ddof=1)))
    # As if all of it were one wave: the waves of few sets are not independent.
    variance, below = join_variance(own, len(others) - 1.0, kin.borrow_shape())
    square = float(np.sum(away[SHAPE] ** 2))
    wide = max(float(variance), FLOOR_DB["shape"] ** 2) * prediction_factor(len(others)) ** 2
    return math.sqrt(square), float(fdtrc(dof, below, square / wide))


def _leave_twins(departures: Sequence[Departure]) -> list[Departure]:
    """The least likely first; of level and own level the one that tells what is there."""
    by_way = {one.way: one for one in departures}
    level, own = by_way["level"], by_way["own level"]
    is_own = abs(own.away_db) > MUCH_MORE * abs(level.away_db)
    if min(level.probability, own.probability) <= NAMED_RATE:
        told = own if is_own else level
        chance = min(level.probability, own.probability)
        by_way["level"] = Departure(way=told.way, away_db=told.away_db, probability=chance)
    del by_way["own level"]
    return sorted(by_way.values(), key=lambda one: one.probability)


def _tell(departure: Departure, run: Run, others: Sequence[Run]) -> str:
    count = COUNTS[len(others)] if len(others) < len(COUNTS) else str(len(others))
    than = f"than the other {count}"
    if departure.way == "shape":
        return _tell_shape(run, others, f"that of the other {count}")
    word = WORDS[departure.way][departure.away_db > 0.0]
    told = f"{abs(departure.away_db):.1f} dB {word} {than}"
    if departure.way == "own level":
        told += " once shape, distortion and noise are allowed for"
    return told


def _tell_shape(run: Run, others: Sequence[Run], theirs: str) -> str:
    """Where the shape of the curve lies furthest from the mean of the others."""
    shapes = [
        shape_of(one.pooled.response) for one in (run, *others) if one.pooled.response is not None
    ]
    away = shapes[0] - np.mean(shapes[1:], axis=0)
    worst = int(np.nanargmax(np.abs(away)))
    response = run.pooled.response
    hz = response.frequency_hz[worst] if response is not None else math.nan
    word = "above" if away[worst] > 0.0 else "below"
    return f"in shape {abs(away[worst]):.1f} dB {word} {theirs} near {hz:.0f} Hz"
