"""The stimulus of the electrical check: tones one after another, level steps, a long 1 kHz."""

from __future__ import annotations

import numpy as np

from voicecheck.errors import BenchError, InputError
from voicecheck.fourier import raise_cosine
from voicecheck.programme.making import make_mark
from voicecheck.programme.recipes import RATES_HZ
from voicecheck.records import Block, Programme, Recipe
from voicecheck.records.arrays import Array
from voicecheck.records.parts import PartsRecipe
from voicecheck.units import ratio_from_db

LOW_TONES_HZ = (10.0, 12.5, 15.0, 17.5, 20.0, 22.5, 25.0, 29.0, 34.0, 39.0, 45.0, 55.0, 66.0, 75.0)
HIGH_TONES_HZ = (
    80.0, 110.0, 135.0, 165.0, 220.0, 275.0, 325.0, 380.0, 435.0, 520.0, 575.0, 625.0, 735.0, 820.0,
    925.0, 980.0, 1000.0, 1035.0, 1120.0, 1225.0, 1325.0, 1420.0, 1525.0, 1625.0, 1720.0, 1825.0,
    1925.0, 2020.0, 2125.0, 2225.0, 2320.0, 2425.0, 2525.0, 2720.0, 2920.0, 3125.0, 3320.0, 3620.0,
    3920.0,
)  # fmt: skip
"""
Tones with at least 4 Hz (low ones) or 15 Hz to any harmonic of 50 and of 60 Hz mains, which the
window of the lock-in passes over: 4 lines to either side. 1 kHz stands on the twentieth of 50 Hz,
which no mains has much of: the figures at 1 kHz are then of a tone, not of what lies between two.
"""
CONTACT_HZ = 980.0
"""About 1 kHz, and 20 Hz from any harmonic of 50 and of 60 Hz mains."""
STEP_LEVELS_DB = tuple(float(level) for level in range(-40, 7, 2))
MARK_GAP_S, SILENCE_S, GAP_S, FADE_S = 0.2, 1.2, 0.02, 0.01
STEP_S = 0.15
TAIL_S = 0.4
SETTLE_S, SETTLE_TURNS = 0.08, 2.0
"""Left out at a tone's start: what rings on of a bell circuit of Q 3 at 10 Hz is 2 % after that."""
LOW_WINDOW_S, HIGH_WINDOW_S, BETWEEN_HZ = 1.05, 0.3, 78.0
PARTS_TONES_HZ: dict[str, tuple[float, float]] = {
    "set": (200.0, 4000.0),
    "receiver": (200.0, 4000.0),
    "capacitor": (20.0, 2000.0),
    "bell": (10.0, 110.0),
    "contact": (900.0, 1100.0),
    "limiter": (900.0, 1100.0),
}
"""Which tones tell of which part, Hz."""


def make_recipe(
    part: str = "", *, rate_hz: int = 48000, level_dbfs: float = -12.0, cap_dbfs: float = -3.0
) -> PartsRecipe:
    """
    Recipe of the stimulus that serves all parts, or of the stretch of it that serves one.

    Parameters
    ----------
    part : str
        "" for all.
    rate_hz : int
    level_dbfs, cap_dbfs : float

    Returns
    -------
    PartsRecipe

    Examples
    --------
    >>> len(make_recipe("bell").tones_hz), make_recipe("bell").hold_s
    (16, 0.0)
    """
    low_hz, high_hz = PARTS_TONES_HZ.get(part, (0.0, 1e9))
    every = (*LOW_TONES_HZ, *HIGH_TONES_HZ)
    return PartsRecipe(
        rate_hz=rate_hz,
        level_dbfs=level_dbfs,
        cap_dbfs=cap_dbfs,
        tones_hz=tuple(one for one in every if low_hz <= one <= high_hz),
        step_levels_db=STEP_LEVELS_DB if part in ("", "limiter") else (),
        hold_s=12.0 if part in ("", "contact") else 0.0,
    )


def get_window_s(frequency_hz: float) -> float:
    """Length of the lock-in of a tone, seconds."""
    return LOW_WINDOW_S if frequency_hz < BETWEEN_HZ else HIGH_WINDOW_S


def get_settle_s(frequency_hz: float) -> float:
    """How long a tone is left to settle, seconds."""
    return max(SETTLE_S, SETTLE_TURNS / frequency_hz)


