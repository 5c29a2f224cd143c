# mypy: disable-error-code="operator,arg-type"
"""
The microphone without a calibrator, on the virtual card with two receivers on a block.

The card's receivers are equations of their own, solved in time; what is to be found is the card's
setting. A calibrator is then put on the same microphone, and both stand side by side.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from benchtest import NOW, TRUTH, error_db
from virtual_bench.fixture import VirtualCard

from voicecheck.records.benches import BenchSetup
from voicecheck.workflow.benches.sitting import Sitting

pytestmark = pytest.mark.bench

SMALL_CM3, LARGE_CM3 = 8.0, 20.0
PLUGGED = (
    {"cavity_cm3": SMALL_CM3, "cavity_drives": "B"},
    {"cavity_cm3": SMALL_CM3, "cavity_drives": "A"},
    {"cavity_cm3": LARGE_CM3, "cavity_drives": "A"},
    {"cavity_cm3": LARGE_CM3, "cavity_drives": "B"},
)
TYPED = {"small_cm3": SMALL_CM3, "large_cm3": LARGE_CM3, "resistor_ohm": 100.0, "bore_mm": 40.0}


def test_the_card_tells_its_microphone(virtual_bench: Callable[..., VirtualCard]) -> None:
    """Within the interval at 1 kHz, within 1 dB from 200 to 2000 Hz, in step with a calibrator."""
    plain = {**TRUTH, "mic_peak_hz": 0.0}
    card = virtual_bench(channels=2, scene="loop", noise_dbfs=-92.0, drift_ppm=40.0, **plain)
    setup = BenchSetup(name="attic", device=card.device)
    sitting = Sitting(setup, now_utc=NOW, temperature_c=20.0)
    volts = 10 ** (-12 / 20) * TRUTH["line_out_v"] / math.sqrt(2)
    sitting.finish("electrical-out", values=(volts, volts))
    sitting.finish("electrical-in", sitting.play("electrical-in", length_s=3.0), values=(volts,))
    takes = []
    for wires in PLUGGED:
        card.change(scene="cavity", **wires)
        takes.append(sitting.play_pair("reciprocity"))
    card.change(scene="calibrator")
    calibrated = sitting.finish("microphone", sitting.play("microphone", length_s=3.0))
    found = sitting.finish("reciprocity", takes=takes, typed={**TYPED, "pressure_hpa": 1013.25})
    assert error_db(found.value, TRUTH["mic_pa"]) <= found.uncertainty_db < 0.6
    assert found.frequency_hz is not None
    assert found.level_db is not None
    within = (found.frequency_hz >= 200.0) & (found.frequency_hz <= 2000.0)
    truth_db = 20.0 * np.log10(TRUTH["mic_pa"])
    assert np.count_nonzero(within) == 20
    assert np.max(np.abs(found.level_db[within] - truth_db)) < 1.0
    assert found.figures["calibrator_pa"] == calibrated.value
    assert abs(found.figures["from_calibrator_db"]) < 0.4
    assert found.problems == ()
    # What the caps and diaphragms take: 4 cm3 of air, and two springs of some cm3 at low tones.
    assert 5.0 < found.figures["beside_cm3"] < 8.0
