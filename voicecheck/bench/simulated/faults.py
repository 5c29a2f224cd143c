"""
The faults and parts that a simulated telephone can be given, each a change of the model.

`simulated_faults.csv` holds, for every name, the sentence for the help text, the part it sits
in, the transmitters it makes sense with, and the row of the trade's fault table that it is the
cause of. A fault draws its own size from its own named generator.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Any

import numpy as np

from voicecheck.bench.simulated.handset import HandsetModel
from voicecheck.bench.simulated.line import load_cable
from voicecheck.bench.simulated.mechanics import DIAPHRAGMS
from voicecheck.bench.simulated.tables import load_range, load_rows
from voicecheck.bench.simulated.transmitter import AmplifiedElement, CarbonElement
from voicecheck.errors import InputError

Change = Callable[[HandsetModel, np.random.Generator], HandsetModel]


def _ratio(level_db: float) -> float:
    return float(10.0 ** (level_db / 20.0))


def _near(generator: np.random.Generator, low: float, typical: float, high: float) -> float:
    """Triangular draw: every value between low and high, most often near the typical one."""
    return float(generator.triangular(low, typical, high))


def _transmitter(model: HandsetModel, **changes: Any) -> HandsetModel:
    """Change the transmitter; names that the amplified elements lack are left out for them."""
    known = {field.name for field in dataclasses.fields(model.transmitter)}
    changes = {name: value for name, value in changes.items() if name in known}
    return dataclasses.replace(model, transmitter=dataclasses.replace(model.transmitter, **changes))


def _scale_send(model: HandsetModel, ratio: float) -> HandsetModel:
    element = model.transmitter
    if isinstance(element, CarbonElement):
        return _transmitter(model, depth_per_pa=element.depth_per_pa * ratio)
    return _transmitter(model, current_a_per_pa=element.current_a_per_pa * ratio)


def _receiver(model: HandsetModel, **changes: Any) -> HandsetModel:
    return dataclasses.replace(model, receiver=dataclasses.replace(model.receiver, **changes))


def _network(model: HandsetModel, **changes: Any) -> HandsetModel:
    return dataclasses.replace(model, network=dataclasses.replace(model.network, **changes))


def _jig(model: HandsetModel, **changes: Any) -> HandsetModel:
    return dataclasses.replace(model, jig=dataclasses.replace(model.jig, **changes))


def _disturb(model: HandsetModel, **changes: Any) -> HandsetModel:
    return dataclasses.replace(
        model, disturbances=dataclasses.replace(model.disturbances, **changes)
    )


def _as_carbon(model: HandsetModel) -> CarbonElement:
    if not isinstance(model.transmitter, CarbonElement):
        message = "handset: this fault needs a carbon transmitter"
        raise InputError(message)
    return model.transmitter


def _as_amplified(model: HandsetModel) -> AmplifiedElement:
    if not isinstance(model.transmitter, AmplifiedElement):
        message = "handset: this fault needs an amplified transmitter"
        raise InputError(message)
    return model.transmitter


def pack(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Granules packed: insensitive, usually of low resistance."""
    element = _as_carbon(model)
    ohm_factor = _near(generator, *load_range("carbon", "packed_resistance_factor"))
    # The lower resistance alone takes 0 to 8 dB in the loop; the granules the rest of the loss.
    wanted_db = _near(generator, -16.0, load_range("carbon", "packed_level_loss").typical, -9.0)
    before, after = element.rest_ohm, element.rest_ohm * ohm_factor
    seen_ohm = model.network.seen_ohm
    loop_ratio = (after / (after + seen_ohm)) / (before / (before + seen_ohm))
    return _transmitter(
        model,
        rest_ohm=after,
        depth_per_pa=element.depth_per_pa * _ratio(wanted_db) / loop_ratio,
        seat_sd_db=1.2,
    )


