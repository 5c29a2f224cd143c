"""Faults that show in the samples of one block: peaks cut off flat, stretches that stand still."""

from __future__ import annotations

import numpy as np

from voicecheck.ranks import list_distinct
from voicecheck.records import Block, Problem, Programme, Recording, Timeline
from voicecheck.records.arrays import Array

CLIP_BAND = 0.005
"""
Width of the top amplitude bin, as a share of the peak.

Wider, round peaks fill it; narrower, noise after the clipping lifts samples out of it (0.005 of a
peak is -46 dB).
"""
CLIP_RATIO = 7.0
"""
Least count in the top bin over that in the next one.

Measured on sweeps: whole ones reach 2.5 (a plain wire; 1.1 through a handset), with 1 % of the
samples cut off 11 (carbon) to 60 (receiver), with 5 % 38 and more. Below 3 a wire is called
clipped. A wire's sweep has one height throughout and shows it from 10 % on only (8.6).
"""
MIN_CLIPPED = 12
"""A click or two piles up a few samples; 12 are 0.25 ms at 48 kHz, too little to move a level."""
FEWEST_STEPS = 120
"""
Different values of a block below which its peaks are flat, and its tops stand still, by rounding.

The sweep is then 60 steps high or less, and the recording says that it has too few of them.
"""
GAP_S = 0.002
"""
A run of this length at one value cannot be sound that is playing.

Half a period at 250 Hz. A 1 kHz tone eight steps of a converter high rests 0.1 ms at its tops.
"""


def find_clipping(programme: Programme, recording: Recording, timeline: Timeline) -> list[Problem]:
    """
    Samples piled up at the largest value of a block.

    Parameters
    ----------
    programme : Programme
    recording : Recording
    timeline : Timeline

    Returns
    -------
    list of Problem
        One for each clipped block.
    """
    problems = []
    for block in programme.blocks:
        if block.kind not in ("sweep", "steps", "four-tone"):
            continue
        samples, begin_s = _cut_block(recording, timeline, block)
        # A tone with a whole number of samples to its period dwells at its own peak.
        at = _find_flat_top(samples) if block.kind == "steps" else _find_pile_up(samples)
        if at is not None and _count_steps(samples) >= FEWEST_STEPS:
            problems.append(
                Problem(
                    kind="clipping",
                    at_s=begin_s + at / recording.rate_hz,
                    message=f"the {block.kind} is clipped: its peaks are cut off flat",
                    effect="level and distortion of this block are wrong; "
                    "turn the input gain down and record again",
                    block=programme.name_block(block),
                )
            )
    return problems


def _cut_block(recording: Recording, timeline: Timeline, block: Block) -> tuple[Array, float]:
    first = max(0, round(timeline.locate_s(block.start_s) * recording.rate_hz))
    last = max(first, round(timeline.locate_s(block.end_s) * recording.rate_hz))
    return recording.samples[first:last], first / recording.rate_hz


def _count_steps(samples: Array) -> int:
    """Different values in a block, looked for in part of it."""
    return len(list_distinct(samples[:: max(1, len(samples) // 4096)]))


def _find_pile_up(samples: Array) -> int | None:
    """Position of the first clipped sample, `None` where the peaks are round."""
    if len(samples) == 0:
        return None
    for sign, peak in ((1.0, float(np.max(samples))), (-1.0, -float(np.min(samples)))):
        if peak <= 0.0:
            continue
        edge = sign * (1.0 - 2.0 * CLIP_BAND) * peak
        high = np.flatnonzero(samples > edge if sign > 0.0 else samples < edge)
        top = high[sign * samples[high] > (1.0 - CLIP_BAND) * peak]
        n_top, n_next = len(top), len(high) - len(top)
        # Round peaks of a slow sweep also dwell; flat ones have neighbours at the same height:
        # measured 0.5 of the samples from 1 % cut off on, 0.3 at most in whole handset sweeps.
        flat = int(np.count_nonzero(np.diff(top) == 1))
        if n_top >= MIN_CLIPPED and n_top > CLIP_RATIO * max(n_next, 1) and flat >= n_top // 3:
            return int(top[0])
    return None


def _find_flat_top(samples: Array) -> int | None:
    """Position of the first of many samples that equal the largest value and their neighbour."""
    for side in (samples, -samples):
        peak = float(np.max(side, initial=0.0))
        same = (side[1:] == side[:-1]) & (side[1:] == peak)
        if peak > 0.0 and np.count_nonzero(same) >= MIN_CLIPPED:
            return int(np.argmax(same))
    return None


def find_gaps(programme: Programme, recording: Recording, timeline: Timeline) -> list[Problem]:
    """
    Stretches at one unchanging value while a sweep or tone should sound.

    Parameters
    ----------
    programme : Programme
    recording : Recording
    timeline : Timeline

    Returns
    -------
    list of Problem
    """
    problems = []
    shortest = round(GAP_S * recording.rate_hz)
    for block in programme.blocks:
        if block.kind not in ("sweep", "steps", "four-tone"):
            continue
        samples, begin_s = _cut_block(recording, timeline, block)
        still = _list_still(samples, shortest)
        if still and _count_steps(samples) < FEWEST_STEPS:
            continue
        problems += [
            Problem(
                kind="dropout",
                at_s=begin_s + first / recording.rate_hz,
                message=f"{1000.0 * length / recording.rate_hz:.0f} ms of dead silence "
                f"in the {block.kind}",
                effect="the numbers of this block miss a piece",
                block=programme.name_block(block),
            )
            for first, length in still
        ]
    return problems


def _list_still(samples: Array, shortest: int) -> list[tuple[int, int]]:
    """First sample and length of every run without any change that is not shorter than this."""
    # A run that counts holds three looks in a row at the same value: look before counting.
    look = samples[:: max(1, shortest // 4)]
    if not np.any((look[1:-1] == look[:-2]) & (look[1:-1] == look[2:])):
        return []
    moving = np.flatnonzero(np.diff(samples))
    edges = np.concatenate([[-1], moving, [len(samples) - 1]])
    lengths = np.diff(edges)
    # One that touches an edge is the pause beside the block that goes on, or begins, too soon.
    long = [i for i in np.flatnonzero(lengths >= shortest) if 0 < i < len(lengths) - 1]
    return [(int(edges[i]) + 1, int(lengths[i])) for i in long]
