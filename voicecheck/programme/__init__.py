"""Recipe -> programme, and which programme a recording answers."""

from voicecheck.programme.identity import (
    Identity,
    decode_identity,
    find_recipe,
    guess_recipe,
    has_identity,
    identify,
    read_burst,
)
from voicecheck.programme.making import (
    check_recipe,
    compute_sweep_constant_s,
    compute_sweep_duration_s,
    lay_out,
    make_four_tone,
    make_mark,
    make_programme,
    make_steps,
    make_sweep,
)
from voicecheck.programme.recipes import DEFAULT_RECIPE, RATES_HZ, RECIPES

__all__ = [
    "DEFAULT_RECIPE",
    "RATES_HZ",
    "RECIPES",
    "Identity",
    "check_recipe",
    "compute_sweep_constant_s",
    "compute_sweep_duration_s",
    "decode_identity",
    "find_recipe",
    "guess_recipe",
    "has_identity",
    "identify",
    "lay_out",
    "make_four_tone",
    "make_mark",
    "make_programme",
    "make_steps",
    "make_sweep",
    "read_burst",
]
