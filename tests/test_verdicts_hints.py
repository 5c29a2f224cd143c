"""Hints: the table as data, graded matches, the jig first, nothing sure without a finding."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
from hint_rates import Case, Shop, judge
from hypothesis import given
from hypothesis import strategies as st
from set_population import Fault, Population, draw_set, measure_set

from voicecheck.errors import InputError
from voicecheck.records import Problem
from voicecheck.verdicts import (
    build_baseline,
    compare_to_baseline,
    gather_evidence,
    load_fault_table,
    load_fault_table_text,
    pool_run,
    rank_faults,
    rank_hints,
)
from voicecheck.verdicts.faults import COLUMNS, match_row, parse_condition

WEAK = {
    "transmit.level": -8.0,
    "transmit.shape_rms": 0.5,
    "transmit.thd": -1.0,
    "transmit.noise": -5.0,
}


def codes(ranked: Any) -> list[str]:
    return [item.row.code for item in ranked]


def make_row(**changes: str) -> str:
    row = dict.fromkeys(COLUMNS, "x") | {
        "code": "U1", "condition": "transmit.level <= -3 ~ 1", "confidence": "medium", "jig": "no",
    } | changes  # fmt: skip
    return ",".join(COLUMNS) + "\n" + ",".join(row[column] for column in COLUMNS) + "\n"


def test_table_has_its_forty_rows_each_with_cause_test_and_provenance() -> None:
    rows = load_fault_table().rows
    assert [row.code for row in rows] == [f"F{number:02d}" for number in range(1, 41)]
    for row in rows:
        assert row.causes
        assert row.causes[0]
        assert row.separate_by
        assert row.next_test
        assert row.provenance
    assert {row.code for row in rows if row.is_jig} >= {"F28", "F29", "F30"}
    assert load_fault_table().version


def test_term_matches_by_degrees_around_its_value() -> None:
    (clause,) = parse_condition("transmit.level <= -5 ~ 2")
    degrees = [clause.match({"transmit.level": level}) for level in (-2.0, -4.0, -5.0, -6.0, -9.0)]
    assert degrees == [0.0, 0.25, 0.5, 0.75, 1.0]
    assert clause.match({}) is None


@given(st.floats(-30.0, 10.0), st.floats(0.0, 10.0))
def test_more_of_a_symptom_never_matches_less(level: float, more: float) -> None:
    (row,) = load_fault_table_text(make_row(), "own").rows
    assert match_row(row, {"transmit.level": level - more}) >= match_row(
        row, {"transmit.level": level}
    )


def test_alternatives_take_the_best_and_optional_terms_count_only_where_known() -> None:
    text = "a.x >= 1 ~ 1 | b.y >= 1 ~ 1; c.z >= 1 ~ 1 ?"
    (row,) = load_fault_table_text(make_row(condition=text), "own").rows
    assert match_row(row, {"a.x": 0.0, "b.y": 2.0}) == 1.0
    assert match_row(row, {"a.x": 2.0, "c.z": -1.0}) == 0.0
    assert match_row(row, {"c.z": 5.0}) == 0.0


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"condition": "level below 3"}, "cannot read"),
        ({"condition": "a.x >= 1 ?"}, "not optional"),
        ({"confidence": "certain"}, "need high, medium or low"),
    ],
)
def test_bad_rows_are_refused_in_words(changes: dict[str, str], says: str) -> None:
    with pytest.raises(InputError, match=says):
        load_fault_table_text(make_row(**changes), "own.csv")


def test_user_table_is_used_and_a_code_stands_once() -> None:
    table = load_fault_table_text("# version: 7\n" + make_row(), "own.csv")
    assert table.version == "7"
    assert codes(rank_faults({"transmit.level": -8.0}, table)) == ["U1"]
    twice = make_row() + make_row().splitlines()[1] + "\n"
    with pytest.raises(InputError, match="more than once"):
        load_fault_table_text(twice, "own.csv")
    with pytest.raises(InputError, match="need the column"):
        load_fault_table_text("code,area\nF1,x\n", "own.csv")


def test_jig_comes_first_when_there_is_evidence_against_it() -> None:
    """Loop-back off by 3 dB explains a weak set better than any element does."""
    assert codes(rank_faults(WEAK))[0] == "F01"
    assert codes(rank_faults(WEAK | {"loop.level_abs": 3.0}, outside={"transmit", "loop"}))[0] == (
        "F30"
    )


def test_result_of_the_separating_test_turns_the_order() -> None:
    """Lows missing: the seal of the jig, until a new seal brings nothing back."""
    weak_lows = {
        "receive.low": -7.0, "receive.level_abs": 1.5, "receive.level": -1.5,
        "receive.peak_shift_percent": 12.0, "receive.shape_rms": 2.5,
    }  # fmt: skip
    assert codes(rank_faults(weak_lows))[0] == "F28"
    assert codes(rank_faults(weak_lows | {"test.reseat_low_gain_db": 5.0}))[0] == "F28"
    assert "F28" not in codes(rank_faults(weak_lows | {"test.reseat_low_gain_db": 0.0}))


def sweep(fault: Fault, seed: int = 7) -> Any:
    population, reference = Population(), []
    from numpy.random import default_rng

    for job in range(8):
        random = default_rng(200 + job)
        seats = measure_set(population, draw_set(population, random), random)
        reference.append(pool_run(seats, job=job, path="transmit", stage="reference"))
    baseline = build_baseline(reference, type_name="Hillview 2", path="transmit")
    random = default_rng(seed)
    seats = measure_set(population, draw_set(population, random, fault), random)
    run = pool_run(seats, job=9, path="transmit", stage="before")
    runs, baselines = {"transmit": run}, {"transmit": baseline}
    return runs, baselines, compare_to_baseline(runs, baselines, job=9, stage="before")


def test_nothing_is_sure_while_nothing_is_outside() -> None:
    runs, baselines, comparison = sweep(Fault(level_db=8.0))
    sure = rank_hints(comparison, runs, baselines)
    calm = tuple(dataclasses.replace(f, verdict="within") for f in comparison.findings)
    unsure = rank_hints(dataclasses.replace(comparison, findings=calm), runs, baselines)
    assert sure[0].code == "F01"
    assert sure[0].confidence != "low"
    assert {hint.confidence for hint in unsure} <= {"low"}


def test_hint_shows_what_it_rests_on() -> None:
    runs, baselines, comparison = sweep(Fault(level_db=8.0))
    hint = rank_hints(comparison, runs, baselines)[0]
    assert "transmit level" in hint.seen
    assert "20, 30 and 40 mA" in hint.separate_by
    assert hint.next_test == "recondition"
    assert "PUB" in hint.provenance


def test_evidence_is_left_out_where_it_is_not_comparable() -> None:
    runs, baselines, _ = sweep(Fault(level_db=8.0))
    run = runs["transmit"]
    conditions = run.pooled.conditions.replace(feed_ma=20.0)
    other = dataclasses.replace(run, pooled=run.pooled.replace(conditions=conditions))
    evidence = gather_evidence({"transmit": other}, baselines)
    assert "transmit.level" not in evidence
    assert "transmit.shape_rms" in evidence


def test_path_with_no_signal_counts_as_dead() -> None:
    problems = {"receive": [Problem(kind="no-signal", message="silent")]}
    runs, baselines, comparison = sweep(Fault())
    hints = rank_hints(comparison, runs, baselines, problems=problems)
    assert hints[0].code == "F18"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("handset", "cause"),
    [("carbon+packed", "F01"), ("carbon+weak-magnet", "F13"), ("carbon+open-balance", "F23")],
)
def test_simulated_fault_is_named_first(
    shop: Shop, references: Any, handset: str, cause: str
) -> None:
    """Small version of tests/bench/hint_rates.py, on the simulated bench."""
    _, hints = judge(shop, Case(handset, 4001, "carbon"), references, with_tests=False)
    assert hints[0].code == cause


@pytest.fixture(scope="module")
def shop() -> Shop:
    return Shop(None, n_seats=1)


@pytest.fixture(scope="module")
def references(shop: Shop) -> Any:
    return shop.build_baselines("carbon", n=3)
