"""What a bench can tell and what it cannot, from repeated takes without a set."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchSight:
    """
    The smallest things that a bench can tell from its own doings.

    Whatever could not be had is `None`. A standard deviation is of single takes about their mean.

    Parameters
    ----------
    bench : str
    n_takes : int
        Takes that a response could be measured on.
    gain_db, gain_sd_db : float or None
        Mean level at 1 kHz from output to input, dB re full scale both ways or in the unit of its
        calibration, and what it scatters.
    level_change_db, curve_change_db : float or None
        Smallest change of the mean level of the speech band, and of any point of the curve, that a
        comparison calls real at 95 %: same day, same wires, three takes on either side.
    level_found_db : float or None
        A change of the mean level that is found in most such comparisons; one as large as
        `level_change_db` is in about half.
    level_change_days_db : float or None
        The same between two days.
    n_days : int
        Daily checks that tell of the days; below `benchspread.FEWEST_CHECKS` a stated scatter
        stands in.
    are_days_stated : bool
    thd_percent, worst_thd_percent, worst_thd_hz : float or None
        Distortion of the bench itself at 1 kHz, and where it is worst from 300 to 3000 Hz; where
        noise hides it, what it is less than. A set that distorts less is not told from the bench.
    noise_dbfs, noise_dbm : float or None
        Psophometric noise of the bench, mean power of the takes.
    set_noise_dbfs, set_noise_dbm : float or None
        The least noise of a set that lifts the bench's by more than a comparison's interval.
    latency_ms, latency_sd_ms, latency_range_ms : float or None
        From the first sample played to its arrival.
    drift_ppm, drift_sd_ppm : float or None
        Difference of the two clocks.
    n_comparisons, n_false : int
        Comparisons of takes with the takes after them, nothing having been touched, and how many
        of these called a change real.
    """

    bench: str
    n_takes: int
    gain_db: float | None = None
    gain_sd_db: float | None = None
    level_change_db: float | None = None
    curve_change_db: float | None = None
    level_found_db: float | None = None
    level_change_days_db: float | None = None
    n_days: int = 0
    are_days_stated: bool = True
    thd_percent: float | None = None
    worst_thd_percent: float | None = None
    worst_thd_hz: float | None = None
    noise_dbfs: float | None = None
    noise_dbm: float | None = None
    set_noise_dbfs: float | None = None
    set_noise_dbm: float | None = None
    latency_ms: float | None = None
    latency_sd_ms: float | None = None
    latency_range_ms: float | None = None
    drift_ppm: float | None = None
    drift_sd_ppm: float | None = None
    n_comparisons: int = 0
    n_false: int = 0
