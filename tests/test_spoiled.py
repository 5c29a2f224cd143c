"""The table of spoiled recordings: its rule can fail, and a part of it is as it is written."""

from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from plants.spoiling import SEVERITIES, SPOILERS, record_spoiled
from spoiled import MOODS, try_moods, try_seed, write_kinds
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


WRITTEN = (Path(__file__).parent / "bench" / "spoiled.md").read_text(encoding="utf-8")
PART = WRITTEN.partition("## A part of it")[2]
SEED = 950


def read_row(kind: str) -> str:
    return next(line for line in PART.splitlines() if line.startswith(f"| {kind} |"))


@pytest.mark.parametrize("kind", ["burst", "muted-pauses", "clip-then-filter"])
def test_a_row_comes_out_as_it_is_written(kind: str) -> None:
    """All its shares; of error and half-width the last digit may differ between machines."""
    told = StringIO()
    write_kinds(told, [try_seed(SEED, [kind], SEVERITIES)], SEVERITIES, why=False)
    made = next(line for line in told.getvalue().splitlines() if line.startswith(f"| {kind} |"))
    n_shares = 6
    assert made.split("|")[1 : 2 + n_shares] == read_row(kind).split("|")[1 : 2 + n_shares]
    sizes = (line.split("|")[2 + n_shares : -1] for line in (made, read_row(kind)))
    for cell, written in zip(*sizes, strict=True):
        pairs = zip(cell.split(" / "), written.split(" / "), strict=True)
        assert all(a == b or float(a) == pytest.approx(float(b), rel=0.1) for a, b in pairs)


def test_medium_spoiling_of_every_kind_is_seen() -> None:
    """Each of the kinds once with one set: 9 of 10 right at least."""
    found = {
        kind: judge(bench, bench.spoil(kind, "medium"))
        for bench in [Bench("electret", SEED + 1)]
        for kind in NAMES
    }
    wrong = {kind: one.why for kind, one in found.items() if not one.is_right}
    assert len(wrong) <= len(found) / 10, wrong


def test_nothing_is_said_of_what_is_normal() -> None:
    """Clean takes and carbon's moods, a wandering clock, room noise, 16 bit: no alarm."""
    found = try_moods(SEED)
    said = {k: set(v.kinds) - set(MOODS[k[0]][2].split()) for k, v in found.items()}
    assert not any(said.values()), said
