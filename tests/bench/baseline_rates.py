# mypy: disable-error-code="arg-type,no-any-return"
"""
Baselines of independent populations: healthy sets outside, level losses found, rogues named.

    python tests/bench/baseline_rates.py [--baselines 300] [--records 99] [--only limits]

One path, three seats, a quiet room. The populations are those of `tests/plants`, drawn by
`tests/baseline_draws.py`, their spread multiplied for other rows. Baselines and sets are judged at
the level of measurements with the functions that the program uses; `--records` of them go through
`build_baseline` and `compare_to_baseline` as well, and the share on which both say the same is
printed. Beside the loss that the program finds in 90 of 100 stand two tests that spend 5 in 100 on
the level alone: the prediction interval for the one number (mean +- t s sqrt(1 + 1/n)), and the
best weighted sum of the traits with the population's covariance known.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.stats import norm
from scipy.stats import t as student

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from baseline_draws import ASKED, POPULATIONS, TRAIT_MAP, Library, draw_kin, lose_level, make_kin
from seat_figures import (
    BAND_NAMES,
    BANDS,
    CURVE,
    LAWS,
    NOISE,
    THD,
    make_reference_runs,
    make_run,
)

from voicecheck.records import Baseline, Covariation
from voicecheck.records.quantities import BY_NAME
from voicecheck.verdicts import build_baseline, compare_to_baseline
from voicecheck.verdicts.covariance import Kin, find_own_level, relate_sets, weigh_own_level
from voicecheck.verdicts.kindred import NOTHING, Borrowed, borrow_from
from voicecheck.verdicts.limits import FLOOR_DB, limit_factor, mean_variance, prediction_factor
from voicecheck.verdicts.rogues import NAMED_RATE, hold_against_others
from voicecheck.verdicts.setspread import draw_variance, spread_curve
from voicecheck.verdicts.traits import TRAITS

ROWS = ((3, 0), (5, 0), (8, 0), (20, 0), (3, 10), (5, 10), (8, 10))
"""Sets of the type, and kindred types with a baseline."""
SPREADS = (0.5, 1.0, 2.0)
NEW_SETS = 4
KIN_EVERY = 10
ROGUE_DB = 8.0
BIAS_DB = 0.5
"""Standard deviation of a calibration whose stated interval is +-1 dB."""
THD_NAMES = (
    "thd_315_percent",
    "thd_500_percent",
    "thd_1000_percent",
    "thd_max_percent",
    "sinad_db",
)
SCALARS = {
    **dict(zip(BAND_NAMES, range(BANDS.start, BANDS.stop), strict=True)),
    **dict(zip(THD_NAMES, range(THD.start, THD.stop), strict=True)),
    "psophometric_dbfs": NOISE.start,
    "compression_db": LAWS.start,
}
"""Judged quantities by their column among the figures."""
LEVELS = [*range(CURVE.start, CURVE.stop), *range(BANDS.start, BANDS.stop)]


@dataclass(frozen=True)
class Limits:
    """Of one baseline: shape (n_figures,) and (n_points,), infinite where there is none."""

    low: np.ndarray
    high: np.ndarray
    shape_low: np.ndarray
    shape_high: np.ndarray
    own: Covariation

    def find_outside(self, figures: np.ndarray, guard_db: float = 0.0) -> bool:
        """Whether one set is outside; `guard_db` is the half-width of a calibration."""
        shape = figures[CURVE] - figures[CURVE].mean()
        guard = np.zeros(len(figures))
        guard[LEVELS] = guard_db
        is_out = np.any((figures < self.low - guard) | (figures > self.high + guard))
        is_bent = np.any((shape < self.shape_low) | (shape > self.shape_high))
        return bool(is_out or is_bent or not -guard_db <= self._own_margin(figures))

    def _own_margin(self, figures: np.ndarray) -> float:
        if self.own.low_db is None or self.own.high_db is None:
            return np.inf
        value = find_own_level(figures @ TRAIT_MAP, self.own)
        return min(value - self.own.low_db, self.own.high_db - value)

    def find_loss(self, figures: np.ndarray) -> float:
        """The smallest loss of level with which one set is outside."""
        needed = float(np.min(figures[LEVELS] - self.low[LEVELS]))
        if self.own.low_db is not None:
            value = find_own_level(figures @ TRAIT_MAP, self.own)
            needed = min(needed, value - self.own.low_db)
        return max(needed, 0.0)


@dataclass(frozen=True)
class Kindred:
    """What kindred types lend."""

    traits: Kin
    borrowed: Mapping[str, Borrowed]

    @classmethod
    def draw(cls, library: Library, count: int, rng: np.random.Generator, sd: float) -> Kindred:
        types = draw_kin(library, count, rng, sd)
        return cls(make_kin(types), borrow_from(_spread_types(types)) if types else {})


def build(sets: np.ndarray, kindred: Kindred) -> Limits:
    """Limits of a baseline of sets, shape (n, n_figures), as `build_baseline` makes them."""
    n, curves, borrowed = len(sets), sets[:, CURVE], kindred.borrowed
    shapes = curves - curves.mean(axis=1, keepdims=True)
    curve = spread_curve(curves, borrowed.get("response", NOTHING))
    shape = spread_curve(shapes, borrowed.get("shape", NOTHING))
    share = 1.0 - shape.whole / curve.whole
    half = curve.half_width("curve", n, share)
    shape_half = shape.half_width("shape", n, share)
    low, high = np.full(sets.shape[1], -np.inf), np.full(sets.shape[1], np.inf)
    low[CURVE], high[CURVE] = curve.mean - half, curve.mean + half
    whole = {"level": curve.whole, "distortion": float(np.mean(sets[:, THD].var(axis=0, ddof=1)))}
    for name, at in SCALARS.items():
        quantity, values = BY_NAME[name], sets[:, at]
        variance, dof = draw_variance(
            quantity, float(values.var(ddof=1)), n - 1.0, whole, borrowed.get(name, NOTHING)
        )
        is_both = quantity.side == "both"
        factor = limit_factor(quantity.family, dof, is_two_sided=is_both, level_share=share)
        wide = factor * prediction_factor(n) * max(np.sqrt(variance), FLOOR_DB[quantity.family])
        low[at] = -np.inf if quantity.side == "upper" else values.mean() - wide
        high[at] = np.inf if quantity.side == "lower" else values.mean() + wide
    own = relate_sets(sets @ TRAIT_MAP, kindred.traits, curve_dof=curve.dof)
    return Limits(low, high, shape.mean - shape_half, shape.mean + shape_half, own)


def _spread_types(types: Sequence[np.ndarray]) -> dict[str, list[tuple[float, float]]]:
    spreads: dict[str, list[tuple[float, float]]] = {}
    for one in types:
        curves, dof = one[:, CURVE], len(one) - 1.0
        shapes = curves - curves.mean(axis=1, keepdims=True)
        found = {"response": curves, "shape": shapes}
        found |= {name: one[:, at : at + 1] for name, at in SCALARS.items()}
        for name, values in found.items():
            spreads.setdefault(name, []).append((mean_variance(values.var(axis=0, ddof=1)), dof))
    return spreads


def rate_limits(
    library: Library, row: tuple[int, int], sd: float, n_baselines: int, bias_db: float = 0.0
) -> dict[str, float]:
    """Share of healthy sets outside, and the level losses that are found in 90 of 100."""
    n, n_kin = row
    rng = np.random.default_rng([21, n, n_kin, int(10 * sd)])
    outside, losses, single, known = [], [], [], []
    covariance = np.cov((library.measure((4000,), rng, sd) @ TRAIT_MAP).T)
    best = weigh_own_level(covariance)
    best_sd = np.sqrt(best @ covariance @ best) * prediction_factor(n)
    for index in range(n_baselines):
        if index == 0 or (n_kin and index % KIN_EVERY == 0):
            kindred = Kindred.draw(library, n_kin, rng, sd)
        sets, new = library.measure((n,), rng, sd), library.measure((NEW_SETS,), rng, sd)
        limits = build(sets, kindred)
        middle = sets[:, BANDS.start]
        half = student.isf(0.025, n - 1) * middle.std(ddof=1) * prediction_factor(n)
        mean = sets.mean(axis=0)
        for one in new:
            biased = lose_level(one, bias_db * rng.standard_normal())
            outside.append(limits.find_outside(biased, 2.0 * bias_db))
            losses.append(limits.find_loss(one))
            single.append(one[BANDS.start] - middle.mean() + half)
            away = float(best @ ((one - mean) @ TRAIT_MAP))
            known.append(away + norm.isf(0.025) * best_sd)
    needed = [float(np.quantile(found, 0.9)) for found in (losses, single, known)]
    return {
        "outside": 100.0 * float(np.mean(outside)),
        **dict(zip(("loss", "single", "known"), needed, strict=True)),
    }


def rate_rogues(
    library: Library, row: tuple[int, int], sd: float, n_baselines: int
) -> tuple[float, float]:
    """Share of rogues that are named, and of healthy baselines in which any set is."""
    n, n_kin = row
    rng = np.random.default_rng([22, n, n_kin, int(10 * sd)])
    named, falsely = [], []
    for index in range(n_baselines):
        if index == 0 or (n_kin and index % KIN_EVERY == 0):
            kin = make_kin(draw_kin(library, n_kin, rng, sd))
        sets = library.measure((n,), rng, sd)
        falsely.append(any(_is_named(sets @ TRAIT_MAP, k, kin) for k in range(n)))
        sets[0] = lose_level(sets[0], ROGUE_DB)
        named.append(_is_named(sets @ TRAIT_MAP, 0, kin))
    return 100.0 * float(np.mean(named)), 100.0 * float(np.mean(falsely))


def _is_named(traits: np.ndarray, index: int, kin: Kin) -> bool:
    departures = hold_against_others(traits, index, kin, TRAITS)
    return min(one.probability for one in departures) <= NAMED_RATE


def rate_agreement(libraries: Mapping[str, Library], n: int) -> float:
    """Share of sets that the records' way judges alike, with kin and a level loss now and then."""
    rng = np.random.default_rng(23)
    alike = []
    for library in libraries.values():
        types = draw_kin(library, 4, rng, 1.0)
        kindred = Kindred(make_kin(types), borrow_from(_spread_types(types)))
        kin = [build_records(one, f"Kin {k}") for k, one in enumerate(types)]
        for index in range(n // len(libraries)):
            sets = library.measure((6,), rng)
            one = lose_level(library.measure((1,), rng)[0], 3.0 * (index % 2))
            baseline = build_records(sets, "Hillview 2", kin)
            run = make_run(one[None], "after")
            judged = compare_to_baseline(
                {"transmit": run}, {"transmit": baseline}, job=1, stage="after"
            )
            is_out = build(sets, kindred).find_outside(one)
            alike.append((judged.overall == "outside") == is_out)
    return float(np.mean(alike))


def build_records(sets: np.ndarray, type_name: str, kindred: Sequence[Baseline] = ()) -> Baseline:
    """Baseline of sets of one recording each, shape (n, n_figures), by the records' way."""
    runs = make_reference_runs(sets[:, None])
    return build_baseline(runs, type_name=type_name, path="transmit", kindred=kindred)


def print_limits(libraries: Mapping[str, Library], n_baselines: int) -> None:
    out = sys.stdout
    heads = ["sd, n, kindred types", *libraries, "A, B, C: loss found in 90, worst",
             "one number", "covariance known"]  # fmt: skip
    out.write("| " + " | ".join(heads) + " |\n|" + "---|" * len(heads) + "\n")
    for sd in SPREADS:
        for row in ROWS:
            found = {k: rate_limits(one, row, sd, n_baselines) for k, one in libraries.items()}
            asked = [found[name] for name in ASKED if name in found]
            worst = max(asked, key=lambda one: one["loss"])
            cells = [f"{sd:g}, {row[0]}, {row[1]}"]
            cells += [f"{one['outside']:.1f}" for one in found.values()]
            cells += [f"{worst[key]:.1f}" for key in ("loss", "single", "known")]
            out.write("| " + " | ".join(cells) + " |\n")
            out.flush()


def print_bias(libraries: Mapping[str, Library], n_baselines: int) -> None:
    out = sys.stdout
    out.write("\n| another calibration: n, kindred types | " + " | ".join(libraries) + " |\n")
    out.write("|" + "---|" * (1 + len(libraries)) + "\n")
    for row in ROWS:
        rates = [rate_limits(one, row, 1.0, n_baselines, BIAS_DB) for one in libraries.values()]
        cells = [f"{row[0]}, {row[1]}", *(f"{one['outside']:.1f}" for one in rates)]
        out.write("| " + " | ".join(cells) + " |\n")
        out.flush()


def print_rogues(libraries: Mapping[str, Library], n_baselines: int) -> None:
    out = sys.stdout
    out.write("\n| sd, n, kindred types: named / falsely | " + " | ".join(libraries) + " |\n")
    out.write("|" + "---|" * (1 + len(libraries)) + "\n")
    for sd, row in ((1.0, (5, 0)), (1.0, (8, 0)), (1.0, (5, 10)), (2.0, (5, 10)), (2.0, (8, 10))):
        rates = [rate_rogues(one, row, sd, n_baselines) for one in libraries.values()]
        cells = [f"{sd:g}, {row[0]}, {row[1]}", *(f"{a:.0f} / {b:.1f}" for a, b in rates)]
        out.write("| " + " | ".join(cells) + " |\n")
        out.flush()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--baselines", type=int, default=300)
    parser.add_argument("--sets", type=int, default=2500, help="drawn of each population")
    parser.add_argument("--records", type=int, default=99)
    parser.add_argument("--only", choices=("limits", "bias", "rogues", "records"))
    chosen = parser.parse_args()
    rng = np.random.default_rng(20)
    libraries = {k: Library.draw(one, chosen.sets, rng) for k, one in POPULATIONS.items()}
    parts = {"limits": print_limits, "bias": print_bias, "rogues": print_rogues}
    for name, run in parts.items():
        if chosen.only in (None, name):
            run(libraries, chosen.baselines)
    if chosen.only in (None, "records"):
        alike = rate_agreement({name: libraries[name] for name in ASKED}, chosen.records)
        sys.stdout.write(f"\nThe same verdict by records: {100 * alike:.0f} of 100\n")


if __name__ == "__main__":
    main()
