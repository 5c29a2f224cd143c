"""Steady tones to calibrate with, and the level of one that came back."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from voicecheck.errors import InputError, RecordingError
from voicecheck.fourier import raise_cosine
from voicecheck.records import Block, Programme, Recipe, Recording
from voicecheck.records.arrays import Array
from voicecheck.units import ratio_from_db

FADE_S = 0.05
SETTLE_S = 0.5
MOST_ROUNDS = 12
QUIET_PEAK = 1e-5


@dataclass(frozen=True, slots=True, kw_only=True)
class SineFit:
    """
    The sine nearest to a stretch of samples.

    Parameters
    ----------
    frequency_hz, amplitude, phase_rad, offset : float
        Amplitude and offset in full-scale units, the phase that of a cosine at the first sample.
    residual_rms : float
        What is left without it, full-scale units.
    uncertainty_db : float
        Half-width of a 95 % interval of the amplitude, from the residual.
    """

    frequency_hz: float
    amplitude: float
    phase_rad: float
    offset: float
    residual_rms: float
    uncertainty_db: float


def make_tone(rate_hz: int, frequency_hz: float, level_dbfs: float, length_s: float) -> Programme:
    """
    A steady tone as a programme of one block, faded in and out.

    Parameters
    ----------
    rate_hz : int
    frequency_hz : float
        0 gives silence, to listen without playing.
    level_dbfs : float
        Of the sine, re a full-scale one.
    length_s : float

    Returns
    -------
    Programme
        Its recipe states rate and level only: it cannot be made again from it.

    Raises
    ------
    InputError
        A value is out of range.
    """
    if not 0.0 <= frequency_hz < 0.45 * rate_hz or not 0.0 < length_s <= 600.0:
        message = (
            f"tone: need 0 to {0.45 * rate_hz:.0f} Hz and up to 600 s, "
            f"got {frequency_hz} Hz and {length_s} s"
        )
        raise InputError(message)
    time_s = np.arange(round(length_s * rate_hz)) / rate_hz
    shape = raise_cosine(np.minimum(time_s, time_s[-1] - time_s) / FADE_S)
    amplitude = ratio_from_db(level_dbfs)
    samples = amplitude * shape * np.sin(2.0 * np.pi * frequency_hz * time_s)
    kind = "tone" if frequency_hz else "silence"
    block = Block(
        kind=kind,
        start_s=0.0,
        end_s=length_s,
        peak=amplitude if frequency_hz else 0.0,
        from_hz=frequency_hz or None,
        to_hz=frequency_hz or None,
    )
    recipe = Recipe(rate_hz=rate_hz, level_dbfs=level_dbfs)
    return Programme(recipe=recipe, blocks=(block,), samples=samples)


def fit_sine(samples: Array, rate_hz: float, near_hz: float) -> SineFit:
    """
    Least-squares fit of amplitude, phase, offset and frequency.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
        Full-scale units, at least ten periods.
    rate_hz : float
    near_hz : float
        The nominal frequency; the fit searches within 5 % of it.

    Returns
    -------
    SineFit

    Raises
    ------
    RecordingError
        Kind "no-signal": there is no such tone.

    Notes
    -----
    Gauss-Newton on the four parameters, as IEEE Std 1057 describes for converters (MEM). The
    variance of the amplitude of a sine in white noise is 2 sigma^2 / n (closed form).

    Examples
    --------
    >>> time_s = np.arange(4800) / 48000
    >>> fit = fit_sine(0.5 * np.sin(2 * np.pi * 1000.7 * time_s), 48000, 1000)
    >>> round(fit.amplitude, 9), round(fit.frequency_hz, 6)
    (0.5, 1000.7)
    """
    n_samples = len(samples)
    if n_samples < 10.0 * rate_hz / near_hz or float(np.max(np.abs(samples))) < QUIET_PEAK:
        message = f"no tone of {near_hz:.0f} Hz came in: check the connections and record again"
        raise RecordingError(message, "no-signal")
    frequency_hz = _find_peak_hz(samples, rate_hz, near_hz)
    # Time counted from the middle: then frequency and phase hardly disturb each other.
    middle = 0.5 * (n_samples - 1)
    time_s = (np.arange(n_samples, dtype=np.float64) - middle) / rate_hz
    parts: Array = np.zeros(3)
    for _ in range(MOST_ROUNDS):
        angle = 2.0 * np.pi * frequency_hz * time_s
        cosine, sine = np.cos(angle), np.sin(angle)
        slope = 2.0 * np.pi * time_s * (parts[1] * cosine - parts[0] * sine)
        columns = [cosine, sine, np.ones(n_samples)]
        if np.any(parts):
            columns.append(slope)
        found, *_ = np.linalg.lstsq(np.column_stack(columns), samples, rcond=None)
        parts = np.asarray(found[:3], dtype=np.float64)
        step_hz = float(found[3]) if len(found) > 3 else math.inf
        if math.isfinite(step_hz):
            frequency_hz += step_hz
        if abs(step_hz) < 1e-9 * near_hz:
            break
    return _describe_fit(samples, time_s, frequency_hz, parts)


def _describe_fit(samples: Array, time_s: Array, frequency_hz: float, parts: Array) -> SineFit:
    angle = 2.0 * np.pi * frequency_hz * time_s
    model = parts[0] * np.cos(angle) + parts[1] * np.sin(angle) + parts[2]
    residual_rms = float(np.sqrt(np.mean((samples - model) ** 2)))
    amplitude = math.hypot(parts[0], parts[1])
    spread = 2.0 * residual_rms * math.sqrt(2.0 / len(samples)) / max(amplitude, 1e-12)
    return SineFit(
        frequency_hz=frequency_hz,
        amplitude=amplitude,
        phase_rad=math.atan2(-parts[1], parts[0]) + float(angle[0]),
        offset=float(parts[2]),
        residual_rms=residual_rms,
        uncertainty_db=20.0 * math.log10(1.0 + spread),
    )


def _find_peak_hz(samples: Array, rate_hz: float, near_hz: float) -> float:
    """Frequency of the largest line within 5 % of the nominal one, by a parabola in dB."""
    n_samples = len(samples)
    window = np.hanning(n_samples)
    power = np.abs(np.fft.rfft(window * samples)) ** 2 + 1e-300
    step_hz = rate_hz / n_samples
    first = max(1, math.floor(0.95 * near_hz / step_hz))
    last = min(len(power) - 2, math.ceil(1.05 * near_hz / step_hz))
    top = first + int(np.argmax(power[first : last + 1]))
    before, here, after = np.log(power[top - 1 : top + 2])
    bend = before - 2.0 * here + after
    shift = 0.5 * (before - after) / bend if bend < 0.0 else 0.0
    return (top + float(np.clip(shift, -0.5, 0.5))) * step_hz


def cut_steady(recording: Recording, length_s: float) -> Array:
    """
    The steady part of a tone that was played for `length_s`, wherever it lies in the recording.

    Parameters
    ----------
    recording : Recording
    length_s : float

    Returns
    -------
    ndarray, shape (n_samples,)
        The loudest stretch of that length without its first and last half second.

    Raises
    ------
    RecordingError
        Kind "stops-early": the recording is too short.
    """
    return recording.samples[find_steady(recording, length_s)]


def find_steady(recording: Recording, length_s: float) -> slice:
    """
    Where that part lies, to cut another channel of the same take at the same place.

    Returns
    -------
    slice
        Of samples.

    Raises
    ------
    RecordingError
        As `cut_steady`.
    """
    rate_hz = recording.rate_hz
    want, edge = round(length_s * rate_hz), round(SETTLE_S * rate_hz)
    if len(recording.samples) < want or want <= 2 * edge:
        message = (
            f"the recording is {recording.duration_s:.1f} s long, {length_s:.1f} s are needed; "
            "record again"
        )
        raise RecordingError(message, "stops-early")
    energy = np.concatenate([[0.0], np.cumsum(recording.samples**2)])
    start = int(np.argmax(energy[want:] - energy[:-want]))
    return slice(start + edge, start + want - edge)
