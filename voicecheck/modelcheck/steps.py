"""
The level steps: whether the gain follows the sound, the top is cut off, noise comes with it.

A set without memory, carbon too, answers to an amplitude alike when the sound comes up and when
it goes down: a step's fade-in and fade-out show one gain. What controls the level by listening (a
limiter, automatic gain control, an echo canceller) is slower to let go than to grip: the fade-out
is fainter. Carbon compresses and has a threshold, but smoothly: from one step to the next its
output still grows; what is cut off flat does not, filtered afterwards or not.

Noise that comes with the sound grows with it in carbon (its breathing), at all frequencies alike.
A gate or a suppressor lets the room's own noise through whatever the level; a coder's error stays
close to the tone; speech over the steps follows its own course.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voicecheck.fourier import make_phasors
from voicecheck.idle import make_hann
from voicecheck.modelcheck.idling import cut_idle_pieces
from voicecheck.modelcheck.slowly import Slowed, compute_power, estimate_density, list_bins_hz
from voicecheck.programme import make_steps
from voicecheck.ranks import find_median
from voicecheck.records import Block, Problem, Programme, Timeline
from voicecheck.records.arrays import Array

SETTLE_S, TAIL_S = 0.03, 0.012
FADE_S = 0.012
"""Of a step's either end: its fade, and a little more."""
HOP_S, WINDOW_S = 0.0005, 0.003
CONTROL_DB = 1.0
"""Fade-in over fade-out: carbon with its memory stays below 0.4 dB, control is at 1.5 and more."""
JUMP_DB, JUMP_SHARE, UP_SHARE, JUMP_KEPT = 0.6, 0.8, 0.5, 0.4
"""
A jump is twice what sound granules slip by (MEM), and most of what fade-in and fade-out differ by.

Control grips at once or slowly: behind the fade it takes less than 0.3 of it within `JUMP_S`, a
suppressor 0.6 at most. What goes up is no control; carbon's own 0.4 dB are on top of it.
"""
JUMP_S, JUMP_HOP_S = 0.03, 0.005
FLAT_SLOPE = 0.4
"""
Growth of the output over that of the input, between the two top steps.

Carbon has 0.65, an over-sensitive element by its own law 0.45 and more; an edge that cuts off the
nominal step, or is less than 0.7 dB above it, leaves 0.4 and less.
"""
NEAR_HZ, FAR_HZ = (30.0, 250.0), (250.0, 3900.0)
HARMONIC_REACH_HZ = 60.0
GATE_DB, SPEECH_DB = 1.5, 2.5
"""
How far noise of the steps stands over that of the silences: 0.6 dB at most in 70 takes of carbon in
all moods, electrets and receivers, 1.8 and more behind the mildest suppressor on carbon.
"""
FEW_GATE_DB, FEW_STEPS, FEW_FRAMES = 3.0, 4, 10
"""
Limit for the few steps of a quick programme and for programmes with few frames of silence, which
scatter more: 1.6 and 2.1 dB were seen in steady noise.
"""
ROUGH_NEAR_DB, ROUGH_FAR_DB = 5.0, 2.0
"""Steady noise alone goes up and down by 2.3 dB near a tone and by 1 dB far from it."""
LEAKED_DB = -42.0
"""
Density beside a tone over its mean square: carbon's own, breathing and memory, stays at -47 and
less, a coder's error is at -39 and more; the window leaks -70.
"""
CODING_DB, CODING_OVER_IDLE_DB, CODING_GROWTH = 11.0, 6.0, (0.2, 1.4)
"""How much a coder's error close to the tone stands out, and its dB per dB of the tone."""
SPREAD_DB = 5.0
"""Far from faint tones a coder adds 2 dB to the idle noise at most, speech 7 and more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepGains:
    """
    Of the nominal and of the top step, shape (2,), in dB; NaN where they were not recorded.

    `control_db` is the gain as a step comes up over that as it goes down, `jump_db` the most
    that the level moves by between them within `JUMP_S`.
    """

    control_db: Array
    jump_db: Array

    @property
    def is_jump(self) -> NDArray[np.bool_]:
        """Where the level jumps once and stays: granules that slip, or a contact."""
        apart_db = np.abs(self.control_db)
        # A loss comes back: fade-in and fade-out are alike.
        is_kept = self.jump_db < apart_db / JUMP_KEPT
        share = np.where(self.control_db > 0.0, JUMP_SHARE, UP_SHARE)
        return np.asarray(is_kept & (self.jump_db > np.maximum(JUMP_DB, share * apart_db)))


@dataclass(frozen=True, slots=True, kw_only=True)
class StepNoise:
    """
    Noise densities beside a tone and away from it, in dB; shape (n_steps,), quietest first.

    `tone_db` is the tone's mean square; `idle_near_db` and `idle_far_db`, shape (n_pieces,),
    are the same bands of the silences.
    """

    tone_db: Array
    near_db: Array
    far_db: Array
    idle_near_db: Array
    idle_far_db: Array


def find_steps(programme: Programme) -> Block | None:
    """The block of steps at 1 kHz, or the first that there is."""
    blocks = programme.blocks_of("steps")
    return next((block for block in blocks if block.from_hz == 1000.0), next(iter(blocks), None))


def measure_step_gains(
    programme: Programme, slowed: Slowed, timeline: Timeline, block: Block, delay_s: float
) -> StepGains:
    """
    How the gain moves within a step.

    Parameters
    ----------
    programme : Programme
    slowed : Slowed
        The full rate is used.
    timeline : Timeline
    block : Block
        Of steps.
    delay_s : float
        Of the set at that frequency.

    Returns
    -------
    StepGains
    """
    recipe = programme.recipe
    levels_db = np.array(sorted(recipe.step_levels_db))
    picked = (int(np.argmin(np.abs(levels_db))), len(levels_db) - 1)
    rate_hz, hop = slowed.rate_hz, max(1, round(HOP_S * slowed.rate_hz))
    count = round(recipe.step_s * timeline.stretch * rate_hz)
    places = _place_fade_frames(count, round(WINDOW_S * rate_hz), hop)
    turn = make_phasors(-float(block.from_hz or 0.0) / timeline.stretch / rate_hz, count)
    weight = turn[places] * make_hann(places.shape[-1])
    control, jump = np.full(2, np.nan), np.full(2, np.nan)
    for row, index in enumerate(picked):
        start_s = block.start_s + index * recipe.step_s
        first = round((timeline.locate_s(start_s) + delay_s) * rate_hz)
        heard = slowed.samples[first : first + count]
        if first < 0 or len(heard) < count:
            continue
        at_s = start_s - block.start_s + places / rate_hz / timeline.stretch
        played = make_steps(recipe, block, at_s)
        control[row] = _compare_fades_db(_follow(heard[places], weight), _follow(played, weight))
        jump[row] = _find_jump_db(heard, turn, rate_hz)
    return StepGains(control_db=control, jump_db=jump)


def _find_jump_db(heard: Array, turn: NDArray[np.complex128], rate_hz: float) -> float:
    """Most that a tone's level moves by within `JUMP_S`, its fades left out."""
    hop = round(JUMP_HOP_S * rate_hz)
    first, last = round(SETTLE_S * rate_hz), len(heard) - round(TAIL_S * rate_hz)
    n_frames = max(0, last - first) // hop
    cut = slice(first, first + n_frames * hop)
    sums = np.sum((heard[cut] * turn[cut]).reshape(n_frames, hop), axis=-1)
    level_db = 20.0 * np.log10(np.abs(sums) + 1e-20)
    reach = round(JUMP_S / JUMP_HOP_S)
    return float(np.max(np.abs(level_db[reach:] - level_db[:-reach]), initial=0.0))


