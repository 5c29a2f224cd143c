"""
The program's figures beside those of tones by plain least squares, in short.

The whole table: `tests/bench/two_ways.py`. Source of the rule: two independent values of one thing
differ by no more than the root sum square of their 95 % intervals in 95 of 100.
"""

import dataclasses

import numpy as np
import pytest
import two_ways
from helpers import AMPLITUDE
from two_ways import Told

N_SEEDS = 2


@pytest.mark.parametrize("name", ["electret", "network", "carbon, held still", "receiver"])
def test_sweep_and_tones_agree(name: str) -> None:
    """Of two takes' points nine in ten or more; ten in a hundred are four deviations of chance."""
    takes = [two_ways.compare_once(name, seed) for seed in range(N_SEEDS)]
    for column in ("response", "THD", "steps"):
        joined = np.concatenate([take[column] for take in takes])
        assert np.mean(joined) >= 0.9 if len(joined) else name == "network", column
    assert all(take["apart"] < 0.01 for take in takes)
    if name == "network":
        assert np.mean([take["at once"] for take in takes]) >= 0.9


def test_tones_meet_the_truth_of_a_curved_plant() -> None:
    """Nine in ten points inside: a click at a tone's end would be 0.0003 dB at all of them."""
    plant = two_ways.FIXED["receiver-early"]
    found = two_ways.by_tones_alike(plant, np.random.default_rng(3))["response"]
    error_db = found.value - plant.response_db(two_ways.POINTS_HZ, AMPLITUDE)
    assert np.mean(np.abs(error_db) <= found.half_width) >= 0.9
    assert abs(np.mean(error_db)) < 0.0001


def test_many_tones_work_a_curved_element_at_another_place() -> None:
    """An offset of a curved one is none of a linear one: its own row, no disagreement."""
    assert abs(two_ways.compare_once("network", 3)["offset"]) < 0.001
    assert abs(two_ways.compare_once("carbon, held still", 3)["offset"]) > 0.02


def test_what_is_apart_by_more_than_both_intervals_disagrees() -> None:
    first = Told(np.array([1.0, 1.0, np.nan]), np.array([0.3, 0.3, 0.3]))
    second = Told(np.array([1.49, 1.51, 1.0]), np.array([0.4, 0.4, 0.4]))
    assert two_ways.agrees(first, second).tolist() == [True, False]
    wider = dataclasses.replace(second, half_width=np.full(3, 0.5))
    assert two_ways.agrees(first, wider).tolist() == [True, True]


def test_least_squares_of_a_tone_is_exact() -> None:
    """Lines of a sum of cosines of known size, between the bins of any transform."""
    at_s = np.arange(2400) / two_ways.RATE_HZ
    lines_hz = np.array([233.3, 466.6])
    turns = 2 * np.pi * lines_hz * at_s[:, None] + [0.4, 1.3]
    lines, half = two_ways.fit_stretches(np.cos(turns) @ [0.3, 0.01], lines_hz, 4)
    assert lines == pytest.approx([0.3, 0.01] * np.exp(1j * np.array([0.4, 1.3])), rel=1e-9)
    assert np.all(half < 1e-9)
