"""How loud the programme is played on a bench that was set up."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np

from voicecheck.bench.calibration.tonesets import choose_strengths, make_tone_set
from voicecheck.bench.hardware import MOUTH_PATHS, HardwareBench
from voicecheck.checkout.parts.stimulus import make_recipe, make_stimulus
from voicecheck.programme import DEFAULT_RECIPE, make_programme
from voicecheck.records import Programme, Recipe, Recording
from voicecheck.records.benches import FIRST_RECEIVE_DBM
from voicecheck.records.signals import PATHS
from voicecheck.records.terms import check_word
from voicecheck.units import TALK_LEVEL_DBPA, db_from_ratio

NOTED_DB = 0.5
TONE_SET_DBFS, TONE_SET_S = -6.0, 7.0
"""Highest peak of many tones at once, 10 dB over their RMS, and how long they last."""
TRIAL_DBFS, TRIAL_S, INPUT_PEAK_DBFS = -24.0, 2.5, -9.0
"""How softly they begin, and what peak the louder of two inputs is to have (PROP)."""
LOOP_DBFS = -12.0
MOUTH_DBFS = -20.0
"""Where the mouth is not calibrated yet (PROP)."""
UNKNOWN_RECEIVE_DBFS = -40.0
"""-30 dBm where full scale is +10 dBm, as taken for an output that was never calibrated."""
HEADROOM_DB = 6.1
"""How far the programme's loudest block is above its nominal level, and a little."""


def play_tone_set(
    play: Callable[[Programme], tuple[Recording, Recording]], rate_hz: int, cap_dbfs: float
) -> tuple[Programme, tuple[Recording, Recording]]:
    """
    Many tones at once, first softly, then as loud as both inputs bear and weak ones stronger.

    Parameters
    ----------
    play : callable
        Given what is to be played, line tap and ear.
    rate_hz : int
    cap_dbfs : float
        Of the output.

    Returns
    -------
    programme : Programme
    tap, ear : pair of Recording

    Raises
    ------
    As `play`.
    """
    soft = play(make_tone_set(rate_hz, TRIAL_DBFS, TRIAL_S))
    peak = max(float(np.max(np.abs(one.samples), initial=1e-6)) for one in soft)
    wanted_dbfs = TRIAL_DBFS + INPUT_PEAK_DBFS - db_from_ratio(peak)
    peak_dbfs = min(TONE_SET_DBFS, cap_dbfs, wanted_dbfs)
    strengths = choose_strengths(soft, TRIAL_S)
    programme = make_tone_set(rate_hz, peak_dbfs, TONE_SET_S, strengths)
    return programme, play(programme)


def play_stimulus(
    play: Callable[[Programme], tuple[Recording, Recording]], rate_hz: int, cap_dbfs: float
) -> tuple[Programme, tuple[Recording, Recording]]:
    """
    The tones of the electrical check, all of them, at the level that parts are measured with.

    Parameters
    ----------
    play, rate_hz, cap_dbfs
        As `play_tone_set`.

    Returns
    -------
    programme : Programme
    before, across : pair of Recording

    Raises
    ------
    As `play`.
    """
    level_dbfs = min(LOOP_DBFS, cap_dbfs)
    recipe = make_recipe("ends", rate_hz=rate_hz, level_dbfs=level_dbfs, cap_dbfs=cap_dbfs)
    programme = make_stimulus(recipe)
    return programme, play(programme)


def choose_programme(
    bench: HardwareBench, path: str, receive_dbm: float, recipe: Recipe | None = None
) -> tuple[Programme, tuple[str, ...]]:
    """
    The default programme at the level that suits a path, within the output's cap.

    Parameters
    ----------
    bench : HardwareBench
    path : str
    receive_dbm : float
        Nominal level to a receiver.
    recipe : Recipe, optional
        Rate, level and cap are the bench's.

    Returns
    -------
    programme : Programme
        Talk level at a mouth that is calibrated, the level asked for to a receiver, and what is
        safe where it is not known.
    notes : tuple of str
        What could not be reached.

    Raises
    ------
    InputError
        There is no such path.
    """
    check_word(path, PATHS, "path")
    setup = bench.setup
    is_mouth = path in MOUTH_PATHS
    cap_dbfs = setup.mouth_cap_dbfs if is_mouth else setup.line_drive_cap_dbfs
    wanted_dbfs = choose_level_dbfs(bench, path, receive_dbm)
    made = dataclasses.replace(
        recipe or DEFAULT_RECIPE,
        rate_hz=setup.rate_hz,
        level_dbfs=min(wanted_dbfs, cap_dbfs - HEADROOM_DB),
        cap_dbfs=cap_dbfs,
    )
    programme = make_programme(made)
    # Making the mouth flat raises what it is weak at.
    peak_dbfs = db_from_ratio(float(np.max(np.abs(bench.make_sound(programme, path)))))
    if peak_dbfs > cap_dbfs:
        made = dataclasses.replace(made, level_dbfs=made.level_dbfs - (peak_dbfs - cap_dbfs) - 0.1)
        programme = make_programme(made)
    short_db = wanted_dbfs - made.level_dbfs
    if short_db < NOTED_DB:
        return programme, ()
    output = "mouth" if is_mouth else "line drive"
    note = (
        f"the level is {short_db:.1f} dB lower than wanted, to stay within the {output}'s cap of "
        f"{cap_dbfs:g} dBFS; turn its amplifier up and calibrate again for the full level"
    )
    return programme, (note,)


def choose_level_dbfs(bench: HardwareBench, path: str, receive_dbm: float) -> float:
    """Talk level at the mouth, what was asked for to a receiver, or what is safe while unknown."""
    if path == "loop":
        return LOOP_DBFS
    if path in MOUTH_PATHS and not bench.is_equalised:
        # The mouth itself is measured: what it was found to give before is in question.
        return MOUTH_DBFS
    level = receive_dbm if path == "receive" else TALK_LEVEL_DBPA
    found = bench.find_level_dbfs(path, level)
    if found is not None:
        return found
    if path == "receive":
        # As much more or less than the first level as was asked for.
        return UNKNOWN_RECEIVE_DBFS + receive_dbm - FIRST_RECEIVE_DBM
    return MOUTH_DBFS