def _place_fade_frames(count: int, window: int, hop: int) -> NDArray[np.intp]:
    """
    Samples of a step's first frames and of its last ones.

    Shape (2, n_frames, window); nothing between them is needed.
    """
    frames = np.arange(round(FADE_S / HOP_S))
    last = (count - window) // hop
    starts = hop * np.array([frames, last - frames[::-1]])
    return np.asarray(starts[..., None] + np.arange(window))


def _follow(frames: Array, weight: NDArray[np.complex128]) -> Array:
    """Amplitude of a tone in each frame, from its product with phasors under a window."""
    return np.asarray(np.abs(np.sum(frames * weight, axis=-1)))


def _compare_fades_db(heard: Array, played: Array) -> float:
    """Least-squares gain over the first frames over that of the last ones, dB."""
    gains = np.sum(heard * played, axis=-1) / np.sum(np.square(played), axis=-1)
    return float(20.0 * np.log10(gains[0] / gains[1])) if np.min(gains) > 0.0 else np.nan


def measure_step_noise(
    programme: Programme, slowed: Slowed, timeline: Timeline, block: Block
) -> StepNoise | None:
    """
    Noise in every step, beside its tone and away from it.

    Parameters
    ----------
    programme : Programme
    slowed : Slowed
    timeline : Timeline
    block : Block

    Returns
    -------
    StepNoise or None
        `None` where there is no silence to hold it against.
    """
    step_s, tone_hz = programme.recipe.step_s, float(block.from_hz or 0.0)
    cuts = []
    for index in range(len(programme.recipe.step_levels_db)):
        start_s = block.start_s + index * step_s
        first_s = timeline.locate_s(start_s) + SETTLE_S
        cuts.append(slowed.cut(first_s, timeline.locate_s(start_s + step_s) - TAIL_S))
    size = min(map(len, cuts)) // 8 * 8
    idle = cut_idle_pieces(programme, slowed, timeline, size) if size else None
    if idle is None:
        return None
    power = compute_power(np.array([cut[:size] for cut in cuts]))
    hz = list_bins_hz(size, slowed.low_rate_hz)
    off_hz = np.abs(hz - tone_hz)
    near = (off_hz > NEAR_HZ[0]) & (off_hz < NEAR_HZ[1])
    harmonic = np.abs(hz - tone_hz * np.round(hz / tone_hz)) < HARMONIC_REACH_HZ
    far = (hz > FAR_HZ[0]) & (hz < FAR_HZ[1]) & ~harmonic
    return StepNoise(
        # Under a Hann window the peak bin holds two thirds of a tone.
        tone_db=_to_db(3.0 / size * np.max(power, axis=1)),
        near_db=_to_db(estimate_density(power, near)),
        far_db=_to_db(estimate_density(power, far)),
        idle_near_db=_to_db(idle.density(near)),
        idle_far_db=_to_db(idle.density(far)),
    )


