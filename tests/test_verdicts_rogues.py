# mypy: disable-error-code="arg-type,operator,union-attr"
"""Reference sets that do not belong with the others: named, why, and how seldom a healthy one."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from scipy.stats import t as student
from seat_figures import CURVE, NOISE, make_faint, make_reference_runs, make_run, make_seats

from voicecheck.records import Baseline, Noise, Run, from_json, to_json
from voicecheck.verdicts import build_baseline, compare_to_baseline
from voicecheck.verdicts.covariance import Kin, pool_covariance, read_sets
from voicecheck.verdicts.rogues import ALONE, find_doubted, hold_against_others
from voicecheck.verdicts.traits import TRAITS
from voicecheck.verdicts.twomakes import GROUPED_RATE, SEARCHED, explain_by_cut, find_threshold


def build(runs: list[Run], **options: Any) -> Baseline:
    return build_baseline(runs, type_name="Hillview 2", path="transmit", **options)


def make_kin(count: int, *, name: str = "A") -> list[Baseline]:
    built = [
        build(make_reference_runs(make_seats(6, seed=60 + k, name=name))) for k in range(count)
    ]
    return [dataclasses.replace(one, type_name=f"Kin {k}") for k, one in enumerate(built)]


def test_a_set_8_db_fainter_is_named_with_its_job_and_why() -> None:
    seats = make_seats(8)
    seats[3] = make_faint(seats[3], 8.0)
    baseline = build(make_reference_runs(seats))
    (doubt,) = baseline.doubted
    assert (doubt.job, doubt.path) == (4, "transmit")
    assert doubt.probability < 0.02
    levels = seats[..., CURVE].mean(axis=(1, 2))
    away_db = levels[3] - np.delete(levels, 3).mean()
    assert f"{-away_db:.1f} dB fainter than the other seven" in doubt.why
    assert baseline.n == 8
    assert any("job 4" in text for text in baseline.warnings)
    run = make_run(make_seats(1, seed=31)[0], "after")
    compared = compare_to_baseline({"transmit": run}, {"transmit": baseline}, job=9, stage="after")
    assert all("holds a doubted set" in one.reason for one in compared.findings if one.value)


def test_a_noisy_set_is_named_for_its_noise() -> None:
    seats = make_seats(8)
    seats[5][:, NOISE] += 25.0
    (doubt,) = build(make_reference_runs(seats)).doubted
    assert doubt.job == 6
    assert "noisier in the pauses than the other seven" in doubt.why


def test_a_set_with_another_curve_is_named_for_its_shape_and_where() -> None:
    seats = make_seats(8, name="C")
    points = np.arange(seats[..., CURVE].shape[-1])
    seats[2][:, CURVE] += 9.0 * np.exp(-0.5 * ((points - 36) / 5.0) ** 2)
    (doubt,) = build(make_reference_runs(seats), kindred=make_kin(5, name="C")).doubted
    assert doubt.job == 3
    assert "in shape" in doubt.why
    assert "above that of the other seven" in doubt.why


def test_alone_the_level_is_held_by_the_textbook_t_over_sets_and_ways() -> None:
    """Closed form: leave-one-out prediction interval, Bonferroni over sets and ways."""
    runs = make_reference_runs(make_seats(6))
    sets, _ = read_sets(runs)
    (level,) = [one for one in hold_against_others(sets, 2, Kin(), TRAITS) if one.way == "level"]
    others = np.delete(sets[:, 0], 2)
    away = (sets[2, 0] - others.mean()) / (others.std(ddof=1) * np.sqrt(1 + 1 / 5))
    chance = 2.0 * student.sf(abs(away), 4)
    assert level.probability == pytest.approx(min(1.0, chance * 6 / ALONE["level"]))
    assert level.away_db == pytest.approx(sets[2, 0] - others.mean())


def test_left_out_it_is_gone_and_the_baseline_says_so() -> None:
    seats = make_seats(8)
    seats[3] = make_faint(seats[3], 8.0)
    baseline = build(make_reference_runs(seats), without=[4, 99])
    assert (baseline.n, baseline.without, baseline.doubted) == (7, (4,), ())
    assert from_json(to_json(baseline), Baseline).same_as(baseline)


def test_kin_with_a_doubted_set_lend_nothing() -> None:
    kin = make_kin(3)
    spoiled = make_seats(8)
    spoiled[3] = make_faint(spoiled[3], 8.0)
    assert build(make_reference_runs(spoiled)).doubted
    doubted = [
        dataclasses.replace(one, doubted=build(make_reference_runs(spoiled)).doubted) for one in kin
    ]
    runs = make_reference_runs(make_seats(4, seed=9))
    assert "kindred" in build(runs, kindred=kin).method
    assert "kindred" not in build(runs, kindred=doubted).method


def test_two_sets_are_too_few_to_doubt_one() -> None:
    seats = make_seats(2)
    seats[1] = make_faint(seats[1], 30.0)
    assert find_doubted(make_reference_runs(seats)) == ()


def test_covariance_of_kin_is_found_and_drawn_towards_no_ties() -> None:
    """With many kin the pooled covariance is theirs; with none it is half-way to its diagonal."""
    rng = np.random.default_rng(3)
    root = np.eye(len(TRAITS))
    root[-1, 0] = 0.8
    kin = Kin(deviations=tuple(rng.standard_normal((50, len(TRAITS))) @ root.T for _ in range(40)))
    truth = root @ root.T
    pooled = pool_covariance(rng.standard_normal((5, len(TRAITS))) @ root.T, kin)
    assert pooled[0, -1] == pytest.approx(truth[0, -1], abs=0.06)
    few = rng.standard_normal((6, len(TRAITS))) @ root.T
    alone = pool_covariance(few, Kin())
    found = np.cov(few.T)
    assert alone[0, -1] == pytest.approx(found[0, -1] * 5.0 / 20.0)
    assert np.all(np.linalg.eigvalsh(alone) > 0.0)


def test_a_level_loss_is_seen_against_its_own_noise_and_distortion() -> None:
    """
    A loss of level alone moves the own level by as much, a change of noise by little.

    In population A half of the variance of noise and distortion is the level's, so with kin the
    own level spreads by less than the level.
    """
    baseline = build(make_reference_runs(make_seats(8)), kindred=make_kin(8))
    known = baseline.covariation
    assert known.weights[0] == pytest.approx(1.0)
    assert known.sd_db < 0.85 * np.std(known.deviations[:, 0], ddof=1)
    healthy = make_seats(1, seed=31)[0]
    values = {}
    noisy = healthy.copy()
    noisy[:, NOISE] += 20.0
    faint = make_faint(healthy, 3.0)
    for name, seats in (("as it is", healthy), ("faint", faint), ("noisy", noisy)):
        comparison = compare_to_baseline(
            {"transmit": make_run(seats, "after")}, {"transmit": baseline}, job=1, stage="after"
        )
        (found,) = [one for one in comparison.findings if one.quantity == "own_level_db"]
        values[name] = found.value
    assert values["as it is"] - values["faint"] == pytest.approx(3.0)
    assert abs(values["noisy"] - values["as it is"]) < 2.5


def test_without_a_noise_the_other_traits_still_count_and_are_kept() -> None:
    runs = make_reference_runs(make_seats(6))
    runs = [dataclasses.replace(one, pooled=one.pooled.replace(noise=Noise())) for one in runs]
    baseline = build(runs)
    assert baseline.covariation.weights[TRAITS.index("noise")] == 0.0
    assert np.all(np.isnan(baseline.covariation.deviations[:, TRAITS.index("noise")]))
    assert from_json(to_json(baseline), Baseline).same_as(baseline)


def test_two_makes_under_one_name_are_called_out_with_their_numbers() -> None:
    """Groups of 5 and 4 that lie 8 dB apart; one group alone gives no such warning."""
    seats = make_seats(9)
    assert not any("two groups" in text for text in build(make_reference_runs(seats)).warnings)
    seats[5:] = make_faint(seats[5:], 8.0)
    (told,) = [text for text in build(make_reference_runs(seats)).warnings if "groups" in text]
    levels = np.sort(seats[..., CURVE].mean(axis=(1, 2)))
    assert "two groups of 4 and 5" in told
    assert f"{levels[4:].mean() - levels[:4].mean():.1f} dB apart in level" in told


@pytest.mark.parametrize("n", [6, 8, 20])
def test_normal_sets_seem_to_be_two_makes_as_seldom_as_stated(n: int) -> None:
    """Other draws than those the threshold was made of; two standard deviations of 20 000."""
    share, _ = explain_by_cut(np.random.default_rng(n).standard_normal((20_000, n)))
    rate = GROUPED_RATE / len(SEARCHED)
    assert np.mean(share > find_threshold(n)) == pytest.approx(rate, abs=0.002)
