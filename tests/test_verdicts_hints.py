"""Hints: the table as data, graded likelihoods, nothing named where all is within."""

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
    rank_causes,
    rank_hints,
)
from voicecheck.verdicts.faults import COLUMNS
from voicecheck.verdicts.signatures import parse_change

WEAK = {
    "transmit.dead": 0.0,
    "transmit.level": -8.0,
    "transmit.slope": 0.0,
    "transmit.thd": -7.0,
    "transmit.noise": -5.0,
    "transmit.kurtosis": 3.0,
    "transmit.seat_sd": 0.5,
    "receive.dead": 0.0,
    "receive.level": 0.3,
    "loop.level": 0.0,
}
USUAL = WEAK | {"transmit.level": 0.0, "transmit.thd": 0.0, "transmit.noise": 0.0}


def codes(ranked: Any) -> list[str]:
    return [item.row.code for item in ranked]


def chance_of(code: str, evidence: dict[str, float], **options: Any) -> float:
    return sum(one.probability for one in rank_causes(evidence, **options) if one.row.code == code)


def make_row(**changes: str) -> str:
    row = dict.fromkeys(COLUMNS, "x") | {
        "code": "U1", "change": "transmit.level -3..-12 ~ 1", "share": "3", "jig": "no",
    } | changes  # fmt: skip
    return ",".join(COLUMNS) + "\n" + ",".join(row[column] for column in COLUMNS) + "\n"


def test_table_has_its_rows_each_with_cause_test_share_and_provenance() -> None:
    rows = load_fault_table().rows
    assert [row.code for row in rows] == [f"F{number:02d}" for number in range(1, 49)]
    for row in rows:
        assert row.causes
        assert row.causes[0]
        assert row.separate_by
        assert row.next_test
        assert row.provenance
        assert row.share > 0.0
    assert {row.code for row in rows if row.is_jig} >= {"F28", "F29", "F30", "F41", "F42", "F45"}
    assert load_fault_table().version


def test_a_term_goes_from_the_mildest_to_the_severest_on_the_clues_scale() -> None:
    ((level, tries, free),) = parse_change(
        "transmit.level -3..-12 ~ 1; transmit.seat_sd 1..10; transmit.noise any"
    )
    assert (level.mild, level.severe, level.spread) == (-3.0, -12.0, 1.0)
    assert (tries.mild, tries.severe, tries.spread) == (0.0, 20.0, None)
    assert free.is_free
    assert not level.is_free


@pytest.mark.parametrize("level", [-3.0, -5.0, -8.0, -12.0, -15.0, -18.0, -20.0])
def test_a_cause_has_no_edge_where_it_is_lost(level: float) -> None:
    """From the mildest to beyond the severest the same cause stands in front."""
    evidence = WEAK | {
        "transmit.level": level, "transmit.thd": 0.8 * level, "transmit.noise": 0.6 * level,
        "measured.dc_ohm_ratio": 0.5,
    }  # fmt: skip
    assert codes(rank_causes(evidence))[0] == "F01"


@given(st.floats(-25.0, 10.0), st.floats(-10.0, 10.0), st.floats(-10.0, 25.0))
def test_probabilities_never_add_up_to_more_than_one(
    level: float, slope: float, noise: float
) -> None:
    changes = {"transmit.level": level, "transmit.slope": slope, "transmit.noise": noise}
    ranked = rank_causes(WEAK | changes)
    found = [one.probability for one in ranked]
    assert found == sorted(found, reverse=True)
    assert min(found) >= 0.0
    assert sum(found) <= 1.0 + 1e-9


def test_what_no_cause_foretells_is_something_else() -> None:
    odd = WEAK | {
        "transmit.level": 9.0, "transmit.slope": -9.0, "transmit.thd": -15.0,
        "receive.level": 7.0, "receive.thd": -12.0,
    }  # fmt: skip
    assert sum(one.probability for one in rank_causes(odd)) < 0.5
    assert sum(one.probability for one in rank_causes(WEAK)) > 0.9


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"receive.low_rel": -2.0, "receive.level": -0.3, "receive.slope": 1.5}, "F28"),
        ({"transmit.mains": -3.0, "receive.mains": -3.0, "transmit.noise": 1.0}, "F26"),
        ({"transmit.mains": 20.0, "receive.mains": 20.0, "transmit.noise": 18.0}, "F26"),
        ({"transmit.losses": 10.0, "receive.losses": 8.0, "loop.losses": 0.0}, "F19"),
        ({"transmit.losses": 10.0, "receive.losses": 8.0, "loop.losses": 12.0}, "F46"),
        ({"transmit.take_drift": -1.5, "test.drift_5min_db": 4.0}, "F22"),
        ({"transmit.take_drift": -1.0, "transmit.fade": 0.1}, "F43"),
        ({"transmit.noise": 14.0}, "F04"),
        ({"transmit.take_drift": 0.0, "transmit.unsteady": 1.0, "transmit.seat_sd": 1.2}, "F44"),
        (
            {"receive.thd_jump": 30.0, "receive.thd": 9.0, "receive.h2": 8.0, "receive.h3": 15.0},
            "F15",
        ),
        ({"receive.level": -8.0, "receive.h2": 8.0, "receive.thd": 8.0}, "F13"),
        ({"receive.level": -12.0, "receive.h2": 11.0, "receive.thd": 11.0}, "F13"),
        ({"transmit.level": -3.0, "receive.level": -3.0, "loop.level": -3.0}, "F30"),
        ({"transmit.level": 2.5, "receive.level": 2.5, "loop.level": 2.5}, "F30"),
        ({"receive.level": 4.0, "receive.noise": 4.0, "receive.thd": 0.0}, "F42"),
    ],
)
def test_mild_and_strong_faults_of_every_kind_have_their_cause(
    changes: dict[str, float], code: str
) -> None:
    assert codes(rank_causes(USUAL | changes))[0] == code


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"change": "level below 3"}, "cannot read"),
        ({"change": "a.x 1..2"}, "is no clue"),
        ({"share": "0"}, "need a number above 0"),
        ({"share": "some"}, "need a number above 0"),
    ],
)
def test_bad_rows_are_refused_in_words(changes: dict[str, str], says: str) -> None:
    with pytest.raises(InputError, match=says):
        load_fault_table_text(make_row(**changes), "own.csv")


