"""
How probable each cause is, given what was measured.

Every cause foretells each clue from its mildest to its severest (`signatures`). Its likelihood is
the mean over a grid of severities, so nothing has a hard edge: a fault between two severities, or
with one clue out of place, loses probability by degrees. Clues count as independent given cause and
severity, which they are not quite; `TEMPERATURE` takes off what that overstates (fitted by
`tests/bench/cause_rates.py --fit` on the simulated bench; scored elsewhere). Beside the causes
stand "something else", under which any few clues move by any amount, and nothing wrong at all.

Bayes' rule, mixtures and temperature scaling are general statistics; for the latter see C. Guo and
others, On Calibration of Modern Neural Networks, ICML 2017 (PUB-ABS).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from voicecheck.records.arrays import Array
from voicecheck.verdicts.signatures import Clue, Form, load_clues

N_SEVERITIES = 9
MISFIT = 0.04
"""Share of cases in which a clue is not where its cause puts it (PROP)."""
MOVED = (0.1, 0.4)
"""Shares of clues that move under something else: few, or many (PROP)."""
TEMPERATURE = 1.0
ANCHOR_SETS = 4.0
"""The stated spread of a clue counts as so many sets beside a baseline's own (PROP)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Foretold:
    """
    What all forms of all causes foretell.

    Parameters
    ----------
    mean : ndarray, shape (n_forms, n_severities, n_clues)
        On the clues' scales.
    spread : ndarray, shape (n_forms, n_clues)
        NaN where it is the clue's own.
    cause : ndarray of int, shape (n_forms,)
        Which cause a form belongs to.
    """

    mean: Array
    spread: Array
    cause: Array

    @property
    def n_causes(self) -> int:
        """How many causes there are."""
        return int(self.cause.max()) + 1 if len(self.cause) else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Posterior:
    """
    Probabilities, which add up to 1 along the last axis.

    Parameters
    ----------
    causes : ndarray, shape (n_cases, n_causes)
    other : ndarray, shape (n_cases,)
        Something that is not in the table.
    nothing : ndarray, shape (n_cases,)
        A usual set that chance or the limits' error rate brought here.
    """

    causes: Array
    other: Array
    nothing: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Odds:
    """
    Shares of all sets that come to a bench with something outside, before anything is measured.

    `causes` has one for each cause; with `other` and `nothing` they are scaled to add up to 1.
    """

    causes: tuple[float, ...]
    other: float
    nothing: float


def foretell(causes: Sequence[Sequence[Form]]) -> Foretold:
    """
    Lay out what causes foretell, on a grid of severities.

    Parameters
    ----------
    causes : sequence of sequence of Form

    Returns
    -------
    Foretold
        In the order of `causes`; clues in the order of their file.
    """
    clues, place = tuple(load_clues().values()), {name: k for k, name in enumerate(load_clues())}
    forms = [(index, form) for index, cause in enumerate(causes) for form in cause]
    usual = np.array([clue.usual for clue in clues])
    mean = np.tile(usual, (len(forms), N_SEVERITIES, 1))
    spread = np.full((len(forms), len(clues)), np.nan)
    severity = np.linspace(0.0, 1.0, N_SEVERITIES)
    for row, (_, form) in enumerate(forms):
        for term in form:
            at = place[term.name]
            mean[row, :, at] = term.mild + (term.severe - term.mild) * severity
            if term.spread is not None:
                spread[row, at] = term.spread
    cause = np.array([index for index, _ in forms], dtype=int)
    return Foretold(mean=mean, spread=spread, cause=cause)


def read_clues(
    evidence: Mapping[str, float], scatter: Mapping[str, tuple[float, int]]
) -> tuple[Array, Array]:
    """
    One case as the clues have it.

    Parameters
    ----------
    evidence : mapping of str to float
        As `gather_evidence` gives it.
    scatter : mapping of str to tuple of float and int
        Standard deviation among the type's reference sets, and how many there were.

    Returns
    -------
    value, spread : ndarray, shape (n_clues,)
        On the clues' scales; NaN where there is no value. Of a path on which nothing comes back,
        that alone is told.
    """
    dead = {path for path in ("transmit", "receive") if evidence.get(f"{path}.dead", 0.0) >= 0.5}
    clues = load_clues().values()
    value = np.array([_read_clue(clue, evidence, dead) for clue in clues])
    spread = np.array([_draw_together(clue, scatter.get(clue.name)) for clue in clues])
    return value, spread


