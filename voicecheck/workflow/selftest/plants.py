"""Sound of known answer, measured through the whole chain."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np

from voicecheck.measure import measure_recording
from voicecheck.programme import make_programme
from voicecheck.records import Measurement, Programme, Recording
from voicecheck.records.arrays import Array
from voicecheck.workflow.selftest.knownplant import (
    LEAD_SAMPLES,
    RATE_HZ,
    TAIL_SAMPLES,
    KnownPlant,
    make_noise,
)
from voicecheck.workflow.selftest.tasks import REPORT_IT, Task, Tried, hold

Play = Callable[[Programme], Recording]
LEVEL_DB, THD_PERCENT, NOISE_DB = 0.02, 2.0, 0.5
"""What may be wrong: a fifth of a tenth of a decibel; 2 % of THD; noise as short silences tell."""
VOICE_HZ = (200.0, 4000.0)
WHITE_DBFS, HUM_DBFS, HUM_HZ = -60.0, -50.0, 50.0
DRIFT_PPM, DELAY_MS, WRONG_PPM, WRONG_MS = 40.0, 25.0, 0.1, 0.01
STRETCHED_FROM, STRETCHED_TO = 1_000_000, 1_000_040
PULSES_PER_S, BREAK_PERCENT, DIALLED = 10.0, 60.0, "374"
KEYS = {"5": (770.0, 1336.0), "*": (941.0, 1209.0), "3": (697.0, 1477.0)}
"""Pairs of tones of ITU-T Q.23."""
RESONANT = KnownPlant(square=0.0, cube=0.0, peak_hz=1000.0)
ALGEBRA = "closed form (algebra of a polynomial and of the bilinear transform)"


def list_plant_tasks(play: Play | None = None) -> tuple[Task, ...]:
    """
    What is measured of sound whose answer is known.

    Parameters
    ----------
    play : callable, optional
        Stands in for the plant, to see that a wrong one is noticed.

    Returns
    -------
    tuple of Task
    """
    plant = KnownPlant()
    programme = cache(make_programme)

    @cache
    def measured() -> Measurement:
        return measure_recording(programme(), (play or plant.record)(programme()))

    def task(name: str, title: str, run: Callable[[], Tried], source: str = ALGEBRA) -> Task:
        return Task(group="measuring", name=name, title=title, run=run, source=source)

    return (
        task("curve", "The curve of a known filter",
             lambda: try_curve(plant, programme(), measured())),
        task("resonance", "The curve of a narrow resonance, as of an undamped receiver",
             lambda: try_curve(RESONANT, programme(),
                               measure_recording(programme(), RESONANT.record(programme())))),
        task("distortion", "The distortion of a known curve",
             lambda: try_distortion(plant, programme(), measured())),
        task("steps", "Seven levels of a tone, bent by a known curve",
             lambda: try_steps(plant, programme(), measured())),
        task("noise", "Noise and hum of known level", lambda: try_noise(programme()),
             "power of white noise in a band"),
        task("clocks", "Two clocks that differ, and a known delay",
             lambda: try_clocks(programme()), "band-limited sound read on another clock (Fourier)"),
        task("dial", "Dial pulses of known count, speed and break", try_dial,
             "the instants at which a tone is cut"),
        task("keypad", "Keypad tones", try_keypad, "pairs of ITU-T Q.23"),
    )  # fmt: skip


def try_curve(plant: KnownPlant, programme: Programme, measured: Measurement) -> Tried:
    """Level at every point from 200 to 4000 Hz."""
    response = measured.response
    if response is None:
        return _missing("the curve")
    amplitude = programme.blocks_of("sweep")[0].peak
    true_db = plant.fundamental_db(response.frequency_hz, amplitude)
    worst_db = _largest(response.level_db - true_db)
    return hold("the curve", worst_db, most=LEVEL_DB, unit="dB", name="worst_error_db")


def try_distortion(plant: KnownPlant, programme: Programme, measured: Measurement) -> Tried:
    """THD at every frequency, as a share of the true one."""
    part = measured.distortion
    if part is None:
        return _missing("the distortion")
    true = plant.thd_percent(part.frequency_hz, programme.blocks_of("sweep")[0].peak)
    wrong = 100.0 * _largest(part.thd_percent / true - 1.0)
    return hold(
        f"THD of {np.min(true):.2f} to {np.max(true):.2f} %", wrong, most=THD_PERCENT,
        unit="% of it", name="worst_error_percent",
    )  # fmt: skip


def try_steps(plant: KnownPlant, programme: Programme, measured: Measurement) -> Tried:
    """Level of each step."""
    steps = measured.linearity
    if steps is None:
        return _missing("the level of the steps")
    played_db = programme.recipe.level_dbfs + steps.input_db
    bent_db = plant.fundamental_db(
        np.full(len(played_db), steps.frequency_hz), 10.0 ** (played_db / 20.0)
    )
    worst_db = _largest(steps.output_db - played_db - bent_db)
    return hold("the level of the steps", worst_db, most=LEVEL_DB, unit="dB", name="worst_error_db")


def try_noise(programme: Programme) -> Tried:
    """White noise and a hum of 50 Hz over a wire."""
    sound = np.concatenate([np.zeros(LEAD_SAMPLES), programme.samples, np.zeros(TAIL_SAMPLES)])
    time_s = np.arange(len(sound)) / RATE_HZ
    hum = 10.0 ** (HUM_DBFS / 20.0) * np.sin(2.0 * np.pi * HUM_HZ * time_s)
    sound = sound + hum + make_noise(len(sound), WHITE_DBFS)
    noise = measure_recording(programme, Recording(samples=sound, rate_hz=RATE_HZ)).noise
    if noise.flat_dbfs is None or noise.mains_dbfs is None:
        return _missing("noise or hum")
    # White noise has the same power in every hertz up to half the rate.
    in_band_db = WHITE_DBFS + 10.0 * np.log10((VOICE_HZ[1] - VOICE_HZ[0]) / (0.5 * RATE_HZ))
    return join(
        hold("noise", noise.flat_dbfs - in_band_db, most=NOISE_DB, unit="dB", name="error_db"),
        hold("hum", noise.mains_dbfs - HUM_DBFS, most=NOISE_DB, unit="dB", name="hum_error_db"),
    )


def try_clocks(programme: Programme) -> Tried:
    """A recorder whose clock is 40 millionths fast, behind a delay of 25 ms."""
    from scipy.signal import resample

    sound = np.zeros(STRETCHED_FROM)
    sound[LEAD_SAMPLES : LEAD_SAMPLES + len(programme.samples)] = 0.5 * programme.samples
    # Exact: the sound is band-limited and begins and ends in silence.
    late = np.asarray(resample(sound, STRETCHED_TO))
    take = Recording(samples=late + make_noise(len(late), -95.0), rate_hz=RATE_HZ)
    timing = measure_recording(programme, take).timing
    if timing is None:
        return _missing("the delay")
    drift = hold(
        "the difference of the clocks", timing.drift_ppm - DRIFT_PPM, most=WRONG_PPM,
        unit="millionths", name="drift_error_ppm",
    )  # fmt: skip
    delay = hold(
        "the delay", 1e3 * timing.latency_s - DELAY_MS * (1.0 + 1e-6 * DRIFT_PPM), most=WRONG_MS,
        unit="ms", name="delay_error_ms",
    )  # fmt: skip
    return join(drift, delay)


def try_dial() -> Tried:
    """Three digits, cut out of a tone."""
    from voicecheck.checkout.dial.measure import measure_dial

    time_s = np.arange(6 * RATE_HZ) / RATE_HZ
    is_closed = np.ones(len(time_s))
    begin_s = 1.0
    for digit in map(int, DIALLED):
        for pulse_s in begin_s + np.arange(digit) / PULSES_PER_S:
            end_s = pulse_s + BREAK_PERCENT / 100.0 / PULSES_PER_S
            is_closed[(time_s >= pulse_s) & (time_s < end_s)] = 0.0
        begin_s += digit / PULSES_PER_S + 0.8
    sound = 0.3 * np.sin(2000.0 * np.pi * time_s) * is_closed + make_noise(len(time_s), -80.0)
    read = measure_dial(Recording(samples=sound, rate_hz=RATE_HZ))
    if read.number != DIALLED or read.pulses_per_s is None or read.break_percent is None:
        told = f"{DIALLED} was dialled, {read.number or 'nothing'} was read"
        return Tried(outcome="fails", told=told, advice=REPORT_IT)
    speed = hold("the speed", read.pulses_per_s - PULSES_PER_S, most=0.02, unit="pulses a second",
                 name="speed_error_pps")  # fmt: skip
    share = hold("the break", read.break_percent - BREAK_PERCENT, most=0.5, unit="%",
                 name="break_error_percent")  # fmt: skip
    return join(speed, share)


def try_keypad() -> Tried:
    """Three keys of a keypad."""
    from voicecheck.checkout.tones.measure import measure_tones

    time_s = np.arange(RATE_HZ // 10) / RATE_HZ
    pause = np.zeros(len(time_s))
    parts: list[Array] = [pause]
    for pair in KEYS.values():
        parts += [sum((0.2 * np.sin(2.0 * np.pi * hz * time_s) for hz in pair), pause), pause]
    sound = np.concatenate(parts)
    sound = sound + make_noise(len(sound), -80.0)
    heard = measure_tones(Recording(samples=sound, rate_hz=RATE_HZ))
    digits = "".join(one.digit or "" for one in heard.events if one.kind == "dtmf")
    pressed = "".join(KEYS)
    is_right = digits == pressed
    return Tried(
        outcome="passes" if is_right else "fails",
        told=f"keys {pressed} were sent, {digits or 'none'} heard",
        advice="" if is_right else REPORT_IT,
    )


def join(*tried: Tried) -> Tried:
    """Several findings as one, which passes when all do."""
    failed = [one for one in tried if one.outcome == "fails"]
    return Tried(
        outcome="fails" if failed else "passes",
        told="; ".join(one.told for one in tried),
        advice=failed[0].advice if failed else "",
        figures={name: value for one in tried for name, value in one.figures.items()},
    )


def _missing(what: str) -> Tried:
    return Tried(outcome="fails", told=f"{what} was not measured", advice=REPORT_IT)


def _largest(errors: Array) -> float:
    """Size of the largest error; a point that was withheld is an error without end."""
    return float(np.max(np.abs(np.nan_to_num(errors, nan=np.inf))))
