"""What is in one repeat of the sweep and not in the others."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from voicecheck.ranks import find_medians
from voicecheck.records.arrays import Array

RESIDUAL_FRAME_S = 0.005
RESIDUAL_FLOOR = 0.03
"""Share of the sweep's own level that repeats may differ by before a frame is called disturbed."""
RESIDUAL_RATIO = 4.0
JOIN_S = 0.06
"""Disturbed frames less than this apart belong to one event."""
SLOW_FRAMES = 41
"""A gain or a delay that holds over 0.2 s is the level or the clock that wanders, no event."""
HEARD_SHARE = 0.02
"""Of the usual power of a frame."""
GONE_SHARE = 0.1
LOST_SHARE = 0.5
"""Of the sweep's own power; where less than this is left, sound was lost."""
EXPLAINED_SHARE, MOVE_SHARE = 0.25, 0.8
"""
Of a frame's difference, what may be left beside a gain and a delay of its own; of an event's
frames, how many have to be explained so.

Granules that re-arrange leave 0.01 to 0.1, a sound takes no less than 0.9 of it with it.
"""
MOST_TURN = 0.15
"""Radians that a level which jumps turns the sound by at most, 2 ppm of wandering included."""
MOVE_REACH = 4
"""Frames to either side in which the level before and after a move is looked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OddEvent:
    """
    Something in one sweep that is not in the others.

    Times are seconds from the sweep's first sample; `is_loss` where sound is missing rather than
    added. `moved_db` is how far the level moves in it where nothing but a gain or a delay of the
    whole sweep changes; `None` where something is added or missing.
    """

    first_s: float
    last_s: float
    is_loss: bool
    moved_db: float | None = None


def compare_repeats(
    repeats: Array, idle_rms: float, rate_hz: float, last_s: float = math.inf
) -> tuple[NDArray[np.bool_], list[list[OddEvent]]]:
    """
    Find what is in one repeat of the sweep and not in the others.

    Parameters
    ----------
    repeats : ndarray, shape (n_sweeps, n_samples)
        The recorded sweeps, aligned to a fraction of a sample.
    idle_rms : float
        RMS of the idle noise at the same bandwidth.
    rate_hz : float
        Rate of `repeats`.
    last_s : float
        Nothing is looked for later: where the sweeps leave the band only its edge rings on.

    Returns
    -------
    disturbed : ndarray of bool, shape (n_sweeps,)
        Not by moves of the level or of the clock.
    events : list of list of OddEvent
        For each sweep.

    Notes
    -----
    With three or more repeats the reference is their median, sample by sample, so that the odd
    one stands out. With two a sound cannot be told from its absence in the other, and both are
    called disturbed; where sound is lost it is the weaker one.

    Where a frame stands out, what a slow gain and a slow delay explain is taken off first: a
    clock that wanders by 2 ppm turns 4 kHz by more than the floor allows. What is too quick for
    that but is still a gain or a delay of the sweep's own sound is a move: granules that slip.
    """
    n_sweeps = len(repeats)
    disturbed = np.zeros(n_sweeps, dtype=bool)
    events: list[list[OddEvent]] = [[] for _ in range(n_sweeps)]
    if n_sweeps < 2:
        return disturbed, events
    reference = _take_middle(repeats) if n_sweeps > 2 else repeats[::-1]
    frame = max(1, round(RESIDUAL_FRAME_S * rate_hz))
    hot = _find_hot(repeats - reference, reference, idle_rms, frame)
    if not np.any(hot):
        return disturbed, events
    # Where one sweep is lost the median is another one: all have to be of one level first.
    alike = reference + _take_off_slow(repeats - reference, reference, frame)
    reference = _take_middle(alike) if n_sweeps > 2 else alike[::-1]
    hot = _find_hot(alike - reference, reference, idle_rms, frame)
    hot &= np.arange(hot.shape[1]) < last_s * rate_hz / frame
    lost = hot & (_frame_power(alike, frame) < LOST_SHARE * _frame_power(reference, frame))
    if n_sweeps == 2:
        hot &= ~lost[::-1]
    else:
        hot, lost = _turn_lost(hot, lost, alike, reference, frame)
    for index in range(n_sweeps):
        own = reference if n_sweeps > 2 else reference[index]
        found = _join_frames(hot[index], lost[index], frame / rate_hz)
        events[index] = [_tell_move(one, hot[index], repeats[index], own, rate_hz) for one in found]
        disturbed[index] = any(event.moved_db is None for event in events[index])
    return disturbed, events


def _tell_move(
    event: OddEvent, hot: NDArray[np.bool_], heard: Array, reference: Array, rate_hz: float
) -> OddEvent:
    """An event with how far the level moves in it, where a gain and a delay explain it."""
    if event.is_loss:
        return event
    frame = max(1, round(RESIDUAL_FRAME_S * rate_hz))
    first, last = (round(at_s * rate_hz / frame) for at_s in (event.first_s, event.last_s))
    reach = slice(max(0, first - MOVE_REACH), min(len(hot), last + MOVE_REACH))
    cut = slice(reach.start * frame, reach.stop * frame)
    rows, own = reference[cut].reshape(-1, frame), heard[cut].reshape(-1, frame)
    turned = _turn_quarter(reference)[cut].reshape(-1, frame)
    # The gain may go up or down within a frame.
    parts = np.stack([rows, turned, rows * np.linspace(-1.0, 1.0, frame)], axis=-1)
    basis = np.linalg.qr(parts)[0]
    difference = (own - rows)[..., None]
    left = difference - basis @ (np.swapaxes(basis, -1, -2) @ difference)
    share = np.sum(left**2, axis=(-2, -1)) / np.maximum(np.sum(difference**2, axis=(-2, -1)), 1e-30)
    if np.mean(share[hot[reach]] < EXPLAINED_SHARE) < MOVE_SHARE:
        return event
    power = np.maximum(np.sum(rows**2, axis=-1), 1e-30)
    gains, turns = (np.sum(own * part, axis=-1) / power for part in (rows, turned))
    # What turns the phase is the clock that wanders, not the level.
    is_clock = bool(np.max(np.abs(turns[hot[reach]])) > MOST_TURN)
    moved_db = 0.0 if is_clock else float(np.ptp(20.0 * np.log10(np.maximum(gains, 0.1))))
    return dataclasses.replace(event, moved_db=moved_db)


def _turn_quarter(values: Array) -> Array:
    """The same sound a quarter of a period late: a delay of any size is a mixture of both."""
    return np.asarray(np.fft.irfft(-1j * np.fft.rfft(values), len(values)))


def _frame_power(values: Array, frame: int) -> Array:
    """Mean square of each frame along the last axis."""
    return _frame_product(values, values, frame)


def _frame_product(first: Array, second: Array, frame: int) -> Array:
    n_frames = first.shape[-1] // frame
    product = (first * second)[..., : n_frames * frame]
    return np.asarray(np.mean(product.reshape(*product.shape[:-1], n_frames, frame), axis=-1))


def _find_hot(
    difference: Array, reference: Array, idle_rms: float, frame: int
) -> NDArray[np.bool_]:
    """Frames in which a sweep differs from the reference by more than it usually does."""
    own = _frame_power(difference, frame)
    # A burst is a jump over what the repeats differ by elsewhere in the same sweeps.
    usual = find_medians(own)[..., None]
    limit = RESIDUAL_RATIO**2 * np.maximum(idle_rms**2, usual)
    return np.asarray(own > limit + RESIDUAL_FLOOR**2 * _frame_power(reference, frame))


def _take_off_slow(difference: Array, reference: Array, frame: int) -> Array:
    """
    What is left of the differences after a slow gain g and a slow delay d of each sweep.

    A small change of both is g x - d x'; both are fitted frame by frame, and the running median
    of the fits is what is slow.
    """
    # By its spectrum: differences of samples fade out towards the edge of the band.
    spectrum = np.fft.rfft(reference, axis=-1)
    turn = 2j * np.pi * np.arange(spectrum.shape[-1]) / reference.shape[-1]
    slope = np.fft.irfft(turn * spectrum, reference.shape[-1], axis=-1)
    left = np.array(difference)
    level = np.atleast_2d(_frame_power(reference, frame))
    # Where the sweep has left the band, or not begun, there is nothing to fit.
    is_heard = level > HEARD_SHARE * find_medians(level)[..., None]
    for part in (reference, slope):
        power = _frame_power(part, frame)
        fit = _frame_product(difference, part, frame) / np.maximum(power, 1e-30)
        heard = np.broadcast_to(is_heard, fit.shape)
        slow = np.array([_take_running_median(*row) for row in zip(fit, heard, strict=True)])
        # Between the middles of two frames it goes straight, or each edge would be a step.
        at = (np.arange(difference.shape[-1]) + 0.5) / frame - 0.5
        course = np.array([np.interp(at, np.arange(row.shape[0]), row) for row in slow])
        left -= course * part
    return left


def _turn_lost(
    hot: NDArray[np.bool_], lost: NDArray[np.bool_], alike: Array, reference: Array, frame: int
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """
    Hot frames where most sweeps lost their sound at once: the odd one is the sound one.

    There the middle one is a lost one, far below its own neighbourhood, and what stands out has
    the level of that neighbourhood.
    """
    level = _frame_power(reference, frame)
    usual = _take_running_median(level, np.ones(len(level), dtype=bool))
    each = _frame_power(alike, frame)
    is_sound = (each > LOST_SHARE * usual) & (each < usual / LOST_SHARE)
    swapped = (level < GONE_SHARE * usual) & np.any(hot & is_sound, axis=0)
    gone = swapped & ~is_sound
    # The frames at either edge are lost in part.
    beside = np.convolve(swapped, np.ones(3), mode="same") > 0.0
    return (hot & ~beside) | gone, (lost & ~beside) | gone


def _take_running_median(values: Array, heard: NDArray[np.bool_]) -> Array:
    place = np.arange(len(values))
    if np.any(heard):
        values = np.interp(place, place[heard], values[heard])
    half = SLOW_FRAMES // 2
    padded = np.pad(values, half, mode="edge")
    return find_medians(sliding_window_view(padded, SLOW_FRAMES))


def _join_frames(hot: NDArray[np.bool_], lost: NDArray[np.bool_], frame_s: float) -> list[OddEvent]:
    """Runs of hot frames as events; what is less than `JOIN_S` apart is one."""
    frames = np.flatnonzero(hot)
    if len(frames) == 0:
        return []
    breaks = np.flatnonzero(np.diff(frames) * frame_s > JOIN_S)
    first = frames[np.concatenate([[0], breaks + 1])]
    last = frames[np.concatenate([breaks, [len(frames) - 1]])]
    return [
        OddEvent(
            first_s=float(a * frame_s),
            last_s=float((b + 1) * frame_s),
            is_loss=bool(2 * np.count_nonzero(lost[a : b + 1]) > np.count_nonzero(hot[a : b + 1])),
        )
        for a, b in zip(first, last, strict=True)
    ]


def _take_middle(repeats: Array) -> Array:
    """Median over the repeats, sample by sample; of three without sorting."""
    if len(repeats) != 3:
        return find_medians(repeats.T)
    first, second, third = repeats
    low, high = np.minimum(first, second), np.maximum(first, second)
    return np.asarray(np.maximum(low, np.minimum(high, third)))
