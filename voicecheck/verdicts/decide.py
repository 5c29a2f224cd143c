"""
One value, its own uncertainty and two limits -> a verdict.

`outside`: the value lies beyond a limit even after its own uncertainty is taken off.
`doubtful`: it lies beyond, but its uncertainty reaches back inside; or the uncertainty is wider
than the limits themselves, so that lying inside proves nothing.
`within`: everything else. Moving away from the limits' middle never betters a verdict.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voicecheck.records import Finding
from voicecheck.records.arrays import Array
from voicecheck.records.terms import Verdict

TOO_WIDE_SHARE = 0.25
"""A curve is doubtful when more than this share of its points is too uncertain to judge."""


def decide(value: float, uncertainty: float, low: float | None, high: float | None) -> Verdict:
    """
    Verdict on one value.

    Parameters
    ----------
    value, uncertainty : float
        Same unit as the limits; the uncertainty is the half-width of a 95 % interval.
    low, high : float or None
        `None` where there is no limit on that side.

    Returns
    -------
    str
        "within", "doubtful" or "outside".

    Examples
    --------
    >>> decide(5.0, 1.0, -3.0, 3.0), decide(3.5, 1.0, -3.0, 3.0), decide(2.5, 1.0, -3.0, 3.0)
    ('outside', 'doubtful', 'within')
    """
    beyond = max(
        low - value if low is not None else -np.inf, value - high if high is not None else -np.inf
    )
    if beyond > uncertainty:
        return "outside"
    if beyond > 0.0:
        return "doubtful"
    is_wide = low is not None and high is not None and uncertainty > 0.5 * (high - low)
    return "doubtful" if is_wide else "within"


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveVerdict:
    """Verdict on a curve and the point that decides it (`None` when every point is withheld)."""

    verdict: Verdict
    worst: int | None
    n_judged: int = 0
    n_outside: int = 0


def decide_curve(value: Array, uncertainty: Array, low: Array, high: Array) -> CurveVerdict:
    """
    Verdict on a curve whose limits hold for all points at once.

    Parameters
    ----------
    value, uncertainty, low, high : ndarray, shape (n_points,)
        dB; NaN in a limit means none, NaN in the value means withheld.

    Returns
    -------
    CurveVerdict
    """
    low, high = np.nan_to_num(low, nan=-np.inf), np.nan_to_num(high, nan=np.inf)
    judged = np.isfinite(value) & (np.isfinite(low) | np.isfinite(high))
    if not np.any(judged):
        return CurveVerdict(verdict="not comparable", worst=None)
    own = np.nan_to_num(uncertainty)
    beyond = np.where(judged, np.maximum(low - value, value - high), -np.inf)
    certain = beyond - own
    too_wide = judged & (own > 0.5 * (high - low))
    worst = int(np.argmax(np.where(judged, certain, -np.inf)))
    if certain[worst] > 0.0:
        verdict: Verdict = "outside"
    elif np.max(beyond) > 0.0:
        worst, verdict = int(np.argmax(beyond)), "doubtful"
    else:
        share = np.sum(too_wide) / np.sum(judged)
        worst, verdict = int(np.argmax(beyond)), "doubtful" if share > TOO_WIDE_SHARE else "within"
    return CurveVerdict(
        verdict=verdict,
        worst=worst,
        n_judged=int(np.sum(judged)),
        n_outside=int(np.sum(certain > 0.0)),
    )


def refuse(path: str, quantity: str, unit: str, *, reason: str, source: str) -> Finding:
    """Finding that says why a quantity cannot be compared."""
    return Finding(
        path=path, quantity=quantity, value=None, unit=unit, uncertainty=None, low=None, high=None,
        verdict="not comparable", reason=reason, source=source,
    )  # fmt: skip
