"""What reciprocity makes of a simulated jig, straight from its solved circuit: no noise."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from voicecheck.bench.calibration.reciprocity import (
    Cavity,
    Sensitivity,
    Surroundings,
    compute_sensitivity,
)
from voicecheck.bench.calibration.tonesets import Ratio, list_tones_hz
from voicecheck.bench.simulated.cavity import Jig, compute_take
from voicecheck.bench.simulated.cavitybench import SimulatedJig
from voicecheck.records.arrays import Array

TAP_DB = 0.14
TONES_HZ = list_tones_hz()


def make_ratio(jig: Jig, *, is_large: bool, is_first_driven: bool) -> Ratio:
    """What a take without noise comes to."""
    tap, ear = compute_take(jig, TONES_HZ, is_large=is_large, is_first_driven=is_first_driven)
    none = np.zeros(len(TONES_HZ))
    return Ratio(
        frequency_hz=TONES_HZ, value=ear / tap, spread=none, coherence=1.0 + none, dof=16.0
    )


def measure(seed: int, **changes: Any) -> tuple[Sensitivity, Array]:
    """Result of a jig and its error, dB; `changes` are parts of the jig, or what is typed."""
    own = SimulatedJig(seed)
    typed = own.read_sizes()
    tap_v = own.read_tap(TAP_DB)
    receiver_ohm = changes.pop("receiver_ohm", None)
    typed |= {name: changes.pop(name) for name in tuple(changes) if name in typed}
    jig = dataclasses.replace(own.jig, **changes)
    small, large = (
        Cavity(
            volume_cm3=typed[f"{'large' if is_large else 'small'}_cm3"],
            heard=make_ratio(jig, is_large=is_large, is_first_driven=False),
            driven=make_ratio(jig, is_large=is_large, is_first_driven=True),
        )
        for is_large in (False, True)
    )
    given = Surroundings(
        resistor_ohm=typed["resistor_ohm"],
        volume_error_cm3=typed["volume_error_cm3"],
        tap_v=tap_v,
        tap_db=TAP_DB,
        pressure_hpa=typed["pressure_hpa"],
        bore_mm=typed["bore_mm"],
        receiver_ohm=receiver_ohm,
    )
    found = compute_sensitivity(small, large, given)
    return found, found.level_db + 20.0 * np.log10(own.find_truth_pa(TONES_HZ))
