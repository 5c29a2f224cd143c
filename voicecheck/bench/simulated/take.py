"""One take: from the played samples to what reaches the recorder's input, in volts or pascals."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from voicecheck.bench.simulated.disturbances import (
    compute_room_density,
    draw_babble,
    draw_buzz,
    draw_crackle,
    draw_dropouts,
    draw_frying,
    draw_howl,
    draw_hum,
    draw_noise,
    draw_steps,
)
from voicecheck.bench.simulated.draws import make_generator
from voicecheck.bench.simulated.grid import Grid, Spectrum
from voicecheck.bench.simulated.handset import HandsetModel
from voicecheck.bench.simulated.line import LOAD_OHM
from voicecheck.bench.simulated.mechanics import (
    compute_coupler,
    compute_distance_ratio,
    compute_highpass,
    compute_lowpass,
)
from voicecheck.bench.simulated.receiver import compute_receive
from voicecheck.bench.simulated.transmitter import (
    NOMINAL_A,
    CarbonElement,
    compute_line_noise_v2,
    compute_send,
)
from voicecheck.records.arrays import Array

BRIDGE_HZ = 20.0
ROOM_AT_MOUTH_PA, ROOM_AT_EAR_PA = 2e-4, 6e-4
"""20 and 29.5 dB SPL: a quiet enclosure and a coupler microphone, common practice, no source."""
COUPLER_LETS_IN = 0.1
"""What a sealed coupler lets in of the room, 20 dB down; common practice, no source."""
SWAPPED_SEND_V_PER_PA = 0.012
"""A receiver used as a transmitter, by reciprocity; common practice, no source."""
COIL_PA_PER_V = 8.4
"""A pickup coil, in pascals of the coupler microphone that it takes the place of."""
COIL_HUM_RATIO = 10.0
"""What the stray field gives in the coil re the same hum on the line; common practice."""
HOWL_V = 0.2
BAD_CONTACT_V_PER_A_OHM = 0.5
"""A step of resistance at the line is I dR / 2 (`cord,crackle_step_resistance`, PROP)."""
DROPOUT_CLICK_V = 0.4
EAR_PA_PER_CLICK_V = 1.7
"""Clicks reach the ear through the network; both sizes are common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """
    What one take needs to know.

    Parameters
    ----------
    model : HandsetModel
        Seated.
    grid : Grid
    current_a : float
        Direct current in the loop.
    seed, seat : int
    path : str
    ear : str
        "coupler" or "coil".
    factor : int
        Oversampling of the curves.
    is_noisy : bool
        False leaves out everything random but the individual and the seat.
    """

    model: HandsetModel
    grid: Grid
    current_a: float
    seed: int
    seat: int
    path: str
    ear: str = "coupler"
    factor: int = 4
    is_noisy: bool = True

    def make_generator(self, name: str) -> np.random.Generator:
        """Generator of what differs from take to take."""
        return make_generator(self.seed, "take", self.seat, self.path, name)


def compute_transmit(take: Take, pressure: Spectrum) -> Spectrum:
    """Volts at the line tap from the pressure at the mouth reference point."""
    line = _compute_set_send(take, pressure)
    if take.model.cable is not None:
        line = line * take.model.cable.compute_insertion(take.grid.frequency_hz)
    line = line * compute_highpass(take.grid.frequency_hz, BRIDGE_HZ)
    return _break_up(take, line + _draw_line_disturbance(take), per_click_v=1.0)


def compute_receive_path(take: Take, drive: Spectrum) -> Spectrum:
    """Pascals at the ear from the drive of the line (volts across a matched load)."""
    frequency_hz = take.grid.frequency_hz
    at_set = drive * compute_highpass(frequency_hz, BRIDGE_HZ)
    if take.model.cable is not None:
        at_set = at_set * take.model.cable.compute_insertion(frequency_hz)
    own_noise = _draw_element_noise(take, None) * _couple_sidetone(take)
    return _listen(take, at_set + _draw_line_disturbance(take), own_noise)


def compute_sidetone(take: Take, pressure: Spectrum) -> Spectrum:
    """Pascals at the ear from the pressure at the mouth reference point."""
    own = _compute_set_send(take, pressure) * _couple_sidetone(take)
    return _listen(take, _draw_line_disturbance(take), own)


def compute_loop(take: Take, drive: Spectrum) -> Spectrum:
    """Volts at the line tap from the drive of the line, no set connected."""
    return drive * compute_highpass(take.grid.frequency_hz, 3.0)


