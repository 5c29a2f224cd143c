"""Reference runs of one set type and path -> a baseline with limits for one more set."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence

import numpy as np

from voicecheck.errors import InputError
from voicecheck.records import Baseline, BaselineQuantity, Doubt, Response, Run
from voicecheck.records.arrays import Array
from voicecheck.records.quantities import BY_NAME, QUANTITIES, Quantity
from voicecheck.verdicts.covariance import relate_traits
from voicecheck.verdicts.kindred import NOTHING, Borrowed, borrow_spread
from voicecheck.verdicts.limits import (
    FLOOR_DB,
    USUAL_LEVEL_SHARE,
    limit_factor,
    prediction_factor,
)
from voicecheck.verdicts.ownspread import count_usable, shape_of, shape_spread_db
from voicecheck.verdicts.pooling import common_conditions
from voicecheck.verdicts.poolparts import mean_where_half
from voicecheck.verdicts.quantities import Spread, from_scale, read_spread
from voicecheck.verdicts.rogues import find_doubted
from voicecheck.verdicts.sameness import find_same
from voicecheck.verdicts.setspread import draw_variance, spread_curve
from voicecheck.verdicts.twomakes import warn_of_groups

FEWEST_SETS = 2
FEW_SETS = 5
METHOD = (
    "prediction limits for one more set, simultaneous over all points, bands and figures of the "
    "path: at most 5 healthy sets in 100 outside"
)
BORROWED = (
    "; spread sharpened by that of {count} kindred types (at most {dof:.0f} degrees of freedom)"
)


def build_baseline(
    runs: Sequence[Run],
    *,
    type_name: str,
    path: str,
    kindred: Sequence[Baseline] = (),
    without: Collection[int] = (),
) -> Baseline:
    """
    Statistics over reference runs of one set type and path.

    Parameters
    ----------
    runs : sequence of Run
        Of different sets; several runs of one job count once, the latest, and a recording that
        is in two of them counts in the first.
    type_name, path : str
    kindred : sequence of Baseline
        Of other types of the same make-up; from three on they lend their spread, which
        sharpens the limits of a baseline of few sets. Those of another path, of the type itself
        or with a doubted set are passed over.
    without : collection of int
        Jobs whose sets are left out; the baseline keeps saying so.

    Returns
    -------
    Baseline
        Limits hold for one path compared alone. Sets that do not belong with the others are in it,
        and named in `doubted`.

    Raises
    ------
    InputError
        Fewer than two different sets, or runs in different units.
    """
    left_out = {run.job for run in runs if run.path == path and run.job in without}
    kept = _one_run_per_set([run for run in runs if run.job not in left_out], path)
    _check_sets(kept, type_name, path)
    n = len(kept)
    frequency_hz = _response_of(kept[0]).frequency_hz
    curves = np.vstack([_response_of(run).level_db for run in kept])
    shapes = np.vstack([shape_of(_response_of(run)) for run in kept])
    kin = _choose_kin(kindred, type_name, path)
    doubted = find_doubted(kept, kin)
    borrowed = borrow_spread(kin)
    curve = spread_curve(curves, borrowed.get("response", NOTHING))
    shape = spread_curve(shapes, borrowed.get("shape", NOTHING))
    level_share = 1.0 - shape.whole / curve.whole if curve.whole > 0.0 else USUAL_LEVEL_SHARE
    dof = n - 1 + borrowed.get("response", NOTHING).dof
    half = curve.half_width("curve", n, level_share)
    shape_half = shape.half_width("shape", n, level_share)
    return Baseline(
        type_name=type_name,
        path=path,
        n=n,
        unit=_response_of(kept[0]).unit,
        frequency_hz=frequency_hz,
        mean_db=curve.mean, sd_db=curve.sd, low_db=curve.mean - half, high_db=curve.mean + half,
        shape_mean_db=shape.mean, shape_sd_db=shape.sd,
        shape_low_db=shape.mean - shape_half, shape_high_db=shape.mean + shape_half,
        quantities=_limit_quantities(kept, curve.whole, level_share, borrowed),
        method=_describe(len(kin), borrowed),
        conditions=common_conditions([run.pooled.conditions for run in kept], path),
        warnings=(*_warn(kept, type_name), *_warn_of_doubted(doubted), *warn_of_groups(kept)),
        version=kept[0].pooled.version,
        dof=dof,
        seat_sd_db=_seat_spread([run.seat_sd_db for run in kept]),
        shape_seat_sd_db=_seat_spread([shape_spread_db(run) for run in kept]),
        n_seats=_seats(kept),
        level_share=level_share,
        doubted=doubted,
        without=tuple(sorted(job for job in left_out if job is not None)),
        covariation=relate_traits(kept, kin, curve_dof=dof),
    )  # fmt: skip


def _choose_kin(kindred: Sequence[Baseline], type_name: str, path: str) -> list[Baseline]:
    return [
        one
        for one in kindred
        if one.path == path and one.type_name != type_name and not one.doubted
    ]


def _response_of(run: Run) -> Response:
    response = run.pooled.response
    if response is None:  # kept runs have one
        message = f"{run.path}: a run without a response"
        raise InputError(message)
    return response


def _one_run_per_set(runs: Sequence[Run], path: str) -> list[Run]:
    latest: dict[object, Run] = {}
    for index, run in enumerate(runs):
        if run.path != path or run.pooled.response is None:
            continue
        key: object = run.job if run.job is not None else f"run {index}"
        known = latest.get(key)
        if known is None or (run.taken_utc or "") >= (known.taken_utc or ""):
            latest[key] = run
    kept: list[Run] = []
    for run in latest.values():
        # A recording filed under two jobs is one set, wherever it came from.
        seen = [one for other in kept for one in other.recordings]
        if all(find_same(one, seen) is None for one in run.recordings):
            kept.append(run)
    return kept


def _check_sets(runs: Sequence[Run], type_name: str, path: str) -> None:
    """Enough of them, in one unit and on the same frequencies."""
    if len(runs) < FEWEST_SETS:
        message = (
            f"baseline of {type_name}, {path}: need reference runs of at least {FEWEST_SETS} "
            f"different sets, got {len(runs)}; measure more known-good sets with stage `reference`"
        )
        raise InputError(message)
    units = sorted({_response_of(run).unit for run in runs})
    if len(units) > 1:
        message = (
            f"baseline of {type_name}, {path}: need runs in one unit, got {' and '.join(units)}; "
            "calibrated and uncalibrated sets are never mixed"
        )
        raise InputError(message)
    shapes = {_response_of(run).frequency_hz.shape for run in runs}
    if len(shapes) > 1:
        message = f"baseline of {type_name}, {path}: runs are not on the same frequencies"
        raise InputError(message)


def _describe(n_kindred: int, borrowed: Mapping[str, Borrowed]) -> str:
    if not borrowed:
        return METHOD
    return METHOD + BORROWED.format(
        count=n_kindred, dof=max(item.dof for item in borrowed.values())
    )


def _limit_quantities(
    runs: Sequence[Run],
    curve_variance: float,
    level_share: float,
    borrowed: Mapping[str, Borrowed],
) -> tuple[BaselineQuantity, ...]:
    """`curve_variance` is the mean over the points, with what is borrowed for it."""
    found = {
        quantity.name: spreads
        for quantity in QUANTITIES
        if len(spreads := _spreads_of(quantity, runs)) >= FEWEST_SETS
    }
    if "psophometric_dbm" in found:
        found.pop("psophometric_dbfs", None)
    distortion = [
        np.var([spread.mean for spread in found[name]], ddof=1)
        for name in found
        if BY_NAME[name].is_judged and BY_NAME[name].family == "distortion"
    ]
    whole = {
        "level": curve_variance,
        "share": level_share,
        "distortion": float(np.mean(distortion)) if distortion else math.nan,
    }
    return tuple(
        _limit_quantity(BY_NAME[name], spreads, whole, borrowed.get(name, NOTHING), runs)
        for name, spreads in found.items()
    )


def _spreads_of(quantity: Quantity, runs: Sequence[Run]) -> list[Spread]:
    return [spread for run in runs if (spread := read_spread(run, quantity)).n > 0]


def _limit_quantity(
    quantity: Quantity,
    spreads: Sequence[Spread],
    whole: Mapping[str, float],
    borrowed: Borrowed,
    runs: Sequence[Run],
) -> BaselineQuantity:
    values = np.array([spread.mean for spread in spreads])
    n, mean, sd = len(values), float(np.mean(values)), float(np.std(values, ddof=1))
    low, high, dof = None, None, n - 1.0
    if quantity.is_judged:
        variance, dof = draw_variance(quantity, sd**2, n - 1.0, whole, borrowed)
        factor = limit_factor(
            quantity.family,
            dof,
            is_two_sided=quantity.side == "both",
            level_share=whole["share"],
        )
        spread = max(math.sqrt(variance), FLOOR_DB[quantity.family])
        half = factor * prediction_factor(n) * spread
        low = from_scale(quantity, mean - half) if quantity.side != "upper" else None
        high = from_scale(quantity, mean + half) if quantity.side != "lower" else None
    within = np.array([spread.sd**2 for spread in spreads if math.isfinite(spread.sd)])
    return BaselineQuantity(
        quantity=quantity.name,
        unit=quantity.unit_beside(_response_of(runs[0]).unit),
        n=n,
        mean=from_scale(quantity, mean),
        sd=sd,
        low=low,
        high=high,
        scale=quantity.scale,
        seat_sd=float(np.sqrt(np.mean(within))) if len(within) else None,
        n_seats=float(np.mean([spread.n for spread in spreads])),
        dof=dof,
        family=quantity.family if quantity.is_judged else "",
    )


def _seats(runs: Sequence[Run]) -> float:
    return float(np.mean([count_usable(run) for run in runs]))


def _seat_spread(spreads: Sequence[Array]) -> Array | None:
    variances = np.vstack([np.square(spread) for spread in spreads])
    if not np.any(np.isfinite(variances)):
        return None
    spread: Array = np.sqrt(mean_where_half(variances))
    return spread


def _warn(runs: Sequence[Run], type_name: str) -> tuple[str, ...]:
    warnings = []
    if len(runs) < FEW_SETS:
        warnings.append(
            f"only {len(runs)} reference sets of {type_name}: the limits are wide; "
            f"they narrow with {FEW_SETS} or more"
        )
    singles = sum(count_usable(run) == 1 for run in runs)
    if singles:
        warnings.append(f"{singles} of {len(runs)} reference runs have one recording only")
    for field, text in (("feed_ma", "feed current"), ("ear", "ear"), ("mouth_mm", "mouth distance"),
                        ("level_dbfs", "drive level"), ("calibration", "calibration")):  # fmt: skip
        if len({getattr(run.pooled.conditions, field) for run in runs}) > 1:
            warnings.append(f"the reference runs differ in {text}")
    return tuple(warnings)


def _warn_of_doubted(doubted: Sequence[Doubt]) -> list[str]:
    warnings = []
    for doubt in doubted:
        who = "a set" if doubt.job is None else f"job {doubt.job}"
        leave = "" if doubt.job is None else f", or build without job {doubt.job}"
        warnings.append(
            f"holds a doubted set: {who} is {doubt.why} (so much by chance in "
            f"{100.0 * doubt.probability:.2g} of 100 such baselines); check it{leave}"
        )
    return warnings


def quantities_of(baseline: Baseline) -> Mapping[str, BaselineQuantity]:
    """Scalars of a baseline by name."""
    return {item.quantity: item for item in baseline.quantities}
