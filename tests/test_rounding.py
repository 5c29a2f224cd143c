"""Recordings of few steps: said to be so, and what rounding makes is not the set's."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from helpers import AMPLITUDE, default_programme, kinds, record, response_error_db
from known_plant import KnownPlant, flat

from voicecheck.measure import measure_recording
from voicecheck.records import Measurement

QUIET = KnownPlant(response=flat, noise_dbfs=-120.0)


def measure_rounded(plant: KnownPlant, step: float) -> Measurement:
    recording = record(plant)
    rounded = np.round(recording.samples / step) * step
    return measure_recording(default_programme(), dataclasses.replace(recording, samples=rounded))


@pytest.mark.parametrize("n_steps", [6.0, 18.0, 50.0])
def test_few_steps_are_said_and_nothing_else(n_steps: float) -> None:
    """A linear plant: no clipping, no dropout, no noise figure, and no THD that is rounding."""
    found = measure_rounded(QUIET, AMPLITUDE / n_steps)
    assert "too-few-steps" in kinds(found)
    assert not {"clipping", "dropout"} & set(kinds(found))
    assert found.noise.psophometric_dbfs is None
    assert found.distortion is not None
    stated = np.isfinite(found.distortion.thd_percent)
    assert np.mean(stated) < 0.1
    assert found.residual is not None
    assert np.mean(np.isfinite(found.residual.percent)) < 0.1
    assert found.residual.voice_percent is None
    assert found.response is not None
    inside = np.abs(response_error_db(found, QUIET)) <= found.response.uncertainty_db
    assert np.mean(inside) >= 0.9
    assert "rounding" in [row.name for row in found.response.budget]


def test_sixteen_bits_with_headroom_have_steps_enough() -> None:
    """20 dB of headroom, noise of -80 dBFS: no word of steps, and the noise is stated."""
    plant = KnownPlant(noise_dbfs=-80.0, response=lambda f: 0.25 * np.ones(np.shape(f), complex))
    found = measure_rounded(plant, 2.0**-15)
    assert "too-few-steps" not in kinds(found)
    assert found.noise.psophometric_dbfs is not None
    assert found.response is not None
    assert "rounding" not in [row.name for row in found.response.budget]


def test_real_distortion_is_stated_over_few_steps() -> None:
    """H2 of 5 % at 50 steps: stated, and inside its interval."""
    plant = dataclasses.replace(QUIET, square=0.1 / AMPLITUDE)
    found = measure_rounded(plant, AMPLITUDE / 50.0)
    assert found.distortion is not None
    error = np.abs(found.distortion.thd_percent - 5.0)
    assert np.mean(np.isfinite(error)) > 0.9
    assert np.nanmean(error <= found.distortion.thd_uncertainty_percent) >= 0.9
    assert found.residual is not None
    assert found.residual.voice_percent == pytest.approx(5.0, abs=1.0)
    assert [row.name for row in found.residual.band_budget] == ["noise", "rounding"]
