"""Reference runs of one set type and path -> a baseline with limits for one more set."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from voicecheck.errors import InputError
from voicecheck.records import Baseline, BaselineQuantity, Conditions, Run
from voicecheck.records.arrays import Array
from voicecheck.verdicts.limits import limit_factor, prediction_factor, shrink_spread
from voicecheck.verdicts.pooling import common_conditions, mean_where_half
from voicecheck.verdicts.quantities import (
    QUANTITIES,
    Quantity,
    from_scale,
    mean_level_db,
    read_spread,
)

FEWEST_SETS = 2
FEW_SETS = 5
METHOD = "prediction interval for one more set, simultaneous over the curve"
PRIOR_DOF = 6.0


def build_baseline(runs: Sequence[Run], *, type_name: str, path: str) -> Baseline:
    """
    Statistics over reference runs of one set type and path.

    Parameters
    ----------
    runs : sequence of Run
        Of different sets; several runs of one job count once, the latest.
    type_name, path : str

    Returns
    -------
    Baseline
        Limits hold for one path compared alone.

    Raises
    ------
    InputError
        Fewer than two different sets, or runs in different units.
    """
    kept = _one_run_per_set(runs, path)
    n = len(kept)
    if n < FEWEST_SETS:
        message = (
            f"baseline of {type_name}, {path}: need reference runs of at least {FEWEST_SETS} "
            f"different sets, got {n}; measure more known-good sets with stage `reference`"
        )
        raise InputError(message)
    _check_units(kept, type_name, path)
    frequency_hz = _response_of(kept[0]).frequency_hz
    curves = np.vstack([_response_of(run).level_db for run in kept])
    shapes = curves - np.array([[mean_level_db(frequency_hz, curve)] for curve in curves])
    curve, shape = _limit_curve(curves, "curve"), _limit_curve(shapes, "shape")
    return Baseline(
        type_name=type_name,
        path=path,
        n=n,
        unit=_response_of(kept[0]).unit,
        frequency_hz=frequency_hz,
        mean_db=curve["mean"], sd_db=curve["sd"], low_db=curve["low"], high_db=curve["high"],
        shape_mean_db=shape["mean"], shape_sd_db=shape["sd"],
        shape_low_db=shape["low"], shape_high_db=shape["high"],
        quantities=_limit_quantities(kept),
        method=METHOD,
        conditions=common_conditions([run.pooled.conditions for run in kept], path),
        warnings=_warn(kept, type_name),
        version=kept[0].pooled.version,
        dof=float(n - 1),
        seat_sd_db=_seat_spread(kept),
        n_seats=_seats(kept),
    )  # fmt: skip


def _response_of(run: Run):  # type: ignore[no-untyped-def]
    return run.pooled.response


def _one_run_per_set(runs: Sequence[Run], path: str) -> list[Run]:
    latest: dict[object, Run] = {}
    for index, run in enumerate(runs):
        if run.path != path or run.pooled.response is None:
            continue
        key: object = run.job if run.job is not None else f"run {index}"
        known = latest.get(key)
        if known is None or (run.taken_utc or "") >= (known.taken_utc or ""):
            latest[key] = run
    return list(latest.values())


def _check_units(runs: Sequence[Run], type_name: str, path: str) -> None:
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


def _limit_curve(curves: Array, family: str) -> dict[str, Array]:
    n = len(curves)
    count = np.sum(np.isfinite(curves), axis=0)
    mean = mean_where_half(curves)
    sd = np.full(curves.shape[1], np.nan)
    several = (count > 1) & np.isfinite(mean)
    sd[several] = np.nanstd(curves[:, several], axis=0, ddof=1)
    drawn = shrink_spread(sd, n - 1.0, prior_dof=PRIOR_DOF)
    half = limit_factor(family, n - 1.0) * prediction_factor(n) * drawn
    return {"mean": mean, "sd": sd, "low": mean - half, "high": mean + half}


def _limit_quantities(runs: Sequence[Run]) -> tuple[BaselineQuantity, ...]:
    made = [_limit_quantity(quantity, runs) for quantity in QUANTITIES]
    found = {item.quantity: item for item in made if item is not None}
    if "psophometric_dbm" in found:
        found.pop("psophometric_dbfs", None)
    return tuple(found.values())


def _limit_quantity(quantity: Quantity, runs: Sequence[Run]) -> BaselineQuantity | None:
    spreads = [spread for run in runs if (spread := read_spread(run, quantity)).n > 0]
    n = len(spreads)
    if n < FEWEST_SETS:
        return None
    values = np.array([spread.mean for spread in spreads])
    mean, sd = float(np.mean(values)), float(np.std(values, ddof=1))
    low, high = None, None
    if quantity.family:
        factor = limit_factor(quantity.family, n - 1.0, is_two_sided=quantity.side == "both")
        half = factor * prediction_factor(n) * sd
        low = from_scale(quantity, mean - half) if quantity.side != "upper" else None
        high = from_scale(quantity, mean + half) if quantity.side != "lower" else None
    within = np.array([spread.sd**2 for spread in spreads if math.isfinite(spread.sd)])
    return BaselineQuantity(
        quantity=quantity.name,
        unit=quantity.unit or _response_of(runs[0]).unit,
        n=n,
        mean=from_scale(quantity, mean),
        sd=sd,
        low=low,
        high=high,
        scale=quantity.scale,
        seat_sd=float(np.sqrt(np.mean(within))) if len(within) else None,
        n_seats=float(np.mean([spread.n for spread in spreads])),
        dof=n - 1.0,
        family=quantity.family,
        label=quantity.label,
    )


def _seats(runs: Sequence[Run]) -> float:
    return float(np.mean([max(1, _usable(run)) for run in runs]))


def _usable(run: Run) -> int:
    return sum(m.response is not None for m in run.recordings) or 1


def _seat_spread(runs: Sequence[Run]) -> Array | None:
    variances = np.vstack([np.square(run.seat_sd_db) for run in runs])
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
    singles = sum(_usable(run) == 1 for run in runs)
    if singles:
        warnings.append(f"{singles} of {len(runs)} reference runs have one recording only")
    for field, text in (("feed_ma", "feed current"), ("ear", "ear"), ("mouth_mm", "mouth distance"),
                        ("level_dbfs", "drive level"), ("calibration", "calibration")):  # fmt: skip
        if len({getattr(run.pooled.conditions, field) for run in runs}) > 1:
            warnings.append(f"the reference runs differ in {text}")
    return tuple(warnings)


def quantities_of(baseline: Baseline) -> Mapping[str, BaselineQuantity]:
    """Scalars of a baseline by name."""
    return {item.quantity: item for item in baseline.quantities}


def conditions_of(run: Run) -> Conditions:
    """Conditions that all recordings of a run share."""
    return run.pooled.conditions
