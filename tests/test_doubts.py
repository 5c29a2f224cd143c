"""What may have been taken of the curve where a gain follows the sound or something cuts it off."""

from __future__ import annotations

import math

import numpy as np
import pytest

from voicecheck.modelcheck.doubts import Doubt, doubt_control, doubt_other
from voicecheck.modelcheck.order import measure_set_aside_db
from voicecheck.records import Linearity, Problem
from voicecheck.records.arrays import Array
from voicecheck.response import SweepSpectra

INPUT_DB = np.array([-12.0, -6.0, 0.0, 6.0])
FINE_HZ = np.geomspace(200.0, 4000.0, 105)
NO_NOISE_DB = np.zeros(len(FINE_HZ))
CONTROL, OVERLOAD = Problem(kind="level-control"), Problem(kind="overload")


def make_steps(lost_db: Array) -> Linearity:
    """Steps of a set of -10 dB at a drive of -18 dBFS, with some of the gain taken."""
    nothing = np.full(len(INPUT_DB), np.nan)
    return Linearity(
        frequency_hz=1000.0,
        input_db=INPUT_DB,
        output_db=INPUT_DB - lost_db - 28.0,
        thd_percent=nothing,
        thd_below_percent=nothing,
    )


def test_fast_control_takes_what_the_steps_lost_at_that_output() -> None:
    """Threshold at an output of -16 dB, 2:1: a set 4 dB louder than that loses as much again."""
    lost_db = np.array([0.0, 0.0, 3.0, 6.0])
    doubt = doubt_control(CONTROL, make_steps(lost_db), -18.0, -13.0)
    heard_db = np.array([-20.0, -14.5, -13.0, -11.5, -9.9])
    apart_hz = np.array([200.0, 401.0, 803.0, 1607.0, 3215.0])
    spread_db = doubt.spread_db(apart_hz, heard_db, np.zeros(5))
    assert spread_db[0] == pytest.approx(0.3)
    assert np.all(spread_db[1:4] > [1.5, 3.0, 4.5])
    assert np.all(spread_db[1:4] < [2.4, 3.9, 5.4])
    assert math.isinf(spread_db[4])


def test_of_a_limiter_no_loud_point_is_known() -> None:
    lost_db = np.array([0.0, 0.0, 2.0, 8.0])
    doubt = doubt_control(CONTROL, make_steps(lost_db), -18.0, -12.0)
    spread_db = doubt.spread_db(np.array([200.0, 900.0]), np.array([-19.0, -14.0]), np.zeros(2))
    assert spread_db[0] == pytest.approx(0.3)
    assert math.isinf(spread_db[1])


def test_growth_of_gain_before_it_is_lost_may_hide_as_much() -> None:
    """Carbon's threshold: 2 dB more gain from the first step to the second, and 2 dB hidden."""
    lost_db = np.array([2.0, 0.0, 1.0, 5.0])
    doubt = doubt_control(CONTROL, make_steps(lost_db), -18.0, -11.0)
    assert doubt.lost_db == pytest.approx([0.0, 2.0, 5.0, 9.0])
    cut_off = doubt_control(OVERLOAD, make_steps(lost_db), -18.0, -11.0)
    assert cut_off.lost_db == pytest.approx([0.0, 0.0, 3.0, 9.0])


def test_what_follows_a_loud_point_within_an_octave_is_not_given_back_yet() -> None:
    lost_db = np.array([0.0, 0.0, 3.0, 6.0])
    loud = np.abs(np.log2(FINE_HZ / 1500.0)) < 0.1
    level_db = np.where(loud, -12.0, -25.0)
    spread_db = doubt_control(CONTROL, make_steps(lost_db), -18.0, -13.0).spread_db(
        FINE_HZ, level_db, NO_NOISE_DB
    )
    assert np.all(spread_db[FINE_HZ < 1350.0] < 0.31)
    assert np.all(spread_db[(FINE_HZ > 1650.0) & (FINE_HZ < 2700.0)] > 3.0)
    assert np.all(spread_db[FINE_HZ > 3300.0] < 0.31)
    at_once = doubt_control(OVERLOAD, make_steps(lost_db), -18.0, -13.0)
    assert np.all(at_once.spread_db(FINE_HZ, level_db, NO_NOISE_DB)[FINE_HZ > 1700.0] < 1.2)


def test_slow_control_shows_in_the_sweep_and_what_comes_later_is_not_known() -> None:
    """The step has lost 0.2 dB and the sweep 1 dB more."""
    lost_db = np.array([0.0, 0.0, 0.2, 3.0])
    doubt = doubt_control(CONTROL, make_steps(lost_db), -18.0, -11.2)
    spread_db = doubt.spread_db(FINE_HZ, np.full(len(FINE_HZ), -15.0), NO_NOISE_DB)
    assert np.all(spread_db[FINE_HZ <= 1000.0] == pytest.approx(1.25 * 1.2 + 0.3))
    assert np.all(np.isinf(spread_db[FINE_HZ > 1000.0]))
    unknown = doubt_control(CONTROL, make_steps(lost_db), -18.0, math.nan)
    assert np.all(np.isinf(unknown.spread_db(FINE_HZ, NO_NOISE_DB, NO_NOISE_DB)))


def test_a_filter_behind_an_overload_bends_the_ends_of_the_band() -> None:
    """First-order corners at 60 Hz and 9 kHz: 0.37 dB at 200 Hz, 0.78 dB at 4 kHz."""
    doubt = Doubt(is_filtered=True)
    spread_db = doubt.spread_db(np.array([200.0, 1000.0, 4000.0]), np.zeros(3), np.zeros(3))
    assert np.all(spread_db > [0.374, 0.06, 0.782])
    assert np.all(spread_db < [0.6, 0.15, 0.95])


def test_a_coder_widens_by_what_the_sweeps_differ_by_and_a_gate_by_a_little() -> None:
    own_db = np.array([0.1, 0.2])
    coded = doubt_other(Problem(kind="lossy-coding"))
    gated = doubt_other(Problem(kind="muted", block="silence"))
    assert coded is not None
    assert gated is not None
    assert coded.spread_db(FINE_HZ[:2], np.zeros(2), own_db) == pytest.approx([0.4, 0.8])
    assert gated.spread_db(FINE_HZ[:2], np.zeros(2), own_db) == pytest.approx([0.02, 0.02])
    assert doubt_other(Problem(kind="muted", block="silence 2")) is None
    assert doubt_other(Problem(kind="howl")) is None


def test_a_sweep_that_is_set_aside_still_tells_its_level() -> None:
    """Sweep 2 is 0.2 dB weaker, 30 ms late and has lost some bands; 1 and 3 are alike."""
    rng = np.random.default_rng(8)
    n_fft, rate_hz = 1 << 14, 16000
    one = rng.standard_normal(n_fft // 2 + 1) + 1j * rng.standard_normal(n_fft // 2 + 1)
    at_hz = np.arange(len(one)) * rate_hz / n_fft
    late = 10 ** (-0.2 / 20) * one * np.exp(-2j * np.pi * 0.03 * at_hz)
    late[(at_hz > 900.0) & (at_hz < 1400.0)] = 0.0
    spectra = SweepSpectra(
        values=np.array([one, late, one]), n_fft=n_fft, rate_hz=rate_hz, constant_s=0.7,
        start_hz=100.0, amplitude=0.2,
    )  # fmt: skip
    assert measure_set_aside_db(spectra, [0, 2]) == pytest.approx(0.2, abs=1e-6)
    assert measure_set_aside_db(spectra, [0, 1, 2]) == 0.0
