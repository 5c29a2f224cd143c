# mypy: disable-error-code="arg-type,operator"
"""Two elements on one set, on the simulated bench, and the words for what was found."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from set_population import Population, draw_set, measure_set

from voicecheck.bench.simulated import SimulatedBench
from voicecheck.errors import InputError
from voicecheck.measure import measure_recording
from voicecheck.programme import make_programme
from voicecheck.records import Against, Comparison, Finding, Recipe, Run
from voicecheck.report import tell_comparison
from voicecheck.verdicts import (
    compare_elements,
    compare_runs,
    identify_element,
    pool_run,
)
from voicecheck.verdicts.elements import FEED, _judge_ranges, measure_range
from voicecheck.words import load_words

PROGRAMME = make_programme(Recipe(sweep_s=0.7, n_sweeps=2))
POPULATION = Population()


def sweep(handset: str, *, n_seats: int = 3, path: str = "transmit", **setting: float) -> Run:
    bench = SimulatedBench(handset, seed=21, **setting)
    taken = [
        measure_recording(PROGRAMME, bench.play_and_record(PROGRAMME, path=path, seat=seat))
        for seat in range(1, n_seats + 1)
    ]
    return pool_run(taken, job=1, path=path, stage=handset)


@pytest.fixture(scope="module")
def swept() -> dict[str, list[Run]]:
    """Each kind at 40 mA, at 22 mA and tilted."""
    return {
        kind: [
            sweep(kind),
            sweep(kind, feed_ma=22.0, n_seats=2),
            sweep(kind, angle_deg=60.0, n_seats=2),
        ]
        for kind in ("carbon", "electret")
    }


def compare(swept: dict[str, list[Run]]) -> Comparison:
    fitted, former = swept["electret"], swept["carbon"]
    return compare_elements(
        {"transmit": fitted[0]},
        {"transmit": former[0]},
        job=1,
        fitted_name="the electret",
        former_name="the carbon element",
        fitted_series=fitted[1:],
        former_series=former[1:],
    )


def tell(comparison: Comparison) -> list[str]:
    """What the report says of a comparison, by its sentences."""
    return [f"{one.about}: {one.text}" for one in tell_comparison(comparison, load_words())]


def find(comparison: Comparison, quantity: str) -> Finding:
    return next(f for f in comparison.findings if f.quantity == quantity)


@pytest.mark.slow
def test_electret_distorts_less_and_cares_less_for_the_current(swept: dict[str, list[Run]]) -> None:
    """Trade table: an electret's THD is 0.3 to 3 % (MEM); carbon follows its current (PROP)."""
    comparison = compare(swept)
    thd = find(comparison, "thd_500_percent")
    assert thd.verdict == "outside"
    assert thd.value < 0.0
    feed = find(comparison, "feed_range_db")
    assert feed.verdict == "outside"
    assert feed.value < -1.0
    assert "22 to 40 mA" in feed.reason
    position = find(comparison, "position_range_db")
    assert "0 to 60 degrees" in position.reason
    assert position.reference != pytest.approx(feed.reference, abs=0.3)


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "expected"), [("carbon", "carbon"), ("electret", "electronic")])
def test_kind_of_element_is_told(swept: dict[str, list[Run]], kind: str, expected: str) -> None:
    identity = identify_element(swept[kind][0], swept[kind][1:])
    assert identity.kind == expected
    assert identity.confidence in ("medium", "high")
    assert any("feed current" in reason for reason in identity.reasons)


@pytest.mark.slow
def test_summary_says_only_what_was_found(swept: dict[str, list[Run]]) -> None:
    lines = tell(compare(swept))
    text = " ".join(lines)
    assert "the carbon element" in text
    assert "with the feed current" in text
    assert "better or worse is not judged" in text
    assert "crackle" not in text  # neither element crackles, so nothing is said of it


def make_run(seed: int, **changes: float) -> Run:
    random = np.random.default_rng(seed)
    drawn = draw_set(POPULATION, np.random.default_rng(1))
    drawn = dataclasses.replace(drawn, curve_db=drawn.curve_db + changes.get("gain_db", 0.0))
    seats = measure_set(POPULATION, drawn, random)
    bursts = changes.get("bursts_per_s", 0.0)
    seats = [
        seat.replace(
            noise=dataclasses.replace(seat.noise, bursts_per_s=bursts + 0.1 * index * (bursts > 0))
        )
        for index, seat in enumerate(seats)
    ]
    return pool_run(seats, job=1, path="transmit", stage="x")


def change(after: Run, before: Run) -> Comparison:
    against = Against(kind="before", name="before")
    return compare_runs(
        {"transmit": after}, {"transmit": before}, job=1, stage="after", against=against
    )


def test_louder_and_crackle_gone_is_said_in_words() -> None:
    lines = tell(change(make_run(2, gain_db=6.0), make_run(3, bursts_per_s=5.0)))
    text = " ".join(lines)
    assert "How it talks: " in text
    assert "dB louder than before, a real change" in text
    assert "the crackle" in text
    assert "is gone in the pauses" in text


