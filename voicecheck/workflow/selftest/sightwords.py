"""What a bench can tell, in sentences."""

from __future__ import annotations

from voicecheck.benchspread import FEWEST_CHECKS
from voicecheck.records.benchsight import BenchSight
from voicecheck.verdicts.differences import FLOOR

TITLE = "What this bench can tell"
LEAST_MS, LEAST_PPM, LEAST_DB = 0.001, 0.05, 0.001
"""What is smaller is not worth a number."""
FLOOR_DB = FLOOR["level"]


def say_sight(sight: BenchSight) -> tuple[str, ...]:
    """
    Sentences for who works at the bench.

    Parameters
    ----------
    sight : BenchSight

    Returns
    -------
    tuple of str
        One for each thing that it can tell, with what it cannot.
    """
    told = (_say_level(sight), _say_days(sight), _say_thd(sight), _say_noise(sight),
            _say_latency(sight), _say_clocks(sight))  # fmt: skip
    return tuple(line for line in told if line)


def _say_level(sight: BenchSight) -> str:
    if sight.level_change_db is None or sight.curve_change_db is None:
        return "Level: not known; it takes six takes at least to say which change is real."
    return (
        "Level: on one day, with the wires left alone, a change of the mean level is real from "
        f"{_db(sight.level_change_db)} on{_say_found(sight.level_found_db)}, anywhere along the "
        f"curve from {_db(sight.curve_change_db)} on. Smaller ones cannot be told from chance."
        f"{_say_scatter(sight.gain_sd_db)}"
    )


def _say_found(found_db: float | None) -> str:
    return "" if found_db is None else f" (most that are over {_db(found_db)} are found)"


def _say_scatter(sd_db: float | None) -> str:
    """What single takes scatter; a comparison never rests on less than a floor of its own."""
    if sd_db is None:
        return ""
    size = f"{sd_db:.3f} dB" if sd_db >= LEAST_DB else f"less than {LEAST_DB:g} dB"
    return (
        f" Single takes scatter by {size}; a comparison never counts on less than {FLOOR_DB:g} dB."
    )


def _say_days(sight: BenchSight) -> str:
    if sight.level_change_days_db is None:
        return ""
    why = (
        f"a usual scatter is taken from day to day, since there are {sight.n_days} daily checks of "
        f"the loop-back and {FEWEST_CHECKS} are needed"
        if sight.are_days_stated
        else f"by {sight.n_days} daily checks"
    )
    return (
        f"From one day to another: a change of {_db(sight.level_change_days_db)} of the mean level "
        f"({why}). Mouth, ear and seat of a set come on top."
    )


def _say_thd(sight: BenchSight) -> str:
    if sight.thd_percent is None or sight.worst_thd_percent is None or sight.worst_thd_hz is None:
        return ""
    return (
        f"Distortion: the bench itself makes or hides {_percent(sight.thd_percent)} at 1000 Hz, "
        f"and {_percent(sight.worst_thd_percent)} where it is worst ({sight.worst_thd_hz:.0f} Hz). "
        "What a set distorts less than that cannot be told from the bench."
    )


def _say_noise(sight: BenchSight) -> str:
    noise, of_set, unit = sight.noise_dbm, sight.set_noise_dbm, "dBm"
    if noise is None:
        noise, of_set, unit = sight.noise_dbfs, sight.set_noise_dbfs, "dB re full scale"
    if noise is None:
        return ""
    told = f"Noise: the bench itself has {noise:.1f} {unit}, as the ear weighs it."
    if of_set is None:
        return told
    return f"{told} A set with less than {of_set:.1f} {unit} cannot be told from it."


def _say_latency(sight: BenchSight) -> str:
    if sight.latency_ms is None or sight.latency_range_ms is None:
        return ""
    moves = (
        f"within {sight.latency_range_ms:.3f} ms from take to take"
        if sight.latency_range_ms >= LEAST_MS
        else "the same in every take"
    )
    return f"Delay: {sight.latency_ms:.2f} ms, {moves}. The program finds it anew in every take."


def _say_clocks(sight: BenchSight) -> str:
    if sight.drift_ppm is None:
        return ""
    if abs(sight.drift_ppm) < LEAST_PPM:
        return "Clocks: recorder and player run alike."
    return (
        f"Clocks: recorder and player differ by {sight.drift_ppm:+.1f} millionths. The program "
        "finds that in every take, too."
    )


def _db(value: float) -> str:
    return f"{value:.2f} dB" if value < 1.0 else f"{value:.1f} dB"


def _percent(value: float) -> str:
    """Two figures of a share that may be very small."""
    return f"{value:.2g} %" if value >= 0.001 else "less than 0.001 %"