def _compute_set_send(take: Take, pressure: Spectrum) -> Spectrum:
    """Line volts of the set that is spoken into, its own noise with them."""
    model, frequency_hz = take.model, take.grid.frequency_hz
    room, at_lips = model.disturbances, model.jig.mouth_ratio
    at_lips *= compute_distance_ratio(model.jig.mouth_mm)
    late = np.exp(-2j * np.pi * frequency_hz * room.reflection_s) * room.reflection_ratio
    # The reflection comes from the mouth's far side of the room: the lips' distance is none of it.
    pressure = pressure * (at_lips + late) + _draw_room(take)
    pressure = pressure * model.jig.muffle_ratio
    if model.jig.muffle_hz > 0.0:
        pressure = pressure * compute_lowpass(frequency_hz, model.jig.muffle_hz)
    if model.is_swapped:
        receiver = model.receiver
        shape = receiver.diaphragm.respond_relative(frequency_hz, receiver.nominal)
        return pressure * shape * (SWAPPED_SEND_V_PER_PA * receiver.magnet)
    sent, breath = compute_send(
        model.transmitter,
        model.network,
        take.grid,
        pressure,
        current_a=take.current_a,
        factor=take.factor,
        generator=take.make_generator("granules") if take.is_noisy else None,
    )
    return model.send_ratio * sent + _draw_element_noise(take, breath)


def _draw_room(take: Take) -> Spectrum:
    """Pascals of the room at the mouthpiece."""
    if not take.is_noisy:
        return np.zeros(len(take.grid.frequency_hz), dtype=np.complex128)
    density = compute_room_density(take.grid.frequency_hz, ROOM_AT_MOUTH_PA)
    quiet = draw_noise(take.make_generator("mouth room"), take.grid, density)
    return quiet + _draw_loud_room(take)


def _draw_loud_room(take: Take) -> Spectrum:
    """Pascals of a room that is not quiet: steady noise and voices."""
    room, grid = take.model.disturbances, take.grid
    total = np.zeros(len(grid.frequency_hz), dtype=np.complex128)
    if room.room_pa > 0.0:
        density = compute_room_density(grid.frequency_hz, room.room_pa)
        total = total + draw_noise(take.make_generator("loud room"), grid, density)
    if room.babble_pa > 0.0:
        total = total + room.babble_pa * draw_babble(take.make_generator("babble"), grid)
    return total


def _couple_sidetone(take: Take) -> Spectrum:
    frequency_hz = take.grid.frequency_hz
    cable = take.model.cable
    load_ohm = take.model.load_ohm
    line_ohm = (
        np.full(len(frequency_hz), load_ohm + 0j)
        if cable is None
        else cable.compute_input_ohm(frequency_hz, load_ohm)
    )
    return take.model.network.couple_sidetone(frequency_hz, line_ohm)


def _listen(take: Take, from_line: Spectrum, own: Spectrum) -> Spectrum:
    """Pascals at the ear from what the line and the set's own transmitter drive."""
    model, grid, jig = take.model, take.grid, take.model.jig
    drive = (from_line * model.network.receive_ratio + own) * model.receive_ratio
    if take.ear == "coil":
        # A pickup coil senses the voice field: no diaphragm, no coupler, and the mains field.
        heard = drive * COIL_PA_PER_V
    else:
        blows = take.make_generator("receiver blows") if take.is_noisy else None
        coupler = compute_coupler(
            grid.frequency_hz, volume_cm3=jig.coupler_cm3, leak_hz=jig.leak_hz
        )
        heard = compute_receive(
            model.receiver, grid, drive, coupler, factor=take.factor, generator=blows
        )
    if take.is_noisy:
        density = compute_room_density(grid.frequency_hz, ROOM_AT_EAR_PA)
        heard = heard + draw_noise(take.make_generator("ear room"), grid, density)
        if take.ear != "coil":
            heard = heard + COUPLER_LETS_IN * _draw_loud_room(take)
        if take.ear == "coil" and model.disturbances.stray_hum:
            heard = heard + _draw_hum(take) * (COIL_HUM_RATIO * COIL_PA_PER_V)
    return _break_up(take, heard, per_click_v=EAR_PA_PER_CLICK_V)


