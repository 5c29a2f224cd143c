"""A recording counts once, however it was stored in between; two true repeats are two."""

import dataclasses
import math
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from plants.catalogue import PLANTS
from plants.played import Played
from plants.spoiling import record_spoiled

from voicecheck.errors import InputError
from voicecheck.measure import measure_recording
from voicecheck.programme import RECIPES, make_programme
from voicecheck.records import Against, Measurement, Recording, Run
from voicecheck.records.arrays import Array
from voicecheck.verdicts import build_baseline, compare_runs, pool_run
from voicecheck.verdicts.sameness import compare_noise, is_same_recording
from voicecheck.workflow.analysis import describe_programme

SEEDS = range(5)


@lru_cache(maxsize=2)
def played_of(kind: str) -> Any:
    programme = make_programme(RECIPES[kind])
    return Played.from_document(programme.samples, describe_programme(programme, ""))


@lru_cache(maxsize=64)
def take(plant: str, seed: int, kind: str = "quick") -> Any:
    return PLANTS[plant].take(played_of(kind), np.random.default_rng([seed, 977]))


def measure(samples: Array, kind: str = "quick") -> Measurement:
    programme = make_programme(RECIPES[kind])
    return measure_recording(programme, Recording(samples=np.array(samples), rate_hz=48000))


@lru_cache(maxsize=64)
def seat(plant: str, seed: int) -> Measurement:
    return measure(take(plant, seed).samples)


@pytest.mark.parametrize("kind", [
    "same-copied", "same-trimmed", "same-gained", "same-resampled", "same-reencoded",
])  # fmt: skip
@pytest.mark.parametrize("plant", ["electret", "carbon"])
def test_a_recording_stored_anew_is_the_same(plant: str, kind: str) -> None:
    rng = np.random.default_rng(6)
    for severity in ("light", "medium", "heavy"):
        again, _ = record_spoiled(take(plant, 1, "default"), kind, severity, rng)
        first = measure(take(plant, 1, "default").samples, "default")
        assert is_same_recording(first, measure(again, "default")), severity


@pytest.mark.parametrize("plant", ["electret", "carbon", "receiver", "hum-coil"])
def test_true_repeats_are_never_the_same(plant: str) -> None:
    """Ten pairs of each plant, nothing moved between them; also with an echo over the silences."""
    measured = [seat(plant, seed) for seed in SEEDS]
    echoed = []
    for seed in SEEDS[:2]:
        samples = np.array(take(plant, seed).samples)
        samples[24000:] += 0.5 * take(plant, seed).samples[:-24000]
        echoed.append(measure(samples))
    pairs = [(a, b) for i, a in enumerate(measured) for b in measured[:i]]
    assert not any(is_same_recording(a, b) for a, b in [*pairs, (echoed[0], echoed[1])])
    agreement = [compare_noise(a.recording.fingerprint, b.recording.fingerprint) for a, b in pairs]
    assert float(np.std(agreement)) < 2.0 * math.sqrt(0.5 * math.pi / (4 * 640))


def test_one_fingerprint_of_another_curve_is_another_recording() -> None:
    """A made set has the same noise with another fault."""
    one = seat("carbon", 1)
    assert one.response is not None
    bent = dataclasses.replace(
        one.response, level_db=one.response.level_db + np.linspace(-2.0, 2.0, 52)
    )
    assert not is_same_recording(one, one.replace(response=bent))


def test_mute_silences_leave_no_fingerprint() -> None:
    samples = np.array(take("electret", 1).samples)
    for part in played_of("quick").of("silence"):
        samples[round(part.start_s * 48000) : round(part.end_s * 48000)] = 0.0
    assert measure(samples).recording.fingerprint is None


def run_of(job: int, *measured: Measurement, stage: str = "reference") -> Run:
    return pool_run(measured, job=job, path="transmit", stage=stage)


def test_a_run_counts_a_recording_once() -> None:
    """Two recordings, one of them three times: the spread is that of two, not of four."""
    one, two = seat("carbon", 1), seat("carbon", 2)
    louder = measure(0.7 * take("carbon", 1).samples)
    run = run_of(1, one, louder, two, one)
    told = [
        (index, problem.message)
        for index, seated in enumerate(run.recordings)
        for problem in seated.problems
        if problem.kind == "same-recording"
    ]
    assert told == [
        (1, "seat 2 is the same recording as seat 1"),
        (3, "seat 4 is the same recording as seat 1"),
    ]
    assert "same-recording" in {problem.kind for problem in run.pooled.problems}
    assert run.level_sd_db == run_of(1, one, two).level_sd_db


def test_a_baseline_counts_a_recording_once() -> None:
    """One recording filed under two jobs, as an import brings it, is one set."""
    first, again, second = (
        run_of(job, *(seat("carbon", seed) for seed in seeds))
        for job, seeds in ((1, (1, 2)), (2, (2, 1)), (3, (3, 4)))
    )
    with pytest.raises(InputError, match="different sets, got 1"):
        build_baseline([first, again], type_name="made", path="transmit")
    built = build_baseline([first, again, second], type_name="made", path="transmit")
    assert built.n == 2


def test_before_and_after_share_no_recording() -> None:
    before = run_of(1, seat("carbon", 1), seat("carbon", 2), stage="before")
    same = run_of(1, seat("carbon", 2), seat("carbon", 1), stage="after")
    against = Against(kind="before", name="before")
    with pytest.raises(InputError, match="the same as those of before"):
        compare_runs(
            {"transmit": same}, {"transmit": before}, job=1, stage="after", against=against
        )
    mixed = run_of(1, seat("carbon", 1), seat("carbon", 3), seat("carbon", 4), stage="after")
    clean = run_of(1, seat("carbon", 3), seat("carbon", 4), stage="after")
    both = [
        compare_runs({"transmit": one}, {"transmit": before}, job=1, stage="after", against=against)
        for one in (mixed, clean)
    ]
    assert both[0].findings[0].value == both[1].findings[0].value
