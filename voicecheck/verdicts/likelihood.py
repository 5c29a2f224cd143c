"""
How probable each cause is, given what was measured.

Every cause foretells each clue from its mildest to its severest (`signatures`). Its likelihood is
the mean over a grid of severities, so nothing has a hard edge: a fault between two severities, or
with one clue out of place, loses probability by degrees. Clues count as independent given cause and
severity, which they are not quite; `TEMPERATURE` stretches or flattens what comes of it. The faults
of the simulated bench would take 0.7 (`tests/bench/hint_rates.py --fit`), but the table was written
beside them: 0.95 is kept, and scored on faults of another make (`tests/bench/cause_rates.md`).
Beside the causes stand "something
else", under which any few kinds of clue move by any amount, and nothing wrong at all.

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
from voicecheck.verdicts.evidence import Usual
from voicecheck.verdicts.signatures import Clue, Form, load_clues

N_SEVERITIES = 9
MISFIT = 0.01
"""Share of cases in which a clue is not where its cause puts it (PROP)."""
MOVED = 0.2
"""Share of the kinds of clues that move under something else (PROP)."""
FREE = 0.3
"""How often a clue that a cause may move is moved (PROP)."""
TEMPERATURE = 0.95
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
    is_moved, is_free : ndarray of bool, shape (n_forms, n_clues)
        Where a form says how a clue moves, and where it may move by any amount or stay; elsewhere
        it is as usual for the type.
    cause : ndarray of int, shape (n_forms,)
        Which cause a form belongs to.
    """

    mean: Array
    spread: Array
    is_moved: Array
    is_free: Array
    cause: Array

    @property
    def n_causes(self) -> int:
        """How many causes there are."""
        return int(self.cause.max()) + 1 if len(self.cause) else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Cases:
    """
    What was measured, on the clues' scales; arrays of shape (n_cases, n_clues).

    `value` is NaN where there is none; `usual` and `spread` are those of the type's usual sets.
    """

    value: Array
    usual: Array
    spread: Array


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
    is_moved, is_free = np.zeros((2, len(forms), len(clues)), dtype=bool)
    severity = np.linspace(0.0, 1.0, N_SEVERITIES)
    for row, (_, form) in enumerate(forms):
        for term in form:
            at = place[term.name]
            mean[row, :, at] = term.mild + (term.severe - term.mild) * severity
            is_moved[row, at], is_free[row, at] = not term.is_free, term.is_free
            if term.spread is not None:
                spread[row, at] = term.spread
    cause = np.array([index for index, _ in forms], dtype=int)
    return Foretold(mean=mean, spread=spread, is_moved=is_moved, is_free=is_free, cause=cause)


def read_clues(evidence: Mapping[str, float], usual: Mapping[str, Usual]) -> Cases:
    """
    One case as the clues have it.

    Parameters
    ----------
    evidence : mapping of str to float
        As `gather_evidence` gives it.
    usual : mapping of str to Usual
        As `gather_usual` gives it.

    Returns
    -------
    Cases
        One. Of a path on which nothing comes back, that alone is told.
    """
    dead = {path for path in ("transmit", "receive") if evidence.get(f"{path}.dead", 0.0) >= 0.5}
    clues = load_clues().values()
    value = [_read_clue(clue, evidence, dead) for clue in clues]
    known = [_draw_together(clue, usual.get(clue.name)) for clue in clues]
    return Cases(
        value=np.array([value]),
        usual=np.array([[mean for mean, _ in known]]),
        spread=np.array([[sd for _, sd in known]]),
    )


def _read_clue(clue: Clue, evidence: Mapping[str, float], dead: set[str]) -> float:
    path, _, what = clue.name.partition(".")
    is_hidden = (path in dead and what != "dead") or (path == "both" and bool(dead))
    known = evidence.get(clue.name)
    if is_hidden or known is None or not math.isfinite(known):
        return math.nan
    return clue.to_scale(known)


