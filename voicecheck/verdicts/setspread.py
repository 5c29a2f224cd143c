"""Spread of curves and scalars over the sets of a type, drawn together with their group's."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from voicecheck.records.arrays import Array
from voicecheck.records.quantities import Quantity
from voicecheck.verdicts.kindred import Borrowed, join_variance
from voicecheck.verdicts.limits import (
    BAND_VARIANCE,
    CURVE_PRIOR_DOF,
    DISTORTION_PRIOR_DOF,
    FLOOR_DB,
    draw_together,
    limit_factor,
    mean_variance,
    prediction_factor,
)
from voicecheck.verdicts.poolparts import mean_where_half


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveSpread:
    """
    Of a curve over the sets of a type; arrays of shape (n_points,), dB and dB squared.

    `drawn` is the variance behind the limits with its `dof`, `whole` the mean over the points
    before they are drawn together.
    """

    mean: Array
    sd: Array
    drawn: Array
    whole: float
    dof: float

    def half_width(self, family: str, n: int, level_share: float) -> Array:
        """Distance of the limits from the mean."""
        spread = np.maximum(np.sqrt(self.drawn), FLOOR_DB[family])
        factor = limit_factor(family, self.dof, level_share=level_share)
        half: Array = factor * prediction_factor(n) * spread
        return half


def spread_curve(curves: Array, borrowed: Borrowed) -> CurveSpread:
    """
    Mean and spread of a curve over the sets of a type.

    Parameters
    ----------
    curves : ndarray, shape (n_sets, n_points)
        dB, NaN where withheld.
    borrowed : Borrowed
        Of kindred types.

    Returns
    -------
    CurveSpread
    """
    n = len(curves)
    count = np.sum(np.isfinite(curves), axis=0)
    mean = mean_where_half(curves)
    sd = np.full(curves.shape[1], np.nan)
    several = (count > 1) & np.isfinite(mean)
    sd[several] = np.nanstd(curves[:, several], axis=0, ddof=1)
    own, dof = join_variance(sd**2, n - 1.0, borrowed)
    whole = mean_variance(own)
    drawn = draw_together(own, dof, whole=whole, prior_dof=CURVE_PRIOR_DOF)
    # Some curves spread five times more at one end of the band than in its middle: a point that
    # shows more spread than it is drawn to keeps its own.
    drawn = np.maximum(drawn, own)
    return CurveSpread(mean=mean, sd=sd, drawn=drawn, whole=whole, dof=dof)


def draw_variance(
    quantity: Quantity, variance: float, dof: float, whole: Mapping[str, float], borrowed: Borrowed
) -> tuple[float, float]:
    """
    Variance behind a scalar's limits and its degrees of freedom.

    Parameters
    ----------
    quantity : Quantity
    variance, dof : float
        Of the sets of the type.
    whole : mapping of str to float
        Variance of the families whose quantities are drawn together.
    borrowed : Borrowed
        Of kindred types.

    Returns
    -------
    variance, dof : float
    """
    own, total = join_variance(np.array([variance]), dof, borrowed)
    if quantity.family not in whole:
        return float(own[0]), total
    prior = CURVE_PRIOR_DOF if quantity.family == "level" else DISTORTION_PRIOR_DOF
    drawn = draw_together(
        own, total, whole=whole[quantity.family], prior_dof=prior,
        share=BAND_VARIANCE.get(quantity.name, 1.0),
    )  # fmt: skip
    if quantity.family == "level":
        drawn = np.maximum(drawn, own)
    return float(drawn[0]), total
