"""
One reference set alone: limits around it from what is known of other types' spread.

Whichever of the two differs cannot be told from two sets, so such limits call nothing outside.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence

import numpy as np

from voicecheck.errors import InputError
from voicecheck.records import Baseline, BaselineQuantity, Comparison, Finding, Run
from voicecheck.records.quantities import QUANTITIES, Quantity
from voicecheck.verdicts.against_baseline import compare_to_baseline
from voicecheck.verdicts.kindred import Borrowed, borrow_spread
from voicecheck.verdicts.limits import FLOOR_DB, limit_factor, prediction_factor
from voicecheck.verdicts.ownspread import count_usable, shape_of, shape_spread_db
from voicecheck.verdicts.quantities import from_scale, read_spread

STATED_DB = {
    "response": 1.5, "shape": 1.2, "level": 1.5, "distortion": 4.0, "noise": 4.0, "linearity": 0.5,
}  # fmt: skip
"""Standard deviation between healthy sets of one type (PROP, common practice)."""
STATED_DOF = 4.0
ONE_SET = "one reference set: which of the two differs is not told"


def make_provisional_baseline(
    reference: Run, *, type_name: str, kindred: Sequence[Baseline] = ()
) -> Baseline:
    """
    Limits around the only reference set of a type and path.

    Parameters
    ----------
    reference : Run
    type_name : str
    kindred : sequence of Baseline
        Of other types of the same make-up; from three on their spread is used, else a stated one.

    Returns
    -------
    Baseline
        With n = 1; its spreads are borrowed, not seen.

    Raises
    ------
    InputError
        The run has no response.
    """
    response = reference.pooled.response
    if response is None:
        message = f"{reference.path}: the reference set has no response; record it again"
        raise InputError(message)
    lent = borrow_spread([one for one in kindred if one.path == reference.path])
    curve, shape = (_lend(lent, name, name) for name in ("response", "shape"))
    half, shape_half = _half_width(curve, "curve"), _half_width(shape, "shape")
    level, own_shape = response.level_db, shape_of(response)
    spread = "that of kindred types" if "response" in lent else "a stated one (PROP)"
    return Baseline(
        type_name=type_name,
        path=reference.path,
        n=1,
        unit=response.unit,
        frequency_hz=response.frequency_hz,
        mean_db=level, sd_db=np.full_like(level, math.sqrt(curve.variance)),
        low_db=level - half, high_db=level + half,
        shape_mean_db=own_shape, shape_sd_db=np.full_like(level, math.sqrt(shape.variance)),
        shape_low_db=own_shape - shape_half, shape_high_db=own_shape + shape_half,
        quantities=_limit_quantities(reference, lent, response.unit),
        method=f"one set, the spread between sets is {spread}",
        conditions=reference.pooled.conditions,
        warnings=(ONE_SET,),
        version=reference.pooled.version,
        dof=curve.dof,
        seat_sd_db=reference.seat_sd_db,
        shape_seat_sd_db=shape_spread_db(reference),
        n_seats=float(count_usable(reference)),
    )  # fmt: skip


def compare_to_one(
    runs: Mapping[str, Run],
    references: Mapping[str, Run],
    *,
    type_name: str,
    stage: str,
    kindred: Sequence[Baseline] = (),
) -> tuple[Finding, ...]:
    """
    Hold runs against the only reference set of their type.

    Parameters
    ----------
    runs, references : mapping of str to Run
        By path; a path on one side only is passed over.
    type_name, stage : str
    kindred : sequence of Baseline

    Returns
    -------
    tuple of Finding
        "doubtful" at most.
    """
    baselines = {
        path: make_provisional_baseline(one, type_name=type_name, kindred=kindred)
        for path, one in references.items()
        if path in runs and one.pooled.response is not None
    }
    if not baselines:
        return ()
    found: Comparison = compare_to_baseline(runs, baselines, job=None, stage=stage)
    return tuple(map(_soften, found.findings))


def _soften(finding: Finding) -> Finding:
    verdict = "doubtful" if finding.verdict == "outside" else finding.verdict
    reason = "; ".join(filter(None, (finding.reason, ONE_SET)))
    return dataclasses.replace(finding, verdict=verdict, reason=reason)


def _lend(lent: Mapping[str, Borrowed], name: str, family: str) -> Borrowed:
    return lent.get(name, Borrowed(variance=STATED_DB[family] ** 2, dof=STATED_DOF))


def _half_width(lent: Borrowed, family: str, *, is_two_sided: bool = True) -> float:
    spread = max(math.sqrt(lent.variance), FLOOR_DB[family])
    factor = limit_factor(family, lent.dof, is_two_sided=is_two_sided)
    return factor * prediction_factor(1) * spread


def _limit_quantities(
    run: Run, lent: Mapping[str, Borrowed], response_unit: str
) -> tuple[BaselineQuantity, ...]:
    judged = [one for one in QUANTITIES if one.is_judged and one.family in STATED_DB]
    found = {one.name: one for one in judged if read_spread(run, one).n > 0}
    if "psophometric_dbm" in found:
        found.pop("psophometric_dbfs", None)
    return tuple(_limit_quantity(one, run, lent, response_unit) for one in found.values())


def _limit_quantity(
    quantity: Quantity, run: Run, lent: Mapping[str, Borrowed], response_unit: str
) -> BaselineQuantity:
    spread, borrowed = read_spread(run, quantity), _lend(lent, quantity.name, quantity.family)
    half = _half_width(borrowed, quantity.family, is_two_sided=quantity.side == "both")
    return BaselineQuantity(
        quantity=quantity.name,
        unit=quantity.unit_beside(response_unit),
        n=1,
        mean=from_scale(quantity, spread.mean),
        sd=math.sqrt(borrowed.variance),
        low=from_scale(quantity, spread.mean - half) if quantity.side != "upper" else None,
        high=from_scale(quantity, spread.mean + half) if quantity.side != "lower" else None,
        scale=quantity.scale,
        seat_sd=spread.sd if math.isfinite(spread.sd) else None,
        n_seats=float(spread.n),
        dof=borrowed.dof,
        family=quantity.family,
    )