def make_stimulus(recipe: PartsRecipe) -> Programme:
    """
    Make the stimulus of a recipe.

    Parameters
    ----------
    recipe : PartsRecipe

    Returns
    -------
    Programme
        Blocks of kind "mark", "silence", "tone", "steps" and "hold".

    Raises
    ------
    InputError
        A value of the recipe is out of range.
    BenchError
        The recipe would exceed its own cap.

    Examples
    --------
    >>> [block.kind for block in make_stimulus(make_recipe("limiter")).blocks][:3]
    ['mark', 'silence', 'tone']
    """
    _check(recipe)
    marks = Recipe(rate_hz=recipe.rate_hz, level_dbfs=recipe.level_dbfs, cap_dbfs=recipe.cap_dbfs)
    blocks, end_s = _lay_out(recipe, marks)
    samples = np.zeros(round(end_s * recipe.rate_hz))
    for block in blocks:
        first, last = (round(at_s * recipe.rate_hz) for at_s in (block.start_s, block.end_s))
        time_s = np.arange(last - first) / recipe.rate_hz
        if block.kind == "mark":
            samples[first:last] = make_mark(marks, time_s)
        elif block.kind != "silence":
            samples[first:last] = _make_tone(recipe, block, time_s)
    return Programme(recipe=marks, blocks=blocks, samples=samples)


def _make_tone(recipe: PartsRecipe, block: Block, time_s: Array) -> Array:
    tone: Array = np.sin(2.0 * np.pi * (block.from_hz or 0.0) * time_s)
    length_s = block.end_s - block.start_s
    edges = raise_cosine(np.minimum(time_s, length_s - time_s) / FADE_S)
    if block.kind != "steps":
        return np.asarray(ratio_from_db(recipe.level_dbfs) * edges * tone)
    levels = ratio_from_db(recipe.level_dbfs) * 10.0 ** (np.array(recipe.step_levels_db) / 20.0)
    return np.asarray(
        levels[np.minimum((time_s / STEP_S).astype(int), len(levels) - 1)] * edges * tone
    )


def _check(recipe: PartsRecipe) -> None:
    if recipe.rate_hz not in RATES_HZ:
        raise InputError(f"rate_hz: need one of {RATES_HZ}, got {recipe.rate_hz}")
    if not all(1.0 <= one <= 0.2 * recipe.rate_hz for one in recipe.tones_hz):
        raise InputError(f"tones_hz: need 1 to {0.2 * recipe.rate_hz:g} Hz")
    if not (0.0 <= recipe.hold_s <= 600.0 and len(recipe.tones_hz) <= 500):
        raise InputError("recipe: need at most 500 tones and 600 s")
    peak_dbfs = recipe.level_dbfs + max((0.0, *recipe.step_levels_db))
    if not peak_dbfs <= min(recipe.cap_dbfs, -0.1):
        raise BenchError(
            f"output cap would be exceeded: the loudest step would peak at {peak_dbfs:.1f} dBFS, "
            f"the cap is {recipe.cap_dbfs:.1f}; lower the level"
        )


def _lay_out(recipe: PartsRecipe, marks: Recipe) -> tuple[tuple[Block, ...], float]:
    blocks: list[Block] = []
    peak = ratio_from_db(recipe.level_dbfs)
    now_s = 0.3

    def add(
        kind: str, length_s: float, gap_s: float, hz: float | None = None, gain: float = 1.0
    ) -> None:
        nonlocal now_s
        level = 0.0 if kind == "silence" else peak * gain
        blocks.append(
            Block(
                kind=kind, start_s=now_s, end_s=now_s + length_s, peak=level, from_hz=hz, to_hz=hz
            )
        )
        now_s += length_s + gap_s

    add("mark", marks.mark_s, MARK_GAP_S)
    add("silence", SILENCE_S, GAP_S)
    for tone_hz in recipe.tones_hz:
        length_s = get_settle_s(tone_hz) + get_window_s(tone_hz) + 2.0 * FADE_S
        add("tone", length_s, GAP_S, tone_hz)
    if recipe.step_levels_db:
        top = ratio_from_db(max(recipe.step_levels_db))
        add("steps", STEP_S * len(recipe.step_levels_db), GAP_S, CONTACT_HZ, top)
    if recipe.hold_s > 0.0:
        add("hold", recipe.hold_s, GAP_S, CONTACT_HZ)
    add("mark", marks.mark_s, TAIL_S)
    return tuple(blocks), now_s
