"""
What follows from the takes of a trial.

Each judge takes the figures of the steps in their order. Limits are PROP; how often each outcome is
right is counted in `tests/bench/trials.md`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

import numpy as np

from voicecheck.errors import InputError
from voicecheck.records.arrays import Array

Figures = Mapping[str, float | None]
Outcome = tuple[str, dict[str, float | None]]

SEAT_SD_DB, SEAT_DOF = 0.8, 4
"""What seats of sound carbon differ by (`carbon,repeat_sd_after_conditioning`, MEM), and what it
counts beside the six seats that were taken."""
T_99_OF_8 = 2.896
"""Student's t, one-sided 1 % at 8 degrees of freedom (standard table)."""
LEAST_GAIN_DB, MOST_SEAT_SD_DB = 1.5, 1.7
LEAST_EVENTS, LEFT_SHARE, SHAKEN_RATIO = 3, 0.3, 4.0
STARVED_RATIO, CUT_DB, FLAT_SLOPE, REGULATED_SLOPE = 0.66, 2.2, 0.25, 0.15
"""Carbon gains 2 to 5 dB from 20 to 30 mA, less above (`carbon,loop_current_gain_slope`, PROP)."""
BALANCED_DB, DEAD_DB = 2.6, 1.6
SWAP_SPREADS = {
    "level_db": 2.2,
    "thd_db": 2.4,
    "noise_db": 2.0,
    "tilt_db": 1.3,
    "loop_db": 0.9,
    "overload": 0.2,
}
"""What own set and element, sound ones, depart by from known ones, standard deviations (PROP)."""
CHI2_975 = {1: 5.02, 2: 7.38, 3: 9.35, 4: 11.14, 5: 12.83, 6: 14.45}
"""Chi-square at 97.5 %, by degrees of freedom (standard table)."""
CLEAR_SHARE = 0.3
"""By how much more of the difference must go with one of them than with the other."""
FADE_DB, SETTLED_DB, CURRENT_SHARE = 1.0, 0.5, 0.5
FINGER_DB, SILENT_DB = 5.5, -25.0
"""Silent is less than a thousandth of a sound receiver's pascals to the volt; without a calibration
only what cannot be found in the recording."""
RATIOS = {"thd_db": ("thd_percent", 0.05), "loop_db": ("loop_ma", 0.1)}
"""Where a figure in dB comes from, and the least of it that counts."""


def judge_trial(name: str, figures: Sequence[Figures]) -> Outcome:
    """
    Outcome of a trial.

    Parameters
    ----------
    name : str
    figures : sequence of mapping of str to float or None
        One for each step.

    Returns
    -------
    outcome : str
    figures : dict of str to float or None
        What it rests on.

    Raises
    ------
    InputError
        A figure that is needed could not be read.
    """
    return JUDGES[name](figures)


def _read(figures: Sequence[Figures], name: str) -> Array:
    values = [one.get(name) for one in figures]
    for number, value in enumerate(values, 1):
        if value is None or not math.isfinite(value):
            raise InputError(
                f"take {number} gave no {name.rpartition('_')[0].replace('_', ' ')}; "
                "the takes are kept, do the trial again"
            )
    return np.array(values, dtype=float)


def _judge_rap(figures: Sequence[Figures]) -> Outcome:
    level_db = _read(figures, "level_db")
    before, rapped = level_db[:3], level_db[3:]
    own = float(np.sum((before - before.mean()) ** 2) + np.sum((rapped - rapped.mean()) ** 2))
    sd_db = math.sqrt((own + SEAT_DOF * SEAT_SD_DB**2) / (4 + SEAT_DOF))
    gain_db = float(rapped.mean() - before.mean())
    limit_db = max(LEAST_GAIN_DB, T_99_OF_8 * sd_db * math.sqrt(2.0 / 3.0))
    told: dict[str, float | None] = {
        "gain_db": gain_db, "gain_limit_db": limit_db, "seat_sd_db": math.sqrt(own / 4)
    }  # fmt: skip
    if gain_db > limit_db:
        return "comes-back", told
    return ("jumps" if math.sqrt(own / 4) > MOST_SEAT_SD_DB else "stays"), told


def _judge_crackle(figures: Sequence[Figures]) -> Outcome:
    quiet = _read(figures, "quiet_events")
    sounding = _read(figures[:1], "sounding_events")[0]
    told: dict[str, float | None] = {
        "quiet_events": float(quiet[0]),
        "sounding_events": float(sounding),
        "resistor_events": float(quiet[1]),
    }
    if quiet[0] >= LEAST_EVENTS:
        return ("element" if quiet[1] < LEFT_SHARE * quiet[0] else "contact"), told
    if quiet[1] >= LEAST_EVENTS:
        return "contact", told
    is_shaken = sounding >= LEAST_EVENTS and sounding > SHAKEN_RATIO * quiet[0]
    return ("shaken" if is_shaken else "quiet"), told


