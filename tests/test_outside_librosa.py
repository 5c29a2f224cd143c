# mypy: disable-error-code="union-attr"
"""
Outside checks by librosa, a general library for sound: resampling, and onsets.

Source: librosa 0.11, `resample` (soxr_vhq) and `onset.onset_detect`.
"""

import os
from typing import Any

import numpy as np
import platformdirs
import pytest
from helpers import AMPLITUDE, default_programme, rms
from known_plant import KnownPlant
from services import need_module

from voicecheck.frying import FryingWatch
from voicecheck.measure import measure_recording
from voicecheck.records import Recording

PLANT = KnownPlant(square=0.4, noise_dbfs=-75.0, latency_s=0.06, drift_ppm=15.0)


@pytest.fixture(scope="module")
def librosa() -> Any:
    # Compiling takes 20 s: kept between runs, where it can be written.
    os.environ.setdefault("NUMBA_CACHE_DIR", platformdirs.user_cache_dir("voicecheck-tests"))
    return need_module("librosa")


@pytest.mark.filterwarnings("ignore")
def test_a_recording_resampled_elsewhere_has_the_same_response(librosa: Any) -> None:
    """Played and recorded at 96 kHz, brought to 48 kHz by librosa: the plant's answer, 0.01 dB."""
    programme = default_programme(96000)
    heard = PLANT(programme.samples, 96000)
    slow = librosa.resample(heard, orig_sr=96000, target_sr=48000, res_type="soxr_vhq")
    found = measure_recording(default_programme(), Recording(samples=slow, rate_hz=48000))
    truth = PLANT.true_response_db(found.response.frequency_hz, AMPLITUDE)
    assert rms(found.response.level_db - truth) < 0.003
    assert found.timing.drift_ppm == pytest.approx(15.0, abs=0.2)


@pytest.mark.filterwarnings("ignore")
def test_bursts_are_those_of_an_onset_detector(librosa: Any) -> None:
    """Twelve bursts in hiss: both find the same ones within 40 ms."""
    rng = np.random.default_rng(8)
    noise = 0.002 * rng.standard_normal(48000 * 15)
    places_s = 0.8 + 1.15 * np.arange(12)
    for place_s in places_s:
        noise[round(48000 * place_s) :][:192] *= 25
    watch = FryingWatch(48000)
    ours = [burst.at_s for burst in watch.update(noise) + watch.finish()]
    onsets = librosa.onset.onset_detect(
        y=noise.astype(np.float32), sr=48000, units="time", hop_length=128
    )
    assert np.allclose(ours, places_s, atol=0.006)
    assert all(np.min(np.abs(onsets - at_s)) < 0.04 for at_s in ours)
