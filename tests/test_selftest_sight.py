"""What a bench can tell: held against takes of a wire with known noise, curvature and unrest."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import pytest
from helpers import default_programme

from voicecheck.errors import RecordingError
from voicecheck.measure import measure_recording
from voicecheck.records import Measurement, Recording
from voicecheck.records.benchsight import BenchSight
from voicecheck.verdicts.benchsight import estimate_bench_sight, lift_db
from voicecheck.workflow.selftest.sightwords import say_sight

NOISE_DBFS = -80.0


def take_wire(
    gains_db: Sequence[float], *, square: float = 0.0, noise_dbfs: float = NOISE_DBFS
) -> list[Measurement]:
    """Takes of a wire with a square law and white noise; the delay grows by a sample a take."""
    programme = default_programme()
    rng = np.random.default_rng(5)
    takes = []
    for number, gain_db in enumerate(gains_db):
        sound = programme.samples + square * programme.samples**2
        sound = np.concatenate([np.zeros(960 + number), 10 ** (gain_db / 20) * sound])
        noise = 10 ** (noise_dbfs / 20) / np.sqrt(2) * rng.standard_normal(len(sound))
        take = Recording(samples=sound + noise, rate_hz=programme.rate_hz)
        takes.append(measure_recording(programme, take))
    return takes


@pytest.fixture(scope="module")
def steady() -> list[Measurement]:
    return take_wire([-6.0] * 9, square=0.02)


@pytest.fixture(scope="module")
def sight(steady: list[Measurement]) -> BenchSight:
    return estimate_bench_sight(steady)


def test_gain_noise_and_delay_are_those_of_the_wire(sight: BenchSight) -> None:
    assert sight.n_takes == 9
    assert sight.gain_db == pytest.approx(-6.0, abs=0.005)
    assert sight.latency_ms == pytest.approx(20.0 + 4.0 / 48.0, abs=0.01)
    assert sight.latency_range_ms == pytest.approx(8.0 / 48.0, abs=0.01)
    assert sight.drift_ppm == pytest.approx(0.0, abs=0.2)
    # White noise to 24 kHz, of which the psophometric weighting of ITU-T O.41 passes that of about
    # 1.7 kHz; the integral of the squared weights over the band.
    assert sight.noise_dbfs == pytest.approx(NOISE_DBFS + weigh_white_db(), abs=0.3)


def weigh_white_db() -> float:
    from voicecheck.weighting import weigh_psophometric_db

    hz = np.arange(20.0, 24000.0)
    return float(10 * np.log10(np.mean(10 ** (0.1 * weigh_psophometric_db(hz)))))


def test_distortion_of_the_bench_is_that_of_its_square_law(sight: BenchSight) -> None:
    """A sine of amplitude A through x + a x^2 has a second harmonic of a A / 2."""
    sweep = default_programme().blocks_of("sweep")[0]
    assert sight.thd_percent == pytest.approx(100 * 0.02 * sweep.peak / 2, rel=0.03)


def test_noise_hides_less_distortion_than_it_lets_through(steady: list[Measurement]) -> None:
    clean = estimate_bench_sight(take_wire([-6.0], noise_dbfs=-60.0))
    cleaner = estimate_bench_sight(take_wire([-6.0], noise_dbfs=-90.0))
    assert clean.thd_percent is not None
    assert cleaner.thd_percent is not None
    assert cleaner.thd_percent < 0.1 * clean.thd_percent


def test_a_change_as_large_as_is_told_is_found_and_half_of_it_is_not(sight: BenchSight) -> None:
    assert sight.level_change_db is not None
    assert (sight.n_comparisons, sight.n_false) == (2, 0)
    assert sight.level_found_db is not None
    assert 1.2 < sight.level_found_db / sight.level_change_db < 2.0
    for share, n_found in ((0.4, 0), (2.5, 1)):
        moved = take_wire([-6.0] * 3 + [-6.0 + share * sight.level_change_db] * 3)
        assert estimate_bench_sight(moved).n_false == n_found


def test_unrest_makes_a_bench_tell_less(sight: BenchSight) -> None:
    rng = np.random.default_rng(9)
    restless = estimate_bench_sight(take_wire(list(-6.0 + 0.2 * rng.standard_normal(9))))
    assert restless.gain_sd_db == pytest.approx(0.2, rel=0.6)
    assert restless.level_change_db is not None
    assert sight.level_change_db is not None
    assert restless.level_change_db > 3 * sight.level_change_db


def test_days_come_on_top(sight: BenchSight) -> None:
    assert sight.are_days_stated
    assert sight.level_change_days_db is not None
    assert sight.level_change_db is not None
    assert sight.level_change_days_db > sight.level_change_db


def test_noise_of_a_set_stands_out_of_the_benchs(sight: BenchSight) -> None:
    assert lift_db(10 * np.log10(2)) == pytest.approx(0.0)
    assert lift_db(10 * np.log10(1.1)) == pytest.approx(-10.0)
    assert sight.set_noise_dbfs is not None
    assert sight.noise_dbfs is not None
    assert sight.set_noise_dbfs < sight.noise_dbfs + 3.0


def test_few_takes_tell_no_change(steady: list[Measurement]) -> None:
    few = estimate_bench_sight(steady[:5])
    assert few.level_change_db is None
    assert few.gain_sd_db is not None
    assert "not known" in say_sight(few)[0]


def test_no_usable_take_is_told(steady: list[Measurement]) -> None:
    empty = dataclasses.replace(steady[0], response=None)
    with pytest.raises(RecordingError, match="no take"):
        estimate_bench_sight([empty])


def test_every_figure_is_said_in_words(sight: BenchSight) -> None:
    lines = say_sight(sight)
    heads = [line.partition(":")[0] for line in lines]
    assert heads == ["Level", "From one day to another", "Distortion", "Noise", "Delay", "Clocks"]
    assert "cannot be told" in lines[0]
