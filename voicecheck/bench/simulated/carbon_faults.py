"""Faults of a carbon transmitter: its granules, and the diaphragm that presses them."""

from __future__ import annotations

import math

import numpy as np

from voicecheck.bench.simulated.changes import (
    change_disturbances,
    change_granules,
    change_transmitter,
    get_carbon,
    near,
    ratio,
    scale_send,
)
from voicecheck.bench.simulated.handset import HandsetModel
from voicecheck.bench.simulated.tables import load_range


def pack(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Granules packed: insensitive, usually of low resistance."""
    element = get_carbon(model)
    ohm_factor = near(generator, *load_range("carbon", "packed_resistance_factor"))
    # The lower resistance alone takes 0 to 8 dB in the loop; the granules the rest of the loss.
    wanted_db = near(generator, -16.0, load_range("carbon", "packed_level_loss").typical, -9.0)
    before, after = element.rest_ohm, element.rest_ohm * ohm_factor
    seen_ohm = model.network.seen_ohm
    loop_ratio = (after / (after + seen_ohm)) / (before / (before + seen_ohm))
    return change_transmitter(
        model,
        rest_ohm=after,
        depth_per_pa=element.depth_per_pa * ratio(wanted_db) / loop_ratio,
        seat_sd_db=1.2,
    )


def fry(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Frying: bursts that grow with the loop current, over a little more hiss."""
    low, typical, high = load_range("carbon", "frying_burst_rate")
    rate = math.exp(near(generator, math.log(3 * low), math.log(1.5 * typical), math.log(high)))
    quieter = change_transmitter(model, noise_ratio=get_carbon(model).noise_ratio * ratio(2.0))
    return change_disturbances(quieter, frying_per_s=min(rate, 20.0))


def age(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Aged or damp granules: high resistance, less output, more hiss."""
    element = get_carbon(model)
    low, typical, high = load_range("carbon", "aged_resistance_factor")
    factor = near(generator, max(low, 1.7), typical, 0.6 * high)
    before, after = element.rest_ohm, element.rest_ohm * factor
    seen_ohm = model.network.seen_ohm
    loop_ratio = (after / (after + seen_ohm)) / (before / (before + seen_ohm))
    return change_transmitter(
        model,
        rest_ohm=after,
        depth_per_pa=element.depth_per_pa * ratio(near(generator, -7, -5, -3)) / loop_ratio,
        noise_ratio=element.noise_ratio * ratio(near(generator, 2, 4, 6)),
    )


def carbonise(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Granules burnt together in part: very low resistance, the level little changed."""
    element = get_carbon(model)
    before = element.rest_ohm
    after = before * near(generator, 0.22, 0.27, 0.33)
    seen_ohm = model.network.seen_ohm
    loop_ratio = (after / (after + seen_ohm)) / (before / (before + seen_ohm))
    return change_transmitter(
        model, rest_ohm=after, depth_per_pa=0.8 * element.depth_per_pa / loop_ratio
    )


def loosen(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Worn granules: each conditioning gives another level and resistance."""
    return change_transmitter(model, seat_sd_db=near(generator, 2.6, 3.2, 4.0), seat_ohm_sd=0.22)


def settle(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Granules settle: the level fades within a take, while nothing but the current flows."""
    loss_db = near(generator, *load_range("carbon", "settling_fault"))
    return change_granules(model, settle_db=-loss_db, settle_s=near(generator, 3.0, 6.0, 10.0))


def press_together(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Granules pack while they are spoken to: every second of loud sound takes some level."""
    low, typical, high = load_range("carbon", "packing_per_sweep")
    # The row's sweep is one of 3 s.
    return change_granules(model, pack_db_per_s=near(generator, low, typical, high) / 3.0)


def remember(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Granules remember for 0.1 to 2 s: a sound is quieter or louder for what went before."""
    low, typical, high = load_range("carbon", "memory_fault")
    size_db = near(generator, low, typical, high) * (1.0 if generator.uniform() < 0.5 else -1.0)
    constant_s = math.exp(near(generator, math.log(0.1), math.log(0.5), math.log(2.0)))
    return change_granules(model, memory_db=size_db, memory_s=(constant_s,))


def rearrange(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Restless granules: they slip into other arrangements while they are spoken to."""
    size_db = near(generator, *load_range("carbon", "rearrangement_fault"))
    return change_granules(model, shift_db=size_db, shift_per_s=near(generator, 0.5, 1.0, 2.0))


def stick(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Gritty granules: they follow the diaphragm with much friction."""
    return change_granules(model, drag_share=near(generator, 0.35, 0.45, 0.6))


def overdrive(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Over-sensitive element: loud, and distorted by its own law."""
    return scale_send(model, ratio(near(generator, 6.0, 7.0, 8.0)))


def jam(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Stuck diaphragm: travel stopped on both sides."""
    return change_transmitter(model, stop_pa=near(generator, 0.28, 0.33, 0.4))
