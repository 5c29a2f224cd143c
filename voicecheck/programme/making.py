"""
Recipe -> programme: identity, marks, silence, sweeps, level steps, four tones.

The sweep is the synchronised exponential one: x(t) = A sin(2 pi f1 L exp(t / L)) with f1 L a
whole number, so that harmonic m is the same sweep advanced by L ln m (Novak, Lotton, Simon,
J. Audio Eng. Soc. 63(10), 2015).
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from voicecheck.errors import BenchError, InputError
from voicecheck.fourier import raise_cosine
from voicecheck.programme.identity import HIGHEST_CAP_DBFS, TONES_HZ, make_burst
from voicecheck.programme.recipes import DEFAULT_RECIPE, RATES_HZ
from voicecheck.records import Block, Programme, Recipe
from voicecheck.records.arrays import Array
from voicecheck.units import ratio_from_db

FADE_S = 0.01
SWEEP_FADE_IN_RATIO = 1.4
SWEEP_FADE_OUT_RATIO = 0.88
MIN_SWEEP_S, MAX_SWEEP_S = 0.5, 30.0


def compute_sweep_constant_s(recipe: Recipe) -> float:
    """
    Constant L of the sweep: its frequency grows e-fold in L seconds.

    Parameters
    ----------
    recipe : Recipe

    Returns
    -------
    float
        Seconds, with `sweep_from_hz * L` a whole number, as near to `sweep_s` as that allows.
    """
    ratio = math.log(recipe.sweep_to_hz / recipe.sweep_from_hz)
    return max(1, round(recipe.sweep_from_hz * recipe.sweep_s / ratio)) / recipe.sweep_from_hz


def compute_sweep_duration_s(recipe: Recipe) -> float:
    """
    Length of one sweep as played.

    Examples
    --------
    >>> round(compute_sweep_duration_s(Recipe()), 4)
    2.9798
    """
    ratio = math.log(recipe.sweep_to_hz / recipe.sweep_from_hz)
    return compute_sweep_constant_s(recipe) * ratio


def check_recipe(recipe: Recipe) -> None:
    """
    Refuse a recipe that cannot be played.

    Raises
    ------
    InputError
        A value is out of range.
    BenchError
        The loudest block would be above the cap.
    """
    if recipe.rate_hz not in RATES_HZ:
        message = f"rate_hz: need one of {RATES_HZ}, got {recipe.rate_hz}"
        raise InputError(message)
    if not 1 <= recipe.n_sweeps <= 100:
        message = f"n_sweeps: need 1 to 100, got {recipe.n_sweeps}"
        raise InputError(message)
    if not MIN_SWEEP_S <= recipe.sweep_s <= MAX_SWEEP_S:
        message = f"sweep_s: need {MIN_SWEEP_S} to {MAX_SWEEP_S} s, got {recipe.sweep_s}"
        raise InputError(message)
    if not 0 < recipe.sweep_from_hz < recipe.sweep_to_hz < 0.45 * recipe.rate_hz:
        message = (
            f"sweep: need 0 < from < to < 0.45 of the rate, "
            f"got {recipe.sweep_from_hz} to {recipe.sweep_to_hz} Hz"
        )
        raise InputError(message)
    if not math.isfinite(recipe.level_dbfs) or recipe.cap_dbfs > HIGHEST_CAP_DBFS:
        message = (
            f"level_dbfs must be a number and cap_dbfs at most {HIGHEST_CAP_DBFS}, "
            f"got {recipe.level_dbfs} and {recipe.cap_dbfs}"
        )
        raise InputError(message)
    peak_dbfs = recipe.level_dbfs + _headroom_db(recipe)
    if peak_dbfs > recipe.cap_dbfs:
        message = (
            f"output cap would be exceeded: the loudest block would peak at {peak_dbfs:.1f} dBFS, "
            f"the cap is {recipe.cap_dbfs:.1f}; lower the level by "
            f"{peak_dbfs - recipe.cap_dbfs:.1f} dB"
        )
        raise BenchError(message)


def _headroom_db(recipe: Recipe) -> float:
    """How far the loudest block may peak above the nominal level, in dB."""
    tones_db = 10.0 * math.log10(len(recipe.tones_hz)) if recipe.tones_hz else 0.0
    return max(0.0, tones_db, *recipe.step_levels_db)


def make_programme(recipe: Recipe | None = None) -> Programme:
    """
    Make the test signal of a recipe.

    Parameters
    ----------
    recipe : Recipe, optional
        The default programme when left out.

    Returns
    -------
    Programme
        Samples of shape (n_samples,) in full-scale units, starting and ending in silence,
        every block faded in and out, nothing above the recipe's cap.

    Raises
    ------
    InputError
        The recipe has a value out of range.
    BenchError
        The recipe would exceed its own cap.

    Examples
    --------
    >>> programme = make_programme(Recipe(n_sweeps=1))
    >>> [block.kind for block in programme.blocks][:3]
    ['mark', 'silence', 'sweep']
    """
    recipe = recipe or DEFAULT_RECIPE
    check_recipe(recipe)
    blocks, end_s = lay_out(recipe)
    samples = np.zeros(math.ceil(end_s * recipe.rate_hz))
    for block in blocks:
        first = round(block.start_s * recipe.rate_hz)
        count = round(block.end_s * recipe.rate_hz) - first
        offset_s = first / recipe.rate_hz - block.start_s
        time_s = np.arange(count) / recipe.rate_hz + offset_s
        if block.kind == "mark":
            made = make_mark(recipe, time_s)
        elif block.kind == "identity":
            made = make_burst(recipe, time_s)
        elif block.kind == "sweep":
            made = make_sweep(recipe, time_s)
        elif block.kind == "steps":
            made = make_steps(recipe, block, time_s)
        elif block.kind == "four-tone":
            made = make_four_tone(recipe, time_s)
        else:
            continue
        samples[first : first + count] = made
    return Programme(recipe=recipe, blocks=blocks, samples=samples)


def make_sweep(recipe: Recipe, time_s: Array) -> Array:
    """
    One sweep at any instants, so that a drifting clock can be asked for its own.

    Parameters
    ----------
    recipe : Recipe
    time_s : ndarray, shape (n,)
        Seconds from the start of the sweep, on the player's clock.

    Returns
    -------
    ndarray, shape (n,)
        Full-scale units, 0 outside the sweep.
    """
    constant_s, length_s = compute_sweep_constant_s(recipe), compute_sweep_duration_s(recipe)
    growth = np.exp(np.clip(time_s, 0.0, length_s) / constant_s)
    fade_in_s = constant_s * math.log(SWEEP_FADE_IN_RATIO)
    fade_out_s = -constant_s * math.log(SWEEP_FADE_OUT_RATIO)
    shape = raise_cosine(time_s / fade_in_s) * raise_cosine((length_s - time_s) / fade_out_s)
    # exp(t / L) - 1 keeps the phase small at the start; the whole number f1 L drops out.
    phase = 2.0 * np.pi * recipe.sweep_from_hz * constant_s * (growth - 1.0)
    return np.asarray(ratio_from_db(recipe.level_dbfs) * shape * np.sin(phase))


def make_mark(recipe: Recipe, time_s: Array) -> Array:
    """
    A mark at any instants: a windowed linear chirp inside the band that every handset passes.

    Parameters
    ----------
    recipe : Recipe
    time_s : ndarray, shape (n,)
        Seconds from the start of the mark, on the player's clock.

    Returns
    -------
    ndarray, shape (n,)
        Full-scale units, 0 outside the mark.
    """
    slope_hz_per_s = (recipe.mark_to_hz - recipe.mark_from_hz) / recipe.mark_s
    phase = 2.0 * np.pi * (recipe.mark_from_hz + 0.5 * slope_hz_per_s * time_s) * time_s
    edge_s = 0.25 * recipe.mark_s
    shape = raise_cosine(np.minimum(time_s, recipe.mark_s - time_s) / edge_s)
    return np.asarray(ratio_from_db(recipe.level_dbfs) * shape * np.sin(phase))


def make_four_tone(recipe: Recipe, time_s: Array) -> Array:
    """
    The four-tone block: equal tones, together as strong as one sine at nominal level.

    Parameters
    ----------
    recipe : Recipe
    time_s : ndarray, shape (n,)
        Seconds from the start of the block, on the player's clock.

    Returns
    -------
    ndarray, shape (n,)
        Full-scale units.

    Notes
    -----
    Frequencies: ITU-T O.42 as remembered (`standards/imd.csv`, MEM).
    """
    total = np.zeros_like(time_s)
    for frequency_hz in recipe.tones_hz:
        total += np.sin(2.0 * np.pi * frequency_hz * time_s)
    peak = ratio_from_db(recipe.level_dbfs) / math.sqrt(len(recipe.tones_hz))
    return np.asarray(peak * total * _fade(time_s, recipe.tones_s))


def make_steps(recipe: Recipe, block: Block, time_s: Array) -> Array:
    """
    One block of level steps: quietest first, so that neither ear nor element is startled.

    Parameters
    ----------
    recipe : Recipe
    block : Block
        Of kind "steps"; its frequency is used.
    time_s : ndarray, shape (n,)
        Seconds from the start of the block, on the player's clock.

    Returns
    -------
    ndarray, shape (n,)
        Full-scale units.
    """
    levels_db = np.array(sorted(recipe.step_levels_db))
    index = np.clip((time_s / recipe.step_s).astype(int), 0, len(levels_db) - 1)
    amplitude = ratio_from_db(recipe.level_dbfs) * 10.0 ** (levels_db[index] / 20.0)
    tone = np.sin(2.0 * np.pi * (block.from_hz or 0.0) * time_s)
    return np.asarray(amplitude * tone * _fade(time_s - index * recipe.step_s, recipe.step_s))


def _list_blocks(recipe: Recipe) -> list[tuple[Block, float, float]]:
    """Blocks in playing order, each with its length and the gap after it, in seconds."""
    nominal, gap_s = ratio_from_db(recipe.level_dbfs), recipe.gap_s

    def make(kind: str, peak: float, *edges_hz: float) -> Block:
        low_hz, high_hz = (min(edges_hz), max(edges_hz)) if edges_hz else (None, None)
        return Block(kind=kind, start_s=0.0, end_s=0.0, peak=peak, from_hz=low_hz, to_hz=high_hz)

    mark = make("mark", nominal, recipe.mark_from_hz, recipe.mark_to_hz)
    # Before its mark, where no echo of the mark can lie over it.
    burst = make("identity", nominal, float(TONES_HZ[0]), float(TONES_HZ[-1]))
    told = [(burst, recipe.identity_s, 0.5 * gap_s)] if recipe.identity_s > 0 else []
    listed = [*told, (mark, recipe.mark_s, 2 * gap_s)]

    def add_silence(length_s: float) -> None:
        if length_s > 0:
            listed.append((make("silence", 0.0), length_s, gap_s))

    add_silence(recipe.silence_s)
    sweep = make("sweep", nominal, recipe.sweep_from_hz, recipe.sweep_to_hz)
    length_s = compute_sweep_duration_s(recipe)
    listed += [(sweep, length_s, recipe.sweep_gap_s)] * recipe.n_sweeps
    add_silence(recipe.silence_middle_s)
    if recipe.step_levels_db:
        peak = nominal * ratio_from_db(max(recipe.step_levels_db))
        length_s = recipe.step_s * len(recipe.step_levels_db)
        for frequency_hz in recipe.step_frequencies_hz:
            listed.append((make("steps", peak, frequency_hz), length_s, gap_s))
    if recipe.tones_hz:
        tones = make("four-tone", nominal * math.sqrt(len(recipe.tones_hz)), *recipe.tones_hz)
        listed.append((tones, recipe.tones_s, 2 * gap_s))
    add_silence(recipe.silence_end_s)
    return [*listed, *told, (mark, recipe.mark_s, recipe.tail_s)]


def lay_out(recipe: Recipe) -> tuple[tuple[Block, ...], float]:
    """
    Where everything lies in the programme of a recipe.

    Parameters
    ----------
    recipe : Recipe

    Returns
    -------
    blocks : tuple of Block
        In playing order.
    end_s : float
        End of the programme, seconds.
    """
    now_s = recipe.lead_in_s
    blocks = []
    for block, length_s, gap_s in _list_blocks(recipe):
        blocks.append(dataclasses.replace(block, start_s=now_s, end_s=now_s + length_s))
        now_s += length_s + gap_s
    return tuple(blocks), now_s


def _fade(time_s: Array, length_s: float) -> Array:
    return raise_cosine(time_s / FADE_S) * raise_cosine((length_s - time_s) / FADE_S)
