"""What a bench can tell, in sentences."""

from __future__ import annotations

from voicecheck.benchspread import FEWEST_CHECKS
from voicecheck.records.benchsight import BenchSight

TITLE = "What this bench can tell"


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
        f"Level: on one day, with the wires left alone, a change of {_db(sight.level_change_db)} "
        f"of the mean level is real, and one of {_db(sight.curve_change_db)} anywhere along the "
        "curve. Smaller ones cannot be told from chance."
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
    return (
        f"Delay: {sight.latency_ms:.2f} ms, within {sight.latency_range_ms:.3f} ms from take to "
        "take. The program finds it anew in every take."
    )


def _say_clocks(sight: BenchSight) -> str:
    if sight.drift_ppm is None:
        return ""
    return (
        f"Clocks: recorder and player differ by {sight.drift_ppm:+.1f} millionths. The program "
        "finds that in every take, too."
    )


def _db(value: float) -> str:
    return f"{value:.2f} dB" if value < 1.0 else f"{value:.1f} dB"


def _percent(value: float) -> str:
    """Two figures of a share that may be very small."""
    return f"{value:.2g} %" if value >= 0.001 else "less than 0.001 %"