def _to_db(power: Array) -> Array:
    return np.asarray(10.0 * np.log10(power + 1e-20))


def judge_noise(noise: StepNoise, name: str, at_s: float) -> Problem | None:
    """
    What the noise in the steps says: speech over them, a coder, a gate or suppressor, or nothing.

    Parameters
    ----------
    noise : StepNoise
    name : str
        Of the block.
    at_s : float
        Where it starts in the recording.

    Returns
    -------
    Problem or None
    """
    lower = slice(0, max(2, (len(noise.tone_db) + 1) // 2))
    over = np.maximum(
        _stand_over(noise.near_db, noise.idle_near_db, noise.tone_db, 1.0),
        _stand_over(noise.far_db, noise.idle_far_db, noise.tone_db, 1.0),
    )
    is_rough = (
        _measure_roughness_db(noise.near_db) > ROUGH_NEAR_DB
        or _measure_roughness_db(noise.far_db) > ROUGH_FAR_DB
    )
    if np.sort(over[lower])[-2] > SPEECH_DB and is_rough and not _is_coded(noise):
        return Problem(
            kind="sound-in-pause",
            at_s=at_s,
            message=f"a sound beside the tone (speech, or crackle) lies over the {name}",
            effect="the figures of this block are withheld; keep quiet and record again",
            block=name,
        )
    if _is_coded(noise):
        return _tell_coder(name)
    usual = np.maximum(
        _stand_over(noise.near_db, noise.idle_near_db, noise.tone_db, 0.75),
        _stand_over(noise.far_db, noise.idle_far_db, noise.tone_db, 0.75),
    )
    # Near the top what breathes with the sound may hide the rest.
    below = slice(0, max(2, len(usual) - 2))
    # A gate may hold the quietest steps back, too: two that stand over all of the idle noise do,
    # unless they are two that crackle hit.
    has_few = len(usual[below]) < FEW_STEPS or len(noise.idle_near_db) < FEW_FRAMES
    limit_db = FEW_GATE_DB if has_few else GATE_DB
    is_opened = not is_rough and np.sort(over[below])[-2] > limit_db
    if find_median(usual[below]) > limit_db or is_opened:
        return Problem(
            kind="muted",
            message="the silences hold less noise than the quiet steps: "
            "a noise gate or suppressor is at work",
            effect="noise, steps, distortion and SINAD are withheld; "
            "switch off what cleans up the pauses",
            block="silence",
        )
    return None


def _tell_coder(name: str) -> Problem:
    return Problem(
        kind="lossy-coding",
        message="an error that follows the tone lies close to it: "
        "the sound went through a lossy coder",
        effect="the curve's interval holds the coder's error, all other figures are withheld; "
        "record without compression",
        block=name,
    )


def _stand_over(density_db: Array, idle_db: Array, tone_db: Array, quantile: float) -> Array:
    """How far each step's noise stands over the idle noise and over what breathes with it, dB."""
    place = quantile * (len(idle_db) - 1)
    idle = 10.0 ** (np.interp(place, np.arange(len(idle_db)), np.sort(idle_db)) / 10.0)
    breathing = 10.0 ** ((density_db[-1] + tone_db - tone_db[-1]) / 10.0)
    return np.asarray(density_db - 10.0 * np.log10(idle + 2.0 * breathing + 1e-20))


def _measure_roughness_db(density_db: Array) -> float:
    """How far a course goes up and down again: what opens with the tone only goes up."""
    moves_db = np.diff(density_db)
    return float(np.sum(np.abs(moves_db)) - abs(np.sum(moves_db))) / 2.0


def _is_coded(noise: StepNoise) -> bool:
    """
    Noise close to the tone, well over that far from it, that rises with the tone.

    Each step's error lies 5 dB to either side of what the next one's says: of the upper half of
    the steps the median is judged.
    """
    if len(noise.tone_db) < 3:
        return False
    upper = slice(-4, None)
    near_db, tone_db = noise.near_db[upper], noise.tone_db[upper]
    over_far_db = find_median(near_db - noise.far_db[upper])
    over_idle_db = find_median(near_db) - float(np.max(noise.idle_near_db))
    if over_far_db < CODING_DB or over_idle_db < CODING_OVER_IDLE_DB:
        return False
    if find_median(noise.far_db[:4]) > find_median(noise.idle_far_db) + SPREAD_DB:
        return False
    if find_median(near_db - tone_db) < LEAKED_DB:
        return False
    growth = float(np.polyfit(tone_db, near_db, 1)[0])
    return CODING_GROWTH[0] < growth < CODING_GROWTH[1]


def judge_jump(gains: StepGains, name: str) -> Problem | None:
    """
    Whether the level jumps within a step.

    Parameters
    ----------
    gains : StepGains
    name : str
        Of the block.

    Returns
    -------
    Problem or None
    """
    if not np.any(gains.is_jump):
        return None
    return Problem(
        kind="unsteady",
        message=f"the level jumps by {np.max(gains.jump_db[gains.is_jump]):.1f} dB within a step "
        "and stays: granules that re-arrange, or a contact",
        effect="the figures of this block are withheld; condition the handset and record again",
        block=name,
    )


def judge_control(gains: StepGains, output_db: Array, input_db: Array, name: str) -> Problem | None:
    """
    Whether something follows the level, or cuts it off.

    Parameters
    ----------
    gains : StepGains
    output_db, input_db : ndarray, shape (n_steps,)
        Levels of the steps, quietest first; NaN where one was not heard.
    name : str
        Of the block.

    Returns
    -------
    Problem or None
    """
    control_db = float(np.nanmax(np.where(gains.is_jump, 0.0, gains.control_db), initial=0.0))
    if control_db > CONTROL_DB:
        return Problem(
            kind="level-control",
            message=f"the gain lets go more slowly than it grips (by {control_db:.1f} "
            "dB): a limiter or an automatic gain control is at work",
            effect="the curve's interval holds what it may have taken, all other figures are "
            "withheld; switch the control off and record again",
            block=name,
        )
    rise_db = np.diff(output_db[-2:])[0] if len(output_db) > 1 else np.nan
    wanted_db = np.diff(input_db[-2:])[0] if len(output_db) > 1 else np.nan
    if np.isfinite(rise_db) and rise_db < FLAT_SLOPE * wanted_db:
        return Problem(
            kind="overload",
            message=f"the output hardly grows at the top ({rise_db:.1f} dB for "
            f"{wanted_db:.0f} dB): something is overdriven, the recorder or the set itself",
            effect="the loud part of the curve and all other figures are withheld; "
            "turn the input gain down and record again",
            block=name,
        )
    return None
