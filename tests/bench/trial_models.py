# mypy: disable-error-code="arg-type,operator,type-arg"
"""
Trials of simulated telephones at the level of figures: closed forms of the models, no sound.

A take costs a millisecond in place of a third of a second. `tests/bench/trials.py --through-sound`
holds some against the same trials through sound.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from voicecheck.bench.simulated.bench import SimulatedBench
from voicecheck.bench.simulated.mechanics import (
    compute_coupler,
    compute_distance_ratio,
    compute_lowpass,
)
from voicecheck.bench.simulated.receiver import FIELD_PER_V
from voicecheck.bench.simulated.transmitter import CarbonElement, compute_line_noise_v2
from voicecheck.bench.simulated.trialled import prepare_trial_bench
from voicecheck.checkout.crackling import EDGE_S, HALF_S
from voicecheck.verdicts.trials import get_trial
from voicecheck.workflow.trials import SILENT_DB

LOW_HZ, MID_HZ, HIGH_HZ = (
    np.geomspace(300.0, 600.0, 4), np.geomspace(700.0, 1900.0, 6), np.geomspace(2000.0, 3300.0, 5)
)  # fmt: skip
VOICE_HZ = np.geomspace(300.0, 3400.0, 40)
TALK_PA, FULL_SCALE_V = 0.58, 2.0
LINE_V = 0.05
READ_DB, METER = 0.1, 0.01
TAKE_S = 6.0


def play_trial(
    name: str, handset: str, seed: int, feed_ma: float = 40.0
) -> list[dict[str, float | None]]:
    """Figures of each take of a trial on one simulated telephone."""
    rng = np.random.default_rng([seed, 77])
    kind = get_trial(name)
    found = []
    for step in kind.step:
        feed = step.feed_ma or feed_ma
        bench = prepare_trial_bench(
            handset, seed=seed, feed_ma=feed, state=step.state, seat=step.seat, at_min=step.at_min
        )
        figures = (
            read_crackle(bench, rng)
            if kind.figure == "crackle"
            else read_levels(bench, kind.path, step.seat, rng)
        )
        found.append({**figures, "feed_ma": feed})
    return found


def read_crackle(bench: SimulatedBench, rng: Any) -> dict[str, float | None]:
    model, span_s = bench.seat(1), HALF_S - 2 * EDGE_S
    fault = model.disturbances
    is_alive = isinstance(model.transmitter, CarbonElement)
    rate = fault.frying_per_s * is_alive + fault.crackle_per_s + fault.dropout_per_s
    rate += fault.step_per_s * 0.5
    counts = [float(rng.poisson(0.85 * rate * span_s)) for _ in range(2)]
    return {"quiet_events": counts[0], "sounding_events": counts[1]}


def read_levels(bench: SimulatedBench, path: str, seat: int, rng: Any) -> dict[str, float | None]:
    model = bench.seat(seat)
    current_a = bench.find_current_a(model)
    sent = {name: talk(model, current_a, hz) for name, hz in
            (("low", LOW_HZ), ("level", MID_HZ), ("high", HIGH_HZ))}  # fmt: skip
    if path == "receive":
        level = float(np.mean(listen(model, MID_HZ, LINE_V)))
        figures = {"level_db": 20 * np.log10(level / LINE_V), "thd_percent": hear_thd(model)}
    else:
        level_v, thd = sent["level"]
        if path == "sidetone":
            line_ohm = np.full(len(MID_HZ), model.load_ohm + 0j)
            if model.cable is not None:
                line_ohm = model.cable.compute_input_ohm(MID_HZ, model.load_ohm)
            own = level_v * np.abs(model.network.couple_sidetone(MID_HZ, line_ohm))
            level_v = listen(model, MID_HZ, 1.0) * own
        elif model.cable is not None:
            level_v = level_v * np.abs(model.cable.compute_insertion(MID_HZ))
        power = float(np.mean(level_v**2))
        figures = {
            "level_db": 10 * np.log10(power + 1e-12) - 20 * np.log10(TALK_PA),
            "thd_percent": max(thd, 0.1),
            "noise_db": read_noise(model, current_a),
            "tilt_db": 20 * np.log10(np.mean(sent["high"][0]) / np.mean(sent["low"][0])),
        }
    fault = model.disturbances
    if fault.step_per_s:
        figures["level_db"] -= fault.step_db * rng.beta(2.0, 2.0)
    figures["level_db"] += READ_DB * rng.standard_normal()
    if "noise_db" in figures:
        figures["noise_db"] += 0.4 * rng.standard_normal()
    if figures["level_db"] < -40.0 and path != "receive":
        figures = {"level_db": SILENT_DB}
    return {**figures, "loop_ma": 1e3 * current_a * (1 + METER * rng.standard_normal())}


def talk(model: Any, current_a: float, hz: Any) -> tuple[Any, float]:
    """RMS volts on the line at talking level at some frequencies, and THD."""
    jig, element = model.jig, model.transmitter
    pressure = TALK_PA * jig.mouth_ratio * compute_distance_ratio(jig.mouth_mm) * jig.muffle_ratio
    pressure = np.full(len(hz), pressure)
    if jig.muffle_hz:
        pressure = pressure * np.abs(compute_lowpass(hz, jig.muffle_hz))
    if model.is_swapped:
        return pressure * 1e-4, 1.0
    pressure = pressure * np.abs(element.diaphragm.respond_relative(hz, element.nominal))
    if isinstance(element, CarbonElement):
        loose = pressure**2 / element.loosening_pa**2
        pressure = pressure * (
            element.stuck_ratio + (1 - element.stuck_ratio) * loose / (1 + loose)
        )
        peak = pressure * np.sqrt(2.0)
        held = peak / (1 + (peak / element.stop_pa) ** 4) ** 0.25
        ohm = element.compute_ohm(current_a)
        depth = ohm / (ohm + model.network.seen_ohm) * element.modulate(held)
        swing = current_a * depth
        thd = 50.0 * float(np.mean(depth)) + 30.0 * float(np.mean(1 - held / peak))
    else:
        peak = pressure * np.sqrt(2.0)
        swing = np.abs(element.compute_current(peak, current_a, 0.0))
        small = element.current_a_per_pa * peak
        alive = 1 / (1 + np.exp(min((element.least_a - current_a) / 0.7e-3, 60.0)))
        thd = 1.0 + 30.0 * float(np.mean(np.maximum(0.0, 1 - swing / (small * alive))))
    volts = swing / np.sqrt(2.0) * model.network.transfer_ohm * model.network.send_ratio
    return volts * model.send_ratio * jig.gain_ratio, thd


def listen(model: Any, hz: Any, line_v: float) -> Any:
    """RMS pascals at the ear for volts that reach the receiver."""
    receiver = model.receiver
    drive = line_v * model.receive_ratio * model.network.receive_ratio
    limited = drive / np.sqrt(1 + (drive / receiver.limit_v) ** 2)
    shape = np.abs(receiver.diaphragm.respond_relative(hz, receiver.nominal))
    coupler = np.abs(
        compute_coupler(hz, volume_cm3=model.jig.coupler_cm3, leak_hz=model.jig.leak_hz)
    )
    return limited * receiver.magnet * receiver.pa_per_v * shape * coupler


def hear_thd(model: Any) -> float:
    return float(50.0 * FIELD_PER_V * LINE_V / model.receiver.magnet)


def read_noise(model: Any, current_a: float) -> float:
    density = compute_line_noise_v2(model.transmitter, model.network, VOICE_HZ, current_a)
    power = float(np.trapezoid(density, VOICE_HZ)) * model.send_ratio**2
    fault = model.disturbances
    power += fault.mains_v**2 * (not fault.stray_hum) + fault.buzz_v**2
    power += (fault.room_pa * 0.02) ** 2 + (fault.babble_pa * 0.02) ** 2
    if fault.frying_per_s and isinstance(model.transmitter, CarbonElement):
        power *= 1 + 0.8 * fault.frying_per_s
    if fault.crackle_per_s:
        power += fault.crackle_per_s * (0.5 * current_a * fault.crackle_ohm) ** 2 * 3e-3
    return float(10 * np.log10(power / FULL_SCALE_V**2 * 2 + 1e-10))