def _draw_together(clue: Clue, own: Usual | None) -> tuple[float, float]:
    """Usual value and spread: the clue's stated ones, and the type's own as far as it has sets."""
    if own is None or own.n < 2 or not math.isfinite(own.sd):
        return clue.usual, clue.spread
    mean = clue.to_scale(own.mean) if math.isfinite(own.mean) else clue.usual
    dof = own.n - 1
    variance = (ANCHOR_SETS * clue.spread**2 + dof * own.sd**2) / (ANCHOR_SETS + dof)
    return mean, math.sqrt(variance * (1.0 + 1.0 / own.n))


def weigh(cases: Cases, foretold: Foretold, odds: Odds) -> Posterior:
    """
    Probability of each cause.

    Parameters
    ----------
    cases : Cases
    foretold : Foretold
    odds : Odds

    Returns
    -------
    Posterior
    """
    rows = [
        _weigh_one(*case, foretold)
        for case in zip(cases.value, cases.usual, cases.spread, strict=True)
    ]
    shares = np.array([*odds.causes, odds.other, odds.nothing])
    score = np.array(rows) / TEMPERATURE + np.log(shares / shares.sum())
    weight = np.exp(score - score.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    return Posterior(causes=weight[:, :-2], other=weight[:, -2], nothing=weight[:, -1])


def _weigh_one(value: Array, usual: Array, spread: Array, foretold: Foretold) -> Array:
    """Log likelihood of each cause, of something else and of nothing, shape (n_causes + 2,)."""
    known = np.isfinite(value)
    x, middle, sd = value[known], usual[known], spread[known]
    anything = _log_normal(x - middle, np.hypot(sd, _load_reach()[known]))
    still = _log_normal(x - middle, sd)
    own, is_moved = foretold.spread[:, known], foretold.is_moved[:, known]
    # What moves a clue adds its own spread to that of usual sets.
    width = np.where(np.isfinite(own), np.hypot(sd, np.nan_to_num(own)), sd)
    mean = np.where(is_moved[:, None, :], foretold.mean[:, :, known], middle)
    fits = _log_normal(x - mean, width[:, None, :])
    fits = _mix(fits, anything, MISFIT)
    either = _mix(still, anything, FREE)
    fits = np.where(foretold.is_free[:, None, known], either, fits)
    forms = _log_mean(fits.sum(axis=2), axis=1)
    causes = [_log_mean(forms[foretold.cause == k], axis=0) for k in range(foretold.n_causes)]
    nothing = _mix(still, anything, MISFIT).sum()
    other = _weigh_other(still, _mix(still, anything, 0.5), _load_kinds()[known])
    return np.array([*causes, other, nothing])


def _weigh_other(still: Array, either: Array, kinds: Array) -> float:
    """Log likelihood of something else: each kind of clue stays, or its clues move as they like."""
    stays, moves = still @ kinds, either @ kinds
    return float(_mix(stays, moves, MOVED).sum())


@cache
def _load_kinds() -> Array:
    """One column for each kind, shape (n_clues, n_kinds)."""
    kinds = [clue.kind for clue in load_clues().values()]
    return np.array([[kind == one for one in dict.fromkeys(kinds)] for kind in kinds], dtype=float)


@cache
def _load_reach() -> Array:
    return np.array([clue.reach for clue in load_clues().values()])


def _log_normal(off: Array, sd: Array) -> Array:
    return -0.5 * (off / sd) ** 2 - np.log(sd)


def _mix(usually: Array, else_: Array, share: float) -> Array:
    """Log likelihood where a share of the cases follows another law."""
    return np.logaddexp(math.log(1.0 - share) + usually, math.log(share) + else_)


def _log_mean(values: Array, axis: int) -> Array:
    """Logarithm of the mean of what the values are the logarithms of."""
    top = values.max(axis=axis, keepdims=True)
    mean = np.log(np.mean(np.exp(values - top), axis=axis))
    return np.asarray(mean + np.squeeze(top, axis=axis))
