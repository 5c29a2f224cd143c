"""The table of spoiled recordings: its rule can fail, and a part of it is as it is written."""

import numpy as np
import pytest
from plants.spoiling import SPOILERS, record_spoiled
from spoiled_judge import NAMES, allow_outside, is_named, judge
from spoiled_sets import SETS, Bench, Spoiled

from voicecheck.records import Problem

NOT_IN_THE_TABLE = {kind for kind in SPOILERS if kind.startswith("same-")} | {
    "microphone-tilt", "mouth-distortion",
}  # fmt: skip
"""Two recordings are needed, or a calibration: one recording alone cannot tell."""


def test_every_kind_of_spoiling_is_in_the_table() -> None:
    assert set(NAMES) == set(SPOILERS) - NOT_IN_THE_TABLE
    assert len(NAMES) >= 25


def test_severity_between_two_lies_between_their_sizes() -> None:
    """Fading takes 0.3, 1 and 3 dB: half the way from the first to the second 0.65 dB."""
    take = Bench("electret", 1).take
    _, done = record_spoiled(take, "fading", 0.5, np.random.default_rng(1))
    assert done.size["loss_db"] == pytest.approx(0.65)


@pytest.mark.parametrize("name", SETS[1:])
def test_clean_take_is_right_and_a_moved_one_is_not(name: str) -> None:
    """3 dB more of everything is another set: no point is inside."""
    bench = Bench(name, 1)
    take = bench.take
    clean = judge(bench, Spoiled(take.samples, take.played.rate_hz, take))
    assert clean.is_right, clean.why
    moved = judge(bench, Spoiled(take.samples * 10**0.15, take.played.rate_hz, take))
    assert not moved.is_right
    assert "points 0/52" in moved.why


def test_perfect_takes_pass_99_of_100() -> None:
    """Draws of n figures, each outside in 5 of 100: more than are allowed come in 1 of 100."""
    rng = np.random.default_rng(3)
    for n in (1, 8, 20):
        outside = rng.binomial(n, 0.05, 200_000)
        allowed = allow_outside(n)
        assert np.mean(outside > allowed) < 0.011
        assert np.mean(outside > allowed - 1) > 0.01


def test_name_counts_with_its_block_only() -> None:
    bench = Bench("electret", 2)
    spoiled = bench.spoil("speech-over-steps", "medium")
    assert is_named(spoiled, [Problem(kind="sound-in-pause", block="steps")])
    assert not is_named(spoiled, [Problem(kind="sound-in-pause", block="silence 1")])
    assert not is_named(spoiled, [Problem(kind="interference", block="steps")])