def _read_clue(clue: Clue, evidence: Mapping[str, float], dead: set[str]) -> float:
    path, _, what = clue.name.partition(".")
    is_hidden = (path in dead and what != "dead") or (path == "both" and bool(dead))
    known = evidence.get(clue.name)
    if is_hidden or known is None or not math.isfinite(known):
        return math.nan
    return clue.to_scale(known)


def _draw_together(clue: Clue, own: tuple[float, int] | None) -> float:
    """The clue's stated spread, and the type's own as far as it has sets (shrinkage)."""
    if own is None or own[1] < 2 or not math.isfinite(own[0]):
        return clue.spread
    sd, n = own
    dof = n - 1
    variance = (ANCHOR_SETS * clue.spread**2 + dof * sd**2) / (ANCHOR_SETS + dof)
    return math.sqrt(variance * (1.0 + 1.0 / n))


def weigh(value: Array, spread: Array, foretold: Foretold, odds: Odds) -> Posterior:
    """
    Probability of each cause.

    Parameters
    ----------
    value, spread : ndarray, shape (n_cases, n_clues)
        As `read_clues` gives them.
    foretold : Foretold
    odds : Odds

    Returns
    -------
    Posterior
    """
    rows = [_weigh_one(v, s, foretold) for v, s in zip(value, spread, strict=True)]
    shares = np.array([*odds.causes, odds.other, odds.nothing])
    with np.errstate(divide="ignore"):
        log_share = np.log(shares / shares.sum())
    score = np.array(rows) / TEMPERATURE + log_share
    weight = np.exp(score - score.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    return Posterior(causes=weight[:, :-2], other=weight[:, -2], nothing=weight[:, -1])


def _weigh_one(value: Array, spread: Array, foretold: Foretold) -> Array:
    """Log likelihood of each cause, of something else and of nothing, shape (n_causes + 2,)."""
    usual, reach = _load_frames()
    known = np.isfinite(value)
    x, sd, wide = value[known], spread[known], reach[known]
    anything = _log_normal(x - usual[known], np.hypot(sd, wide))
    still = _log_normal(x - usual[known], sd)
    own = foretold.spread[:, known]
    moved = np.isfinite(own)
    # What moves a clue adds its own spread to that of usual sets.
    width = np.where(moved, np.hypot(sd, np.nan_to_num(own)), sd)
    fits = _log_normal(x - foretold.mean[:, :, known], width[:, None, :])
    fits = np.logaddexp(math.log(1.0 - MISFIT) + fits, math.log(MISFIT) + anything)
    forms = _log_mean(fits.sum(axis=2), axis=1)
    causes = [_log_mean(forms[foretold.cause == k], axis=0) for k in range(foretold.n_causes)]
    other = [
        float(np.logaddexp(math.log1p(-share) + still, math.log(share) + anything).sum())
        for share in MOVED
    ]
    nothing = np.logaddexp(math.log(1.0 - MISFIT) + still, math.log(MISFIT) + anything).sum()
    return np.array([*causes, float(_log_mean(np.array(other), axis=0)), nothing])


@cache
def _load_frames() -> tuple[Array, Array]:
    clues = tuple(load_clues().values())
    return np.array([clue.usual for clue in clues]), np.array([clue.reach for clue in clues])


def _log_normal(off: Array, sd: Array) -> Array:
    return -0.5 * (off / sd) ** 2 - np.log(sd)


def _log_mean(values: Array, axis: int) -> Array:
    """Logarithm of the mean of what the values are the logarithms of."""
    top = values.max(axis=axis, keepdims=True)
    mean = np.log(np.mean(np.exp(values - top), axis=axis))
    return np.asarray(mean + np.squeeze(top, axis=axis))