def test_user_table_is_used_and_a_code_stands_once() -> None:
    table = load_fault_table_text("# version: 7\n" + make_row(), "own.csv")
    assert table.version == "7"
    assert codes(rank_causes({"transmit.level": -8.0}, table=table)) == ["U1"]
    twice = make_row() + make_row().splitlines()[1] + "\n"
    with pytest.raises(InputError, match="more than once"):
        load_fault_table_text(twice, "own.csv")
    with pytest.raises(InputError, match="need the column"):
        load_fault_table_text("code,area\nF1,x\n", "own.csv")


def test_a_loop_back_that_is_off_speaks_for_the_bench() -> None:
    """What moves the loop-back without the set is no fault of the set."""
    moved = WEAK | {"transmit.level": -3.0, "receive.level": -3.0, "transmit.thd": 0.0}
    assert chance_of("F30", moved | {"loop.level": -3.0}) > 0.9
    assert chance_of("F30", moved | {"loop.level": 0.0}) < 0.1


def test_result_of_the_separating_test_turns_the_order() -> None:
    """Lows missing: the seal of the jig, until a new seal brings nothing back."""
    weak_lows = USUAL | {
        "receive.low_rel": -5.0, "receive.level": -2.5, "receive.slope": 4.0,
        "receive.peak_shift_percent": 12.0,
    }  # fmt: skip
    assert codes(rank_causes(weak_lows))[0] == "F28"
    kept, gone = (
        chance_of("F28", weak_lows | {"test.reseat_low_gain_db": gain}) for gain in (5.0, 0.0)
    )
    assert kept > 0.9
    assert gone < 0.5 * kept
    assert codes(rank_causes(weak_lows | {"test.reseat_low_gain_db": 0.0}))[0] == "F14"


def test_a_books_own_answers_move_the_shares_mildly() -> None:
    alike = {"transmit.dead": 0.0, "transmit.level": -4.0, "transmit.thd": -3.0}
    before, once, often = (
        chance_of("F41", alike, answers=answers) for answers in (None, {"F41": 1}, {"F41": 30})
    )
    assert before < once < before + 0.1
    assert often > 1.5 * before
    assert chance_of("F41", alike, answers={"other": 30}) < before


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


def test_no_hints_for_what_is_within_and_other_at_the_end_of_what_is_not() -> None:
    runs, baselines, comparison = sweep(Fault(level_db=8.0))
    found = rank_hints(comparison, runs, baselines)
    assert found[0].code == "F01"
    assert found[-1].code == "other"
    assert sum(hint.probability or 0.0 for hint in found) == pytest.approx(1.0)
    jig = {row.code for row in load_fault_table().rows if row.is_jig}
    assert jig & {hint.code for hint in found}
    calm = tuple(dataclasses.replace(f, verdict="within") for f in comparison.findings)
    within = dataclasses.replace(comparison, findings=calm, overall="within")
    assert rank_hints(within, runs, baselines) == ()


def test_what_is_only_doubtful_may_be_nothing_at_all() -> None:
    runs, baselines, comparison = sweep(Fault(level_db=8.0))
    doubtful = tuple(dataclasses.replace(f, verdict="doubtful") for f in comparison.findings)
    faint = dataclasses.replace(comparison, findings=doubtful, overall="doubtful")
    sure = rank_hints(comparison, runs, baselines)
    unsure = rank_hints(faint, runs, baselines)
    assert (unsure[-1].probability or 0.0) > (sure[-1].probability or 0.0)


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
    assert "transmit.slope" in evidence


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


@pytest.mark.slow
def test_three_simulated_faults_are_all_named(shop: Shop, references: Any) -> None:
    case = Case("carbon+packed+frying+weak-magnet", 101, "carbon")
    _, hints = judge(shop, case, references, with_tests=False)
    # With one seat a dial's contacts may come before the carbon as what crackles.
    assert hints[0].code in {"F03", "F21"}
    assert "receive.faint" in hints[0].unexplained
    assert {hint.code for hint in hints if hint.beside} == {"F01", "F13"}


@pytest.fixture(scope="module")
def shop() -> Shop:
    return Shop(None, n_seats=1)


@pytest.fixture(scope="module")
def references(shop: Shop) -> Any:
    # With fewer, the limits are so wide that nothing is outside and nothing is named.
    return shop.build_baselines("carbon", n=6)