def _draw_element_noise(take: Take, breath: Array | None) -> Spectrum:
    """Line volts of the transmitter's own noise, as it breathes with the sound, and frying."""
    model, grid = take.model, take.grid
    if not take.is_noisy or model.is_swapped:
        return np.zeros(len(grid.frequency_hz), dtype=np.complex128)
    density = compute_line_noise_v2(
        model.transmitter, model.network, grid.frequency_hz, take.current_a
    )
    noise = draw_noise(take.make_generator("element noise"), grid, density)
    if breath is not None:
        noise = grid.to_spectrum(grid.to_samples(noise) * breath)
    fault = model.disturbances
    if fault.frying_per_s > 0.0 and isinstance(model.transmitter, CarbonElement):
        # Arcing grows faster than the current that feeds it (PUB for the fact, S18; law PROP).
        ohm = model.transmitter.compute_ohm(take.current_a)
        burst_v = fault.frying_ratio * take.current_a * ohm * (take.current_a / NOMINAL_A)
        burst_v *= model.network.transfer_ohm / (ohm + model.network.seen_ohm)
        bursts = draw_frying(take.make_generator("frying"), grid, fault.frying_per_s)
        noise = noise + bursts * burst_v
    return noise * model.send_ratio


def _draw_hum(take: Take) -> Spectrum:
    fault = take.model.disturbances
    hum = draw_hum(take.make_generator("hum"), take.grid, fault.mains_hz)
    return take.grid.to_spectrum(hum) * fault.mains_v


def _draw_line_disturbance(take: Take) -> Spectrum:
    """Line volts of hum, feedback and radio."""
    fault, grid = take.model.disturbances, take.grid
    total = np.zeros(len(grid.frequency_hz), dtype=np.complex128)
    if take.is_noisy and fault.mains_hz > 0.0 and not fault.stray_hum:
        total = total + _draw_hum(take)
    if take.is_noisy and fault.howl_hz > 0.0:
        tone = draw_howl(take.make_generator("howl"), grid, fault.howl_hz)
        total = total + grid.to_spectrum(tone) * HOWL_V
    if take.is_noisy and fault.buzz_v > 0.0:
        buzz = draw_buzz(take.make_generator("buzz"), grid)
        total = total + grid.to_spectrum(buzz) * fault.buzz_v
    return total


def _break_up(take: Take, spectrum: Spectrum, *, per_click_v: float) -> Spectrum:
    """
    Bad contacts, breaks and fading, which change the level in time.

    `per_click_v` turns the clicks' line volts into the unit of the spectrum.
    """
    fault, grid = take.model.disturbances, take.grid
    changes = (fault.crackle_per_s, fault.dropout_per_s, fault.fade_db, fault.step_per_s)
    if not take.is_noisy or not any(changes):
        return spectrum
    samples = grid.to_samples(spectrum)
    click_v = np.zeros(grid.n_samples)
    if fault.crackle_per_s:
        extra = draw_crackle(take.make_generator("crackle"), grid, fault.crackle_per_s)
        extra_ohm = extra * fault.crackle_ohm
        samples = samples / (1.0 + extra_ohm / (LOAD_OHM / 4.0))
        click_v += BAD_CONTACT_V_PER_A_OHM * take.current_a * np.minimum(extra_ohm, 60.0)
    if fault.dropout_per_s:
        broken = draw_dropouts(
            take.make_generator("dropout"), grid, fault.dropout_per_s, fault.dropout_s
        )
        samples = samples * (1.0 - 0.997 * broken)
        click_v += DROPOUT_CLICK_V * broken
    if fault.step_per_s:
        bad = draw_steps(take.make_generator("steps"), grid, fault.step_per_s)
        samples = samples * 10.0 ** (-fault.step_db * bad / 20.0)
    if fault.fade_db:
        minutes = np.arange(grid.n_samples) / grid.rate_hz / 60.0
        samples = samples * 10.0 ** (-fault.fade_db * minutes / 20.0)
    band = compute_highpass(grid.frequency_hz, 150.0)
    return grid.to_spectrum(samples) + grid.to_spectrum(click_v) * band * per_click_v


def choose_oversampling(model: HandsetModel) -> int:
    """How much finer the curves are computed: more for a part that limits hard or strikes."""
    element = model.transmitter
    if isinstance(element, CarbonElement) and math.isfinite(element.stop_pa):
        return 12
    is_hard = math.isfinite(model.receiver.touch_pa) or model.receiver.limit_v < 0.5
    return 8 if is_hard else 4