def fry(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Frying: bursts that grow with the loop current, over a little more hiss."""
    low, typical, high = load_range("carbon", "frying_burst_rate")
    rate = math.exp(_near(generator, math.log(3 * low), math.log(1.5 * typical), math.log(high)))
    quieter = _transmitter(model, noise_ratio=_as_carbon(model).noise_ratio * _ratio(2.0))
    return _disturb(quieter, frying_per_s=min(rate, 20.0))


def age(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Aged or damp granules: high resistance, less output, more hiss."""
    element = _as_carbon(model)
    low, typical, high = load_range("carbon", "aged_resistance_factor")
    factor = _near(generator, max(low, 1.7), typical, 0.6 * high)
    before, after = element.rest_ohm, element.rest_ohm * factor
    seen_ohm = model.network.seen_ohm
    loop_ratio = (after / (after + seen_ohm)) / (before / (before + seen_ohm))
    return _transmitter(
        model,
        rest_ohm=after,
        depth_per_pa=element.depth_per_pa * _ratio(_near(generator, -7, -5, -3)) / loop_ratio,
        noise_ratio=element.noise_ratio * _ratio(_near(generator, 2, 4, 6)),
    )


def carbonise(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Granules burnt together in part: very low resistance, the level little changed."""
    element = _as_carbon(model)
    before = element.rest_ohm
    after = before * _near(generator, 0.22, 0.27, 0.33)
    seen_ohm = model.network.seen_ohm
    loop_ratio = (after / (after + seen_ohm)) / (before / (before + seen_ohm))
    return _transmitter(model, rest_ohm=after, depth_per_pa=0.8 * element.depth_per_pa / loop_ratio)


def loosen(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Worn granules: each conditioning gives another level and resistance."""
    return _transmitter(model, seat_sd_db=_near(generator, 2.6, 3.2, 4.0), seat_ohm_sd=0.22)


def _stir(model: HandsetModel, **changes: Any) -> HandsetModel:
    granules = dataclasses.replace(_as_carbon(model).granules, **changes)
    return _transmitter(model, granules=granules)


def settle(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Granules settle: the level fades within a take, while nothing but the current flows."""
    loss_db = _near(generator, *load_range("carbon", "settling_fault"))
    return _stir(model, settle_db=-loss_db, settle_s=_near(generator, 3.0, 6.0, 10.0))


def press_together(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Granules pack while they are spoken to: every second of loud sound takes some level."""
    low, typical, high = load_range("carbon", "packing_per_sweep")
    # The row's sweep is one of 3 s.
    return _stir(model, pack_db_per_s=_near(generator, low, typical, high) / 3.0)


def remember(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Granules remember for 0.1 to 2 s: a sound is quieter or louder for what went before."""
    low, typical, high = load_range("carbon", "memory_fault")
    size_db = _near(generator, low, typical, high) * (1.0 if generator.uniform() < 0.5 else -1.0)
    constant_s = math.exp(_near(generator, math.log(0.1), math.log(0.5), math.log(2.0)))
    return _stir(model, memory_db=size_db, memory_s=(constant_s,))


def rearrange(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Restless granules: they slip into other arrangements while they are spoken to."""
    size_db = _near(generator, *load_range("carbon", "rearrangement_fault"))
    return _stir(model, shift_db=size_db, shift_per_s=_near(generator, 0.5, 1.0, 2.0))


def stick(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Gritty granules: they follow the diaphragm with much friction."""
    return _stir(model, drag_share=_near(generator, 0.35, 0.45, 0.6))


def overdrive(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Over-sensitive element: loud, and distorted by its own law."""
    return _scale_send(model, _ratio(_near(generator, 6.0, 7.0, 8.0)))


def jam(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Stuck diaphragm: travel stopped on both sides."""
    return _transmitter(model, stop_pa=_near(generator, 0.28, 0.33, 0.4))


def muffle(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Blocked mouthpiece holes or a dirty membrane: highs lost more than lows."""
    return _jig(
        model,
        muffle_hz=_near(generator, 600.0, 800.0, 1000.0),
        muffle_ratio=_ratio(_near(generator, -5.0, -3.0, -2.0)),
    )


def short_transmitter(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Transmitter shorted: loop current normal, nothing sent."""
    shorted = _transmitter(model, rest_ohm=2.0, drop_ohm=2.0)
    return dataclasses.replace(shorted, send_ratio=_ratio(_near(generator, -26, -20, -16)))


def open_transmitter(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Transmitter or its conductor open: no loop current."""
    del generator
    return dataclasses.replace(model, most_a=1e-5, receive_ratio=_ratio(-3.0))


def open_receiver(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Receiver or its conductor open: nothing heard."""
    return dataclasses.replace(model, receive_ratio=_ratio(_near(generator, -60, -52, -46)))


def swap_elements(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Transmitter and receiver on each other's terminals."""
    return dataclasses.replace(
        model, is_swapped=True, receive_ratio=_ratio(_near(generator, -54, -48, -44))
    )


def starve(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Low loop current: a third of what the feed was set to give."""
    return dataclasses.replace(model, current_ratio=_near(generator, 0.24, 0.28, 0.32))


def raise_threshold(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """An electronic element that needs more current than its type should: it lives at 25 mA."""
    return _transmitter(model, least_a=_near(generator, 0.019, 0.020, 0.021))


def raise_gain(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """An electronic element set too loud: level and room noise up."""
    element = _as_amplified(model)
    ratio = _ratio(_near(generator, 4.5, 6.0, 7.0))
    return _transmitter(
        _scale_send(model, ratio), noise_v2_per_hz=element.noise_v2_per_hz * ratio**2
    )


def pick_up_radio(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Radio demodulated by the element's amplifier."""
    return _disturb(model, buzz_v=_near(generator, 0.8e-3, 1.6e-3, 3e-3))


def fade(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Level drifts down while the current flows."""
    return _disturb(model, fade_db=_near(generator, 4.0, 6.0, 8.0))


def weaken_magnet(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Weak receiver magnet: half its field."""
    return _receiver(model, magnet=model.receiver.magnet * _near(generator, 0.42, 0.5, 0.56))


def bend_diaphragm(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Bent or over-tight receiver diaphragm: stiffer, so weaker and its resonances higher."""
    stiffer = _near(generator, 1.8, 2.1, 2.4)
    shape = model.receiver.diaphragm
    tight = dataclasses.replace(
        shape,
        leak_hz=2.4 * shape.leak_hz,
        first_hz=shape.first_hz * math.sqrt(stiffer),
        second_hz=shape.second_hz * math.sqrt(stiffer),
    )
    return _receiver(model, diaphragm=tight, pa_per_v=model.receiver.pa_per_v / stiffer)


def touch_pole(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Receiver diaphragm strikes the pole on loud sound."""
    return _receiver(model, touch_pa=_near(generator, 0.28, 0.34, 0.4))


def leak_limiter(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Click limiter that already conducts at speech level."""
    return _receiver(model, limit_v=_near(generator, 0.05, 0.06, 0.075))


def lose_limiter(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Click limiter missing or open: nothing holds a loud sound back."""
    del generator
    return _receiver(model, limit_v=math.inf)


def open_balance(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Balance part of the network open: own voice too loud."""
    return _network(model, balance_ohm=_near(generator, 8e3, 15e3, 30e3))


def open_winding(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Network winding open: own voice absent, both directions quieter."""
    return _network(
        model,
        sidetone_ratio=_ratio(_near(generator, -20, -16, -12)),
        receive_ratio=_ratio(_near(generator, -12, -10, -8)),
        send_ratio=_ratio(_near(generator, -9, -7, -5)),
    )


def lengthen_line(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """A long pair between set and bench, feed current held."""
    return dataclasses.replace(model, cable=load_cable("0.4 mm", _near(generator, 3.2, 4.0, 5.0)))


def add_hum(mains_hz: float) -> Change:
    """Mains hum on the line; 0 Hz is the mains of the place."""

    def change(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
        level_v = 1e-3 * math.exp(_near(generator, math.log(3), math.log(5), math.log(8)))
        return _disturb(model, mains_hz=mains_hz, mains_v=level_v)

    return change


def stray_field(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Mains field that a pickup coil catches and a microphone does not."""
    changed = add_hum(0.0)(model, generator)
    return _disturb(changed, stray_hum=True)


def leak_seal(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Leak between receiver and coupler: lows lost, differently at each seating."""
    return _jig(model, leak_hz=_near(generator, 380.0, 480.0, 600.0), leak_spread=0.25)


def misplace_mouth(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Mouthpiece too far from the mouth, differently at each seating."""
    return _jig(model, mouth_mm=_near(generator, 30.0, 32.0, 34.0), mouth_sd_mm=3.0)


def move_gain(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """The interface's gain was moved after the calibration."""
    size_db = _near(generator, 2.0, 3.0, 4.0)
    return _jig(model, gain_ratio=_ratio(-size_db))


def dirty_contact(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Dirty hook or dial contact: crackle and level steps."""
    return _disturb(
        model, crackle_per_s=_near(generator, 2.0, 4.0, 8.0), crackle_ohm=_near(generator, 3, 8, 20)
    )


def dirty_dial(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Dirty dial springs in the talking path: the level jumps and stays for seconds."""
    return _disturb(model, step_per_s=0.4, step_db=_near(generator, 2.5, 3.5, 5.0))


def howl(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Sound from the ear returns to the mouth: a tone that builds up by itself."""
    return _disturb(model, howl_hz=_near(generator, 1800.0, 2500.0, 3000.0))


def break_cord(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Broken conductor in the cord: short dropouts."""
    return _disturb(model, dropout_per_s=_near(generator, 0.4, 0.8, 1.5))


def fit_receiver(curve_id: str) -> Change:
    """Another type of receiver."""

    def change(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
        nominal = DIAPHRAGMS[curve_id]
        return _receiver(model, nominal=nominal, diaphragm=nominal.vary(generator, 0.012))

    return change


def fit_early_element(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """An early solid-back carbon transmitter in place of the later one."""
    nominal = DIAPHRAGMS["carbon_early_element"]
    return _transmitter(
        model, nominal=nominal, diaphragm=nominal.vary(generator, 0.02), seat_sd_db=0.9
    )


def keep(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Nothing wrong."""
    del generator
    return model


CHANGES: dict[str, Change] = {
    "healthy": keep,
    "packed": pack,
    "frying": fry,
    "aged": age,
    "worn": loosen,
    "carbonised": carbonise,
    "settling": settle,
    "packing": press_together,
    "remembering": remember,
    "restless": rearrange,
    "gritty": stick,
    "over-sensitive": overdrive,
    "stuck-diaphragm": jam,
    "blocked-mouthpiece": muffle,
    "shorted-transmitter": short_transmitter,
    "open-transmitter": open_transmitter,
    "open-receiver": open_receiver,
    "swapped-elements": swap_elements,
    "low-feed": starve,
    "high-threshold": raise_threshold,
    "high-gain": raise_gain,
    "radio-buzz": pick_up_radio,
    "fading": fade,
    "weak-magnet": weaken_magnet,
    "bent-diaphragm": bend_diaphragm,
    "rattle": touch_pole,
    "leaky-limiter": leak_limiter,
    "missing-limiter": lose_limiter,
    "open-balance": open_balance,
    "open-winding": open_winding,
    "long-line": lengthen_line,
    "hum": add_hum(0.0),
    "hum-50": add_hum(50.0),
    "hum-60": add_hum(60.0),
    "stray-field": stray_field,
    "seal-leak": leak_seal,
    "wrong-distance": misplace_mouth,
    "moved-gain": move_gain,
    "dirty-contact": dirty_contact,
    "dirty-dial": dirty_dial,
    "cord-break": break_cord,
    "howl": howl,
    "early-element": fit_early_element,
    "bipolar-receiver": fit_receiver("recv_bipolar_damped"),
    "early-receiver": fit_receiver("recv_bipolar_early"),
}
"""Every name that may follow the transmitter in a handset's text."""


def list_fault_rows() -> tuple[dict[str, str], ...]:
    """
    Rows of `simulated_faults.csv`.

    Returns
    -------
    tuple of dict
        Keys name, part, needs, row, path, example, text.
    """
    return load_rows("simulated_faults.csv")
