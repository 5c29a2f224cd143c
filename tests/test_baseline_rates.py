# mypy: disable-error-code="no-untyped-call"
"""
What baselines promise on populations of other recipes: a small part of bench/baseline_rates.py.

Bounds allow for two standard deviations of the few draws; the whole table is in
bench/verdict_rates.md.
"""

from __future__ import annotations

import numpy as np
import pytest
from baseline_draws import ASKED, POPULATIONS, Library
from baseline_rates import rate_agreement, rate_limits, rate_rogues

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def libraries() -> dict[str, Library]:
    rng = np.random.default_rng(20)
    return {name: Library.draw(POPULATIONS[name], 800, rng) for name in ASKED}


def test_few_healthy_sets_are_outside_and_kin_help_to_find_a_loss(
    libraries: dict[str, Library],
) -> None:
    """Promised: at most 5 of 100 outside; with ten kindred types 5 sets do as well as 8 alone."""
    for library in libraries.values():
        alone, helped = (rate_limits(library, row, 1.0, 60) for row in ((8, 0), (5, 10)))
        assert alone["outside"] <= 9.0
        assert helped["outside"] <= 9.0
        assert helped["loss"] < 0.9 * rate_limits(library, (5, 0), 1.0, 60)["loss"]
        assert helped["loss"] < helped["single"]
        assert helped["loss"] < 4.1


def test_a_rogue_is_named_and_healthy_sets_are_not(libraries: dict[str, Library]) -> None:
    """Promised at 8 sets: 8 dB named in 90 of 100, a healthy set in at most 2 of 100 baselines."""
    for library in libraries.values():
        named, falsely = rate_rogues(library, (8, 0), 1.0, 60)
        assert named >= 82.0
        assert falsely <= 5.6


def test_records_and_figures_give_the_same_verdict(libraries: dict[str, Library]) -> None:
    assert rate_agreement(libraries, 15) == 1.0