def test_no_change_is_said_as_no_change() -> None:
    before = make_run(3)
    lines = tell(change(before, before))
    assert lines == [
        "How it talks: no difference to before larger than the spread between seats; "
        "the smallest change of level that could be found here is 0.9 dB."
    ]


def test_refused_comparison_says_why() -> None:
    after, before = make_run(2), make_run(3)
    conditions = after.pooled.conditions.replace(feed_ma=20.0)
    after = dataclasses.replace(after, pooled=after.pooled.replace(conditions=conditions))
    text = " ".join(tell(change(after, before)))
    assert "not compared: response, level, distortion" in text
    assert "feed current (mA) is 20 here and 40 there" in text
    assert "louder" not in text
    assert "quieter" not in text


@pytest.mark.parametrize("overall", ["within", "outside", "doubtful", "not comparable"])
def test_summary_never_says_more_than_the_verdicts(overall: str) -> None:
    finding = Finding(
        path="transmit", quantity="mid_db", value=-8.0, unit="dB V/Pa", uncertainty=0.1, low=-4.0,
        high=4.0, verdict=overall, reference=0.0, reason="a reason",
    )  # fmt: skip
    comparison = Comparison(
        job=1, stage="before", against=Against(kind="baseline", name="Hillview 2", n=8),
        findings=(finding,), overall=overall,
    )  # fmt: skip
    text = " ".join(tell(comparison))
    # 8.0 dB below the mean is 4.0 dB below the lower limit.
    assert ("too quiet, 4.0 dB below the limit" in text) == (overall in ("outside", "doubtful"))
    assert ("not certain" in text) == (overall == "doubtful")
    assert ("as it should be" in text) == (overall == "within")
    assert ("cannot be compared with its type, because a reason" in text) == (
        overall == "not comparable"
    )


def test_ranges_over_different_currents_are_not_compared() -> None:
    runs = [make_run(seed) for seed in (2, 3, 4)]
    at = [
        dataclasses.replace(
            run, pooled=run.pooled.replace(conditions=run.pooled.conditions.replace(feed_ma=feed))
        )
        for run, feed in zip(runs, (40.0, 20.0, 30.0), strict=True)
    ]
    comparison = compare_elements(
        {"transmit": at[0]}, {"transmit": at[0]}, job=1, fitted_name="new", former_name="old",
        fitted_series=[at[1]], former_series=[at[2]],
    )  # fmt: skip
    feed = find(comparison, "feed_range_db")
    assert feed.verdict == "not comparable"
    assert "over the same" in feed.reason


def draw_series(template: Run, levels_db: list[float], random: np.random.Generator) -> list[Run]:
    """Runs at 40, 30 and 20 mA with that level of the middle band, seats that scatter by 0.3 dB."""
    series = []
    for feed_ma, level_db in zip((40.0, 30.0, 20.0), levels_db, strict=True):
        seats_db = level_db + random.normal(0.0, 0.3, len(template.recordings))

        def put(one: Any, at_db: float, feed_ma: float = feed_ma) -> Any:
            conditions = one.conditions.replace(feed_ma=feed_ma)
            bands = dataclasses.replace(one.bands, mid_db=float(at_db))
            return one.replace(bands=bands, conditions=conditions)

        recordings = tuple(map(put, template.recordings, seats_db))
        pooled = put(template.pooled, float(np.mean(seats_db)))
        series.append(dataclasses.replace(template, recordings=recordings, pooled=pooled))
    return series


@pytest.mark.parametrize(("less_db", "most", "least"), [(0.0, 0.02, 0.0), (2.5, 1.0, 0.9)])
def test_range_of_an_element_is_judged_by_the_common_rule(
    less_db: float, most: float, least: float
) -> None:
    """Of the same element twice a range is seldom different, 2.5 dB of range are found."""
    random, template, real = np.random.default_rng(4), make_run(5), 0
    n_draws = 150
    for _ in range(n_draws):
        former = draw_series(template, [-20.0, -22.0, -25.0], random)
        fitted = draw_series(template, [-20.0, -22.0, -25.0 + less_db], random)
        one, other = (measure_range(side[0], side[1:], FEED) for side in (fitted, former))
        real += _judge_ranges(FEED, one, other, "former").verdict == "outside"
    assert least <= real / n_draws <= most


def test_range_of_single_seats_stays_open() -> None:
    """No seat tells of the spread: doubtful, without limits."""
    template = make_run(5)
    one = dataclasses.replace(template, recordings=template.recordings[:1])
    series = draw_series(one, [-20.0, -22.0, -25.0], np.random.default_rng(1))
    found = measure_range(series[0], series[1:], FEED)
    judged = _judge_ranges(FEED, found, found, "former")
    assert (judged.verdict, judged.low, judged.uncertainty) == ("doubtful", None, None)


def test_only_transmit_runs_identify_an_element() -> None:
    run = dataclasses.replace(make_run(2), path="receive")
    with pytest.raises(InputError, match="transmit path"):
        identify_element(run)
