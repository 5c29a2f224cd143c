# mypy: disable-error-code="attr-defined"
"""
Reduced versions of the studies in `tests/bench`: few seeds, wider limits, the same code.

The full ones print the tables of `tests/bench/*.md`.
"""

from typing import Any

import identity_rates
import interval_coverage
import libraries
import limit
import numpy as np
import pytest
import robustness
from accuracy import PLANTS
from known_plant import resonant_receiver


@pytest.mark.parametrize("name", ["carbon-like, 60 dB", "weak, 25 dB, mains -29 dB"])
def test_intervals_cover(name: str) -> None:
    """Of ten seeds' values 89 to 99.5 of 100 lie inside their 95 % interval."""
    shares = interval_coverage.assess(PLANTS[name], 10)
    for quantity in ("response", "THD"):
        assert 91.0 <= float(shares[quantity]) <= 98.5, shares
    assert float(shares["bands"]) >= 80.0
    assert float(shares["noise"]) >= 80.0


@pytest.mark.parametrize("name", list(robustness.FAULTS))
def test_faults_are_found_named_and_placed(name: Any) -> None:
    """Four recordings each: all found, and nothing else is named."""
    for seed in range(4):
        hit, error_db, others = robustness.try_one(seed, *robustness.FAULTS[name])
        assert hit, seed
        assert others == [], seed
        # What is clipped throughout cannot be set aside.
        assert error_db < 0.03 or name.startswith("clipping")


def test_clean_recordings_are_called_clean() -> None:
    for seed in range(12):
        assert robustness.try_one(seed, robustness.nothing, {}, set(), False)[2] == []


def test_elements_are_told_apart() -> None:
    """Twelve random simulated elements: none wrong, at most two undecided."""
    outcomes = [identity_rates.try_one(seed) for seed in range(12)]
    assert all(found in (kind, "not clear") for _, kind, found, _ in outcomes)
    assert sum(found == "not clear" for _, _, found, _ in outcomes) <= 2


def test_random_error_is_near_its_bound_where_noise_rules() -> None:
    """At 25 dB signal-to-noise within 1.3 of the 1/12-octave bound (24 seeds: 1.00)."""
    over, own = limit.random_error(-38.0, {}, 10)
    assert 0.75 < over < 1.3
    assert 0.75 < own < 1.25


@pytest.mark.parametrize("response", [{}, {"response": resonant_receiver}], ids=["carbon", "peaks"])
def test_bias_is_below_a_thousandth_of_a_decibel(response: Any) -> None:
    assert limit.bias(response) < 0.001


def test_general_methods_do_no_better_on_a_weak_plant() -> None:
    """Sources: pyfar, scipy.signal, least squares on stepped tones; equal sound time."""
    plant = PLANTS["weak, 25 dB, mains -29 dB"]
    truth = plant.true_response_db(limit.POINTS_HZ, limit.AMPLITUDE)
    kept = libraries.Kept(plant)
    errors = {
        measure.__name__: np.sqrt(np.nanmean((measure(kept)[0] - truth) ** 2))
        for measure in (libraries.ours, libraries.by_pyfar, libraries.by_scipy, libraries.by_tones)
    }
    assert errors["ours"] == min(errors.values())
