"""
The baselines of one type from several benches brought together.

Sets of one type are the same telephones everywhere; what one club reads of them is not quite what
another reads. That difference between benches is a random effect (one-way, general statistics): its
variance is estimated from the benches' means, less what their own few sets leave in them, and drawn
towards a stated one, since two or three benches hardly show it. It widens what the others lend, and
it is told.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.records import Baseline, BaselineQuantity, Conditions, Covariation
from voicecheck.records.arrays import Array
from voicecheck.records.quantities import BY_NAME, Quantity
from voicecheck.verdicts.comparability import check_conditions
from voicecheck.verdicts.covariance import limit_own_level
from voicecheck.verdicts.limits import (
    BAND_VARIANCE,
    CURVE_PRIOR_DOF,
    DISTORTION_PRIOR_DOF,
    FLOOR_DB,
    draw_together,
    limit_factor,
    mean_variance,
)
from voicecheck.verdicts.quantities import from_scale, to_scale

STATED_BETWEEN_DB = {
    "curve": 1.0, "shape": 0.7, "level": 1.0, "distortion": 1.0, "noise": 3.0, "linearity": 0.2,
}  # fmt: skip
"""Standard deviation between benches that are each calibrated (PROP, common practice)."""
STATED_DOF = 3.0
LEAST_VARIANCE = 1e-6
ONE_BENCH = (
    "one other bench alone does not tell how far benches differ: sets of your own, or another "
    "club's, would"
)
APART = "simulated sets and telephones never count together"


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchMean:
    """
    What is expected of a set of the type on one bench, from all of them.

    `mean` has shape (n_points,) or is a number; `variance` is that of the bench's own mean about
    it, `between` that between benches, both with `dof` degrees of freedom.
    """

    mean: Array
    variance: float
    between: float
    dof: float


def weigh_benches(
    means: Sequence[Array], n_sets: Sequence[int], within: float, stated_db: float, *, has_own: bool
) -> BenchMean:
    """
    Best mean for one bench out of its own sets and those of others.

    Parameters
    ----------
    means : sequence of ndarray, each of shape (n_points,)
        One for each bench; the first is the bench's own where `has_own`.
    n_sets : sequence of int
    within : float
        Variance between sets of one bench, dB squared.
    stated_db : float
        Standard deviation between benches that the estimate is drawn towards, dB.
    has_own : bool

    Returns
    -------
    BenchMean

    Examples
    --------
    >>> alone = weigh_benches([np.array([1.0])], [8], 4.0, 1.0, has_own=True)
    >>> float(alone.mean[0]), alone.variance
    (1.0, 0.5)
    """
    curves, n_benches = np.vstack(means), len(means)
    own_share = np.maximum(within / np.asarray(n_sets, dtype=float), LEAST_VARIANCE)
    dof = STATED_DOF + n_benches - 1.0
    total = STATED_DOF * stated_db**2
    if n_benches > 1:
        seen = mean_variance(np.var(curves, axis=0, ddof=1)) - float(np.mean(own_share))
        total += (n_benches - 1.0) * max(0.0 if math.isnan(seen) else seen, 0.0)
    between = total / dof
    weights = 1.0 / own_share[: int(has_own)]
    others = 1.0 / (own_share[int(has_own) :] + between)
    if len(others):
        # What the others say of this bench's mean: that of all benches, and how far one lies off.
        lent = between + 1.0 / np.sum(others)
        weights = np.concatenate([weights, others / np.sum(others) / lent])
    return BenchMean(
        mean=_average(curves, weights),
        variance=float(1.0 / np.sum(weights)),
        between=between,
        dof=dof,
    )


def _average(curves: Array, weights: Array) -> Array:
    there = np.isfinite(curves) * weights[:, None]
    total = np.sum(there, axis=0)
    known = total > 0.0
    mean = np.full(curves.shape[1], np.nan)
    mean[known] = np.sum(np.nan_to_num(curves) * there, axis=0)[known] / total[known]
    return mean


def merge_baselines(
    own: Baseline | None, others: Mapping[str, Baseline], *, apart: Sequence[str] = ()
) -> Baseline:
    """
    One baseline of a type and path out of a bench's own and those of other benches.

    Parameters
    ----------
    own : Baseline or None
        Built from sets measured here; `None` where there are none.
    others : mapping of str to Baseline
        By who made it, in words; not empty where `own` is `None`.
    apart : sequence of str
        Those of `others` that count only where there is nothing else: simulated sets beside
        telephones, or the other way round.

    Returns
    -------
    Baseline
        `n` counts the sets of all benches that could be used; `method` names the benches and how
        far they differ, `warnings` those that were left out, and why.
    """
    left_out: list[str] = []
    kept = _choose(own, others, apart, left_out)
    if own is not None and not kept:
        return dataclasses.replace(own, warnings=(*own.warnings, *left_out))
    parts = [own, *kept.values()] if own is not None else list(kept.values())
    first, n_sets = parts[0], [one.n for one in parts]
    curve = _merge_curve(parts, has_own=own is not None, is_shape=False)
    shape = _merge_curve(parts, has_own=own is not None, is_shape=True)
    half = curve.half_width("curve", first.level_share)
    shape_half = shape.half_width("shape", first.level_share)
    level_db, shape_db = math.sqrt(curve.centre.between), math.sqrt(shape.centre.between)
    return dataclasses.replace(
        first,
        n=sum(n_sets),
        mean_db=curve.centre.mean, sd_db=np.sqrt(curve.pooled),
        low_db=curve.centre.mean - half, high_db=curve.centre.mean + half,
        shape_mean_db=shape.centre.mean, shape_sd_db=np.sqrt(shape.pooled),
        shape_low_db=shape.centre.mean - shape_half, shape_high_db=shape.centre.mean + shape_half,
        quantities=_merge_quantities(parts, curve, has_own=own is not None),
        conditions=first.conditions if own is not None else _unshare(first, parts),
        method=f"{first.method}; brought together with the sets of {_name(kept, own)}: benches "
        f"are taken to differ by {level_db:.1f} dB, in shape by {shape_db:.1f} dB, which is in "
        "the limits",
        warnings=(*first.warnings, *left_out, *((ONE_BENCH,) if len(parts) == 1 else ())),
        dof=curve.dof,
        doubted=own.doubted if own is not None else (),
        without=own.without if own is not None else (),
        covariation=_keep_own_level(own, curve.dof),
    )  # fmt: skip


def _keep_own_level(own: Baseline | None, curve_dof: float) -> Covariation | None:
    """That of the bench's own sets alone: how its figures differ from others' is not known."""
    known = own.covariation if own is not None else None
    if known is None:
        return None
    low_db, high_db = limit_own_level(known, curve_dof=curve_dof)
    return dataclasses.replace(known, low_db=low_db, high_db=high_db)


def _name(kept: Mapping[str, Baseline], own: Baseline | None) -> str:
    names = [f"{maker} ({one.n})" for maker, one in kept.items()]
    return "; ".join(names if own is None else [f"this bench ({own.n})", *names])


def _unshare(first: Baseline, parts: Sequence[Baseline]) -> Conditions:
    """Conditions of benches that share no calibration."""
    changes = {"bench": "", "calibration": None} if len(parts) > 1 else {}
    return first.conditions.replace(**changes)


def _choose(
    own: Baseline | None,
    others: Mapping[str, Baseline],
    apart: Sequence[str],
    left_out: list[str],
) -> dict[str, Baseline]:
    """Those that may be brought together; what is left out is said in the list."""
    usable = {maker: one for maker, one in others.items() if maker not in apart}
    if not usable and own is None:
        usable = dict(others)
    left_out += [f"not counted: {m}: {APART}" for m in others if m not in usable]
    if not usable:
        return {}
    first = own or max(usable.values(), key=lambda one: one.n)
    kept: dict[str, Baseline] = {}
    for maker, one in sorted(usable.items(), key=lambda item: item[1] is not first):
        reason = _find_obstacle(first, one)
        if one is not first and reason:
            left_out.append(f"not counted: {maker}: {reason}")
        else:
            kept[maker] = one
    return kept


def _find_obstacle(first: Baseline, other: Baseline) -> str:
    if first.frequency_hz.shape != other.frequency_hz.shape or not np.allclose(
        first.frequency_hz, other.frequency_hz, rtol=1e-5, atol=0.0
    ):
        return "on other frequencies"
    refused = check_conditions(
        first.path, first.conditions, first.unit, other.conditions, other.unit
    ).refused
    return refused.get("level") or refused.get("shape") or ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Merged:
    """`pooled` and `drawn` have shape (n_points,): variances between sets of one bench."""

    centre: BenchMean
    pooled: Array
    drawn: Array
    whole: float
    own_dof: float

    @property
    def dof(self) -> float:
        """Of both variances together (Welch-Satterthwaite)."""
        return _join_dof(self.whole, self.own_dof, self.centre)

    def half_width(self, family: str, level_share: float) -> Array:
        """Distance of the limits from the mean."""
        spread = np.sqrt(np.maximum(self.drawn, FLOOR_DB[family] ** 2) + self.centre.variance)
        factor = limit_factor(family, self.dof, level_share=level_share)
        return np.asarray(factor * spread)


def _join_dof(within: float, own_dof: float, centre: BenchMean) -> float:
    parts = within**2 / own_dof + centre.variance**2 / centre.dof
    return (within + centre.variance) ** 2 / parts if parts > 0.0 else own_dof


def _merge_curve(parts: Sequence[Baseline], *, has_own: bool, is_shape: bool) -> _Merged:
    sds = np.vstack([one.shape_sd_db if is_shape else one.sd_db for one in parts])
    means = [one.shape_mean_db if is_shape else one.mean_db for one in parts]
    n_sets = [one.n for one in parts]
    pooled, dof = _pool_variance(sds, n_sets)
    whole = mean_variance(pooled)
    drawn = draw_together(pooled, dof, whole=whole, prior_dof=CURVE_PRIOR_DOF)
    stated_db = STATED_BETWEEN_DB["shape" if is_shape else "curve"]
    return _Merged(
        centre=weigh_benches(means, n_sets, whole, stated_db, has_own=has_own),
        pooled=pooled,
        drawn=np.maximum(drawn, pooled),
        whole=whole,
        own_dof=dof,
    )


def _pool_variance(sds: Array, n_sets: Sequence[int]) -> tuple[Array, float]:
    """Variance between sets of one bench over all benches, NaN where none has it."""
    weights = (np.asarray(n_sets, dtype=float) - 1.0)[:, None] * np.isfinite(sds)
    total = np.sum(weights, axis=0)
    pooled = np.full(sds.shape[1], np.nan)
    known = total > 0.0
    pooled[known] = np.sum(weights * np.nan_to_num(sds) ** 2, axis=0)[known] / total[known]
    return pooled, float(np.max(total)) if np.any(known) else 1.0


def _merge_quantities(
    parts: Sequence[Baseline], curve: _Merged, *, has_own: bool
) -> tuple[BaselineQuantity, ...]:
    """What this bench has of its own stays its own where the others cannot be used."""
    shared = {
        known.quantity: [one for part in parts for one in part.quantities if _is_alike(one, known)]
        for known in parts[0].quantities
        if known.quantity in BY_NAME
        and known.family in STATED_BETWEEN_DB
        # Levels re full scale are one bench's own.
        and known.unit != "dBFS"
    }
    whole = {"level": curve.whole, "distortion": _mean_variance_of("distortion", shared)}
    share, merged = parts[0].level_share, []
    for known in parts[0].quantities:
        of_all = shared.get(known.quantity, [])
        if len(of_all) > 1 or (of_all and not has_own):
            quantity = BY_NAME[known.quantity]
            merged.append(_merge_quantity(quantity, of_all, whole, share, has_own=has_own))
        elif has_own or known.unit != "dBFS":
            merged.append(known)
    return tuple(merged)


def _mean_variance_of(family: str, shared: Mapping[str, Sequence[BaselineQuantity]]) -> float:
    """Mean variance between sets of one bench over a family's quantities; NaN where it has none."""
    found = [
        _pool_variance(np.array([[one.sd] for one in of_all]), [one.n for one in of_all])[0]
        for of_all in shared.values()
        if of_all[0].family == family
    ]
    return mean_variance(np.concatenate(found)) if found else math.nan


