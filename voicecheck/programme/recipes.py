"""The programmes on offer."""

from __future__ import annotations

from typing import get_args

from voicecheck.records import Recipe
from voicecheck.records.terms import RateHz

RATES_HZ: tuple[int, ...] = get_args(RateHz)
RECIPES = {
    "default": Recipe(lead_in_s=0.3, silence_middle_s=1.0, silence_end_s=1.0, identity_s=0.3),
    "quick": Recipe(
        lead_in_s=0.2,
        silence_s=0.6,
        silence_middle_s=0.3,
        silence_end_s=0.3,
        identity_s=0.3,
        n_sweeps=1,
        sweep_s=3.0,
        sweep_gap_s=0.3,
        step_s=0.12,
        step_levels_db=(-24.0, -12.0, 0.0, 6.0),
        tones_s=0.4,
        tail_s=0.3,
    ),
    "careful": Recipe(
        silence_s=3.0,
        silence_middle_s=1.5,
        silence_end_s=1.5,
        identity_s=0.3,
        n_sweeps=8,
        sweep_s=3.0,
        step_frequencies_hz=(315.0, 500.0, 1000.0),
        tones_s=2.0,
    ),
}
"""
Programmes to choose from: about 7, 18 and 42 s.

Silences at start, middle and end tell idle noise from a sound that came and went.
"""
DEFAULT_RECIPE = RECIPES["default"]
"""What is played and looked for when nothing else is asked for."""
