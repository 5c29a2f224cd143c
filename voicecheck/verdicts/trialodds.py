"""
What the outcomes of trials say of each cause: how often each outcome comes under it.

The table is counted on telephones made for it (`tests/bench/trials.py --fit`), never on those that
the causes are scored on. Trials count as independent given the cause, as clues do.
"""

from __future__ import annotations

import csv
import importlib.resources
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache

from voicecheck.records.trials import Trial, TrialEvidence

EVERY, OTHER, NOTHING = "*", "other", "nothing"
LEAST_RATIO_TOLD = 0.1
"""A ratio nearer to 1 than that is not told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """How often an outcome came under a cause: `probability` on `n_cases`, from `source`."""

    probability: float
    n_cases: int
    source: str


@cache
def load_likelihoods() -> Mapping[tuple[str, str, str], Mapping[str, Counted]]:
    """By trial, kind of transmitter and outcome: what was counted under each cause's code."""
    source = importlib.resources.files("voicecheck") / "data" / "trial_likelihoods.csv"
    lines = source.read_text(encoding="utf-8").splitlines()
    found: dict[tuple[str, str, str], dict[str, Counted]] = {}
    for row in csv.DictReader(line for line in lines if not line.startswith("#")):
        key = (row["trial"], row["transmitter"], row["outcome"])
        found.setdefault(key, {})[row["code"]] = Counted(
            probability=float(row["probability"]), n_cases=int(row["cases"]), source=row["source"]
        )
    return found


def find_evidence(trial: str, transmitter: str, outcome: str) -> tuple[TrialEvidence, ...]:
    """
    What an outcome says for or against each cause, the strongest first.

    Parameters
    ----------
    trial, transmitter, outcome : str

    Returns
    -------
    tuple of TrialEvidence
        Empty where nothing was counted: another kind of transmitter, say.
    """
    counted = load_likelihoods().get((trial, transmitter, outcome), {})
    if EVERY not in counted:
        return ()
    usual = counted[EVERY].probability
    found = [
        TrialEvidence(
            code=code,
            probability=one.probability,
            ratio=one.probability / usual,
            n_cases=one.n_cases,
            source=one.source,
        )
        for code, one in counted.items()
        if code not in (EVERY, OTHER, NOTHING)
        and abs(one.probability / usual - 1.0) >= LEAST_RATIO_TOLD
    ]
    return tuple(sorted(found, key=lambda one: -max(one.ratio, 1.0 / one.ratio)))


def weigh_outcomes(trials: Iterable[Trial]) -> dict[str, float]:
    """
    Likelihood of all outcomes together under each cause.

    Parameters
    ----------
    trials : iterable of Trial

    Returns
    -------
    dict of str to float
        By code; `EVERY` holds for whatever has no row, `OTHER` and `NOTHING` for these. Empty where
        no trial says anything.
    """
    every: list[Mapping[str, Counted]] = [
        counted
        for one in trials
        if (counted := load_likelihoods().get((one.name, one.transmitter, one.outcome)))
    ]
    codes = dict.fromkeys(code for counted in every for code in counted)
    product = dict.fromkeys(codes, 1.0)
    for counted in every:
        for code in codes:
            product[code] *= counted.get(code, counted[EVERY]).probability
    return product