def _is_alike(item: BaselineQuantity, known: BaselineQuantity) -> bool:
    return (item.quantity, item.unit, item.scale) == (known.quantity, known.unit, known.scale)


def _merge_quantity(
    quantity: Quantity,
    of_all: Sequence[BaselineQuantity],
    whole: Mapping[str, float],
    level_share: float,
    *,
    has_own: bool,
) -> BaselineQuantity:
    known, n_sets = of_all[0], [one.n for one in of_all]
    pooled, dof = _pool_variance(np.array([[one.sd] for one in of_all]), n_sets)
    variance = float(pooled[0])
    if quantity.family in whole:
        is_level = quantity.family == "level"
        drawn = draw_together(
            pooled, dof, whole=whole[quantity.family],
            prior_dof=CURVE_PRIOR_DOF if is_level else DISTORTION_PRIOR_DOF,
            share=BAND_VARIANCE.get(quantity.name, 1.0),
        )  # fmt: skip
        variance = max(float(drawn[0]), variance) if is_level else float(drawn[0])
    means = [np.array([to_scale(quantity, one.mean)]) for one in of_all]
    centre = weigh_benches(
        means, n_sets, variance, STATED_BETWEEN_DB[quantity.family], has_own=has_own
    )
    joined = _join_dof(variance, dof, centre)
    factor = limit_factor(
        quantity.family, joined, is_two_sided=quantity.side == "both", level_share=level_share
    )
    half = factor * math.sqrt(max(variance, FLOOR_DB[quantity.family] ** 2) + centre.variance)
    mean = float(centre.mean[0])
    return dataclasses.replace(
        known,
        n=sum(n_sets),
        mean=from_scale(quantity, mean),
        sd=float(np.sqrt(pooled[0])),
        low=from_scale(quantity, mean - half) if quantity.side != "upper" else None,
        high=from_scale(quantity, mean + half) if quantity.side != "lower" else None,
        dof=joined,
    )
