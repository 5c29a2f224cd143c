"""The test plant itself is held against stepped sines before anything is held against it."""

from typing import Any

import numpy as np
import pytest
from known_plant import KnownPlant, carbon_like, resonant_receiver


@pytest.mark.parametrize("response", [carbon_like, resonant_receiver])
@pytest.mark.parametrize("frequency_hz", [217.3, 1000.0, 3456.7])
def test_plant_is_exact_to_1e_4_db(response: Any, frequency_hz: float) -> None:
    """Least squares on a steady sine finds the closed form to 1e-4 dB and 1e-5 of a harmonic."""
    plant = KnownPlant(
        response=response, square=0.8, cube=0.3, latency_s=0.01234567, drift_ppm=37.0
    )
    rate_hz, amplitude = 48000, 0.25
    time_s = np.arange(rate_hz) / rate_hz
    recorded = plant(amplitude * np.sin(2 * np.pi * frequency_hz * time_s), rate_hz)
    steady = np.arange(12000, 40000)
    angle = 2 * np.pi * frequency_hz * steady / rate_hz / (1 + 37e-6)
    columns = [f(k * angle) for k in (1, 2, 3) for f in (np.cos, np.sin)]
    columns.append(np.ones(len(steady)))
    found = np.linalg.lstsq(np.array(columns).T, recorded[steady], rcond=None)[0]
    lines = np.hypot(found[0:6:2], found[1:6:2])
    level_db = 20 * np.log10(lines[0] / amplitude)
    assert level_db == pytest.approx(plant.true_response_db(frequency_hz, amplitude), abs=1e-4)
    for order in (2, 3):
        expected = plant.true_harmonic_ratio(order, frequency_hz, amplitude)
        assert lines[order - 1] / lines[0] == pytest.approx(expected, rel=1e-5)
