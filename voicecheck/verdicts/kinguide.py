"""
Where the curve of a type without reference sets may be expected: the curves of kindred types.

A rough guide, never a fault: types differ by more than sets of one type, and of a handful of types
the spread between them is hardly known. It is therefore drawn towards a stated one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.records import Baseline, Finding, Response, Run
from voicecheck.records.arrays import Array
from voicecheck.verdicts.comparability import check_conditions
from voicecheck.verdicts.decide import decide_curve
from voicecheck.verdicts.limits import limit_factor, mean_variance
from voicecheck.verdicts.ownspread import shape_of
from voicecheck.verdicts.poolparts import mean_where_half

STATED_BETWEEN_DB = {"response": 3.0, "shape": 2.5}
"""Standard deviation between types with one kind of transmitter (PROP, common practice)."""
KINDRED = "kindred types"
STATED_DOF = 4.0
"""Degrees of freedom that the stated spread counts for."""
FAMILY_OF = {"response": "curve", "shape": "shape"}
GROUP_OF = {"response": "level", "shape": "shape"}
"""What of the conditions has to agree."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KinGuide:
    """
    Middle of kindred types' curves, shape (n_points,), and how far a set may lie from it.

    `reach_db` holds for all points at once, as the limits of a baseline do.
    """

    mean_db: Array
    reach_db: float
    n_types: int
    n_sets: int

    def describe(self) -> str:
        """How far the guide reaches, in words."""
        types = "type" if self.n_types == 1 else "types"
        return (
            f"kindred types lie within +/-{self.reach_db:.0f} dB of this curve; "
            f"n = {self.n_sets} sets of {self.n_types} {types}: a rough guide"
        )


def guide_curve(kin: Sequence[Baseline], quantity: str) -> KinGuide:
    """
    Where a set of one more type may be expected.

    Parameters
    ----------
    kin : sequence of Baseline
        At least one, of one path, on the same points and comparable.
    quantity : str
        "response" or "shape".

    Returns
    -------
    KinGuide

    Notes
    -----
    Between types a random effect: the variance of the types' means less what their own few sets
    leave in them, drawn towards the stated one (general statistics: one-way random effects).

    Examples
    --------
    >>> sorted(STATED_BETWEEN_DB)
    ['response', 'shape']
    """
    is_shape = quantity == "shape"
    means = np.vstack([one.shape_mean_db if is_shape else one.mean_db for one in kin])
    own = [mean_variance(np.square(one.shape_sd_db if is_shape else one.sd_db)) for one in kin]
    n_sets, n_types = np.array([one.n for one in kin], dtype=float), len(kin)
    variances, dofs = np.nan_to_num(own), np.maximum(n_sets - 1.0, 0.0)
    within = float(np.sum(dofs * variances) / max(np.sum(dofs), 1.0))
    dof = STATED_DOF + n_types - 1.0
    between = STATED_DOF * STATED_BETWEEN_DB[quantity] ** 2
    if n_types > 1:
        seen = mean_variance(np.var(means, axis=0, ddof=1)) - float(np.mean(variances / n_sets))
        between += (n_types - 1.0) * max(seen, 0.0)
    total = within + between / dof * (1.0 + 1.0 / n_types)
    return KinGuide(
        mean_db=mean_where_half(means),
        reach_db=limit_factor(FAMILY_OF[quantity], dof) * math.sqrt(total),
        n_types=n_types,
        n_sets=int(np.sum(n_sets)),
    )


def judge_by_kin(run: Run, kin: Sequence[Baseline]) -> tuple[Finding, ...]:
    """
    Hold a run's curve against those of kindred types.

    Parameters
    ----------
    run : Run
    kin : sequence of Baseline
        The newest of each kindred type; those of other paths or conditions are passed over.

    Returns
    -------
    tuple of Finding
        Of the response and of its shape; "doubtful" at most.
    """
    response = run.pooled.response
    if response is None:
        return ()
    findings = []
    for quantity in ("response", "shape"):
        usable = [one for one in kin if _is_usable(run, response, one, GROUP_OF[quantity])]
        if usable:
            findings.append(_judge(run, response, guide_curve(usable, quantity), quantity))
    return tuple(findings)


def _is_usable(run: Run, response: Response, kin: Baseline, group: str) -> bool:
    if kin.path != run.path or kin.frequency_hz.shape != response.frequency_hz.shape:
        return False
    allowed = check_conditions(
        run.path, run.pooled.conditions, response.unit, kin.conditions, kin.unit
    )
    return group not in allowed.refused


def _judge(run: Run, response: Response, guide: KinGuide, quantity: str) -> Finding:
    is_shape = quantity == "shape"
    level = shape_of(response) if is_shape else response.level_db
    low, high = guide.mean_db - guide.reach_db, guide.mean_db + guide.reach_db
    own = np.nan_to_num(response.uncertainty_db)
    result = decide_curve(level, own, low, high)
    at = result.worst or 0
    return Finding(
        path=run.path,
        quantity=quantity,
        value=float(level[at]),
        unit="dB" if is_shape else response.unit,
        uncertainty=float(own[at]),
        low=float(low[at]),
        high=float(high[at]),
        verdict="doubtful" if result.verdict == "outside" else result.verdict,
        worst_hz=float(response.frequency_hz[at]),
        reason=guide.describe(),
        source=f"{KINDRED}: {guide.n_types}, {guide.n_sets} sets; spread drawn towards a "
        "stated one [PROP]",
        reference=float(guide.mean_db[at]),
    )
