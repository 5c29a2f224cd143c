"""Probabilities of causes on faults of another make; `tests/bench/cause_rates.py` is larger."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from cause_figures import CODES, Type, draw_cases, read_plant
from cause_rates import Told, find_place, list_bins, name_bench, score, tell
from plants import faulty
from plants.drawn import POINTS_HZ

from voicecheck.verdicts import load_fault_table
from voicecheck.verdicts.hints import OTHER

SEED, CASES = 77, 500


@pytest.fixture(scope="module")
def told() -> list[Told]:
    return [tell(name, evidence, kind) for name, _, evidence, kind in draw_cases(CASES, SEED)]


def test_every_fault_that_is_made_has_its_code() -> None:
    assert CODES.keys() == faulty.KINDS.keys()
    rows = {row.code: row for row in load_fault_table().rows}
    for name, code in CODES.items():
        assert (code == OTHER) == (name in faulty.UNLISTED)
        # Hum comes from the bench or the set; the table has one row for both.
        if code != OTHER and name != "hum":
            assert rows[code].is_jig == faulty.KINDS[name].is_bench


def test_probabilities_are_better_than_a_constant_and_say_what_comes_true(told: Any) -> None:
    own, constant = score(told)
    assert own < 0.5 * constant
    for _, _, n, stated, share, error in list_bins(told):
        # Three standard errors where the long study has two: its bins hold twenty times as many.
        assert n < 20 or abs(share - stated) < 0.07 + 3 * error


def test_the_true_cause_comes_first_and_the_bench_is_found(told: Any) -> None:
    """Asked 75, 92 and 90 of 100; 500 cases have a standard error of 1 to 4 points."""
    places = np.array([find_place(one) for one in told])
    assert np.mean(places == 1) > 0.75
    assert np.mean(places <= 3) > 0.92
    assert np.mean(name_bench(told)) > 0.82


def test_unlisted_faults_fall_to_something_else(told: Any) -> None:
    unlisted, listed = (
        [one.every[OTHER] for one in told if (one.code == OTHER) == is_unlisted]
        for is_unlisted in (True, False)
    )
    assert len(unlisted) > 10
    assert np.mean(unlisted) > 4 * np.mean(listed)


def make(name: str, seed: int = 1, talking: int = 0, hearing: int = 0) -> tuple[Any, Any]:
    rng = np.random.default_rng(seed)
    usual = faulty.draw_telephone(rng, faulty.TALKING[talking], faulty.HEARING[hearing])
    t = faulty.Telephone(usual.talk, usual.hear, usual.talk_population, usual.hear_population)
    faulty.KINDS[name].make(t, rng)
    return usual, t


def change_db(usual: Any, t: Any, path: str) -> Any:
    curves = [getattr(one, path).plant.response_db(POINTS_HZ, 0.02) for one in (t, usual)]
    return curves[0] - curves[1]


@pytest.mark.parametrize("seed", range(4))
def test_faults_do_what_their_physics_says(seed: int) -> None:
    leaked = change_db(*make("seal", seed), "hear")
    assert np.all(np.diff(leaked) > 0)
    assert leaked[0] < -2.5
    muffled = change_db(*make("muffled", seed), "talk")
    assert np.all(np.diff(muffled) < 0)
    far = change_db(*make("distance", seed), "talk")
    assert np.ptp(far) < 0.05
    assert -20 * np.log10(2.0) - 0.1 < far[0] < -20 * np.log10(1.25) + 0.1
    line = change_db(*make("long-line", seed), "talk")
    # Loss in dB with the root of the frequency.
    assert line / line[30] == pytest.approx(np.sqrt(POINTS_HZ / POINTS_HZ[30]), rel=1e-3)


@pytest.mark.parametrize("hearing", range(3))
def test_half_a_magnet_is_half_the_level_and_twice_the_second_harmonic(hearing: int) -> None:
    usual, t = make("weak-magnet", 3, hearing=hearing)
    was, now = (read_plant(one.hear) for one in (usual, t))
    assert now["level"] < was["level"] - 3
    assert now["h2"] - was["h2"] == pytest.approx(was["level"] - now["level"], abs=0.7)


def test_a_type_knows_its_good_sets() -> None:
    kind = Type.draw(np.random.default_rng(2), faulty.TALKING[1], faulty.HEARING[0])
    level = kind.usual["transmit.level"]
    # Population A spreads by 1 dB; eight draws have a standard error of a quarter of it.
    assert 0.3 < level.sd < 2.0
    assert level.n == 8
