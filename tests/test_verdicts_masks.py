# mypy: disable-error-code="type-var"
"""Masks: reading, lines between points, floating, and verdicts on them."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from set_population import FREQUENCY_HZ, Population, draw_set, measure_set

from voicecheck.errors import InputError
from voicecheck.records import Run
from voicecheck.verdicts import (
    compare_to_mask,
    limits_at,
    list_masks,
    load_mask,
    load_mask_text,
    pool_run,
)
from voicecheck.verdicts.masks import fit_shift_db

BOX = "frequency_hz,lower_db,upper_db\n200,-3,3\n4000,-3,3\n"


def make_run(level_db: np.ndarray, *, unit: str = "dB V/Pa", uncertainty_db: float = 0.1) -> Run:
    population = Population(unit=unit)
    random = np.random.default_rng(1)
    seat = measure_set(population, draw_set(population, random), random, 1)[0]
    response = dataclasses.replace(
        seat.response,
        level_db=level_db,
        uncertainty_db=np.full(len(level_db), uncertainty_db),
        noise_uncertainty_db=np.full(len(level_db), uncertainty_db),
    )
    seat = seat.replace(response=response)
    return pool_run([seat], job=1, path="transmit", stage="before")


def judge(run: Run, text: str) -> Any:
    return compare_to_mask({"transmit": run}, load_mask_text(text, "box"), job=1, stage="before")


def test_points_of_a_published_table_are_read_and_joined_over_log_frequency() -> None:
    """3GPP TS 26.131 table 13 (PUB): lower limit -5 dB at 5 kHz, -10 dB at 6.3 kHz."""
    mask = load_mask("wideband-handsfree-transmit")
    lower, upper = limits_at(mask, np.array([5000.0, np.sqrt(5000.0 * 6300.0), 6300.0, 150.0]))
    np.testing.assert_allclose(lower[:3], [-5.0, -7.5, -10.0], atol=1e-9)
    assert np.isnan(lower[3])
    assert upper[0] == 5.0


def test_every_shipped_mask_reads_and_says_where_it_is_from() -> None:
    assert len(list_masks()) == 6
    for name in list_masks():
        mask = load_mask(name)
        assert mask.source
        assert mask.note
        assert mask.path in ("transmit", "receive")
    assert "memory" in load_mask("narrowband-handset-receive").note


@given(st.floats(-60.0, 60.0))
def test_floating_mask_does_not_care_for_the_level(shift_db: float) -> None:
    level = 2.0 * np.sin(np.log(FREQUENCY_HZ))
    found = judge(make_run(level + shift_db), BOX)
    assert found.overall == "within"


@pytest.mark.parametrize(
    ("half_swing_db", "verdict"), [(2.5, "within"), (3.05, "doubtful"), (3.5, "outside")]
)
def test_swing_against_a_box_of_three_decibels(half_swing_db: float, verdict: str) -> None:
    """A curve that swings by more than the box cannot be shifted into it; uncertainty 0.1 dB."""
    level = np.where(np.arange(len(FREQUENCY_HZ)) % 2, half_swing_db, -half_swing_db)
    assert judge(make_run(level), BOX).overall == verdict


def test_fixed_mask_judges_the_level_and_needs_a_calibration() -> None:
    fixed = "# floating: no\n" + BOX
    level = np.full(len(FREQUENCY_HZ), 5.0)
    assert judge(make_run(level), fixed).overall == "outside"
    refused = judge(make_run(level, unit="dB relative"), fixed)
    assert refused.overall == "not comparable"
    assert "calibrated" in refused.findings[0].reason


def test_shift_leaves_the_same_room_on_both_sides() -> None:
    level = np.array([4.0, 6.0, 9.0])
    shift = fit_shift_db(level, np.full(3, -3.0), np.full(3, 3.0))
    assert np.max(level - (3.0 + shift)) == pytest.approx(np.max((-3.0 + shift) - level))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("frequency_hz,upper_db\n200,3\n", "lower_db is missing"),
        (BOX.replace("-3,3\n4", "oops,3\n4"), "need a number"),
        ("frequency_hz,lower_db,upper_db\n400,-3,3\n200,-3,3\n", "rising"),
        ("frequency_hz,lower_db,upper_db\n200,3,-3\n", "above upper_db at 200 Hz"),
        ("frequency_hz,lower_db,upper_db\n", "at least one limit"),
        ("# floating: maybe\n" + BOX, "yes or no"),
    ],
)
def test_bad_masks_are_refused_in_words(text: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        load_mask_text(text, "box")


def test_mask_of_another_path_is_refused() -> None:
    with pytest.raises(InputError, match="path receive"):
        judge(make_run(np.zeros(len(FREQUENCY_HZ))), "# path: receive\n" + BOX)


def test_unknown_mask_is_named() -> None:
    with pytest.raises(InputError, match="got nothing-like-it"):
        load_mask("nothing-like-it")