def _judge_current(figures: Sequence[Figures]) -> Outcome:
    level_db, set_ma = _read(figures, "level_db"), _read(figures, "feed_ma")
    read = [one.get("loop_ma") for one in figures]
    known = [ma / feed for ma, feed in zip(read, set_ma, strict=True) if ma is not None]
    ratio = float(np.median(known)) if known else None
    current_db = 20.0 * np.log10(set_ma)
    slope = float(np.polyfit(current_db, level_db, 1)[0])
    upper = float(np.polyfit(current_db[1:], level_db[1:], 1)[0])
    drop_db = float(level_db[1] - level_db[0])
    thd = [one.get("thd_percent") for one in figures]
    first, last = thd[0], thd[-1]
    told: dict[str, float | None] = {
        "slope_db_per_db": slope,
        "upper_slope_db_per_db": upper,
        "drop_db": drop_db,
        "current_ratio": ratio,
        "thd_change_db": None if not first or not last else 20.0 * math.log10(last / first),
    }
    if ratio is not None and ratio < STARVED_RATIO:
        return "starved", told
    if drop_db > CUT_DB and upper < REGULATED_SLOPE:
        return "cuts-off", told
    return ("flat" if slope < FLAT_SLOPE else "follows"), told


def _judge_termination(figures: Sequence[Figures]) -> Outcome:
    level_db = _read(figures, "level_db")
    change_db = abs(float(np.mean(level_db[1::2] - level_db[::2])))
    outcome = "unclear"
    if change_db >= BALANCED_DB:
        outcome = "balanced"
    elif change_db < DEAD_DB:
        outcome = "dead"
    return outcome, {"change_db": change_db}


def _judge_swap(figures: Sequence[Figures]) -> Outcome:
    told: dict[str, float | None] = {}
    far = with_element = with_set = 0.0
    for name, spread in SWAP_SPREADS.items():
        values = [_on_scale(one, name) for one in figures]
        # The level of an overloaded take is withheld; where none is, that says nothing.
        if any(value is None for value in values) or (name == "overload" and not any(values)):
            continue
        own, other_element, other_set, known = (value or 0.0 for value in values)
        apart = (own - known) / spread
        told[f"apart_{name}"] = own - known
        far += apart**2
        # What goes with the element is what the known set has with it.
        with_element += apart * (other_set - known) / spread
        with_set += apart * (other_element - known) / spread
    told["element_share"] = share = with_element / far if far else 0.0
    told["set_share"] = left = with_set / far if far else 0.0
    n_figures = sum(name.startswith("apart") for name in told)
    if not n_figures:
        raise InputError("the takes gave no figure to compare; they are kept, do the trial again")
    if far < CHI2_975[n_figures]:
        return "nothing", told
    if abs(share - left) < CLEAR_SHARE:
        return "both", told
    return ("element" if share > left else "set"), told


def _on_scale(figures: Figures, name: str) -> float | None:
    """A figure in dB; distortion and current are ratios."""
    if name not in RATIOS:
        return figures.get(name)
    source, least = RATIOS[name]
    value = figures.get(source)
    return None if value is None else 20.0 * math.log10(max(value, least))


def _judge_ten_minutes(figures: Sequence[Figures]) -> Outcome:
    level_db = _read(figures, "level_db")
    whole_db = float(np.mean(level_db[-2:]) - level_db[0])
    late_db = float(np.mean(level_db[-2:]) - np.mean(level_db[2:4]))
    first, last = figures[0].get("loop_ma"), figures[-1].get("loop_ma")
    current_db = 20.0 * math.log10(last / first) if first and last else None
    told: dict[str, float | None] = {
        "drift_db": whole_db, "late_drift_db": late_db, "current_drift_db": current_db
    }  # fmt: skip
    if abs(whole_db) < FADE_DB:
        return "steady", told
    if current_db is not None and current_db < CURRENT_SHARE * whole_db < 0.0:
        return "current", told
    is_over = abs(late_db) < SETTLED_DB and abs(whole_db) < 2.0 * FADE_DB + SETTLED_DB
    return ("settles" if is_over else "element"), told


def _judge_finger(figures: Sequence[Figures]) -> Outcome:
    free_db = float(_read(figures[:1], "level_db")[0])
    if free_db < SILENT_DB:
        return "silent", {"level_db": free_db}
    level_db = _read(figures, "level_db")
    change_db = float(np.mean(level_db[::2] - level_db[1::2]))
    told: dict[str, float | None] = {"damped_by_db": change_db, "level_db": free_db}
    return ("free" if change_db > FINGER_DB else "stiff"), told


JUDGES: dict[str, Callable[[Sequence[Figures]], Outcome]] = {
    "rap": _judge_rap,
    "crackle": _judge_crackle,
    "current": _judge_current,
    "termination": _judge_termination,
    "swap": _judge_swap,
    "ten-minutes": _judge_ten_minutes,
    "finger": _judge_finger,
}
