"""
The faults and parts that a simulated telephone can be given, each a change of the model.

`simulated_faults.csv` holds, for every name, the sentence for the help text, the part it sits
in, the transmitters it makes sense with, and the row of the trade's fault table that it is the
cause of. A fault draws its own size from its own named generator.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from voicecheck.bench.simulated import carbon_faults as carbon
from voicecheck.bench.simulated.changes import (
    Change,
    change_disturbances,
    change_jig,
    change_network,
    change_receiver,
    change_transmitter,
    get_amplified,
    near,
    pascals_from_dbspl,
    ratio,
    scale_send,
)
from voicecheck.bench.simulated.handset import HandsetModel
from voicecheck.bench.simulated.line import load_cable
from voicecheck.bench.simulated.mechanics import DIAPHRAGMS
from voicecheck.bench.simulated.tables import load_range, load_rows


def muffle(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Blocked mouthpiece holes or a dirty membrane: highs lost more than lows."""
    return change_jig(
        model,
        muffle_hz=near(generator, 600.0, 800.0, 1000.0),
        muffle_ratio=ratio(near(generator, -5.0, -3.0, -2.0)),
    )


def short_transmitter(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Transmitter shorted: loop current normal, nothing sent."""
    shorted = change_transmitter(model, rest_ohm=2.0, drop_ohm=2.0)
    return dataclasses.replace(shorted, send_ratio=ratio(near(generator, -26, -20, -16)))


def open_transmitter(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Transmitter or its conductor open: no loop current."""
    del generator
    return dataclasses.replace(model, most_a=1e-5, receive_ratio=ratio(-3.0))


def open_receiver(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Receiver or its conductor open: nothing heard."""
    return dataclasses.replace(model, receive_ratio=ratio(near(generator, -60, -52, -46)))


def swap_elements(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Transmitter and receiver on each other's terminals."""
    return dataclasses.replace(
        model, is_swapped=True, receive_ratio=ratio(near(generator, -54, -48, -44))
    )


def starve(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Low loop current: a third of what the feed was set to give."""
    return dataclasses.replace(model, current_ratio=near(generator, 0.24, 0.28, 0.32))


def sag(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Loop current that sags on a long call: a contact or a feed that grows warm."""
    return dataclasses.replace(model, sag_per_min=near(generator, 0.12, 0.2, 0.3))


def raise_threshold(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """An electronic element that needs more current than its type should: it lives at 25 mA."""
    return change_transmitter(model, least_a=near(generator, 0.019, 0.020, 0.021))


def raise_gain(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """An electronic element set too loud: level and room noise up."""
    element = get_amplified(model)
    louder = ratio(near(generator, 4.5, 6.0, 7.0))
    return change_transmitter(
        scale_send(model, louder), noise_v2_per_hz=element.noise_v2_per_hz * louder**2
    )


def pick_up_radio(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Radio demodulated by the element's amplifier."""
    return change_disturbances(model, buzz_v=near(generator, 0.8e-3, 1.6e-3, 3e-3))


def fade(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Level drifts down while the current flows."""
    return change_disturbances(model, fade_db=near(generator, 4.0, 6.0, 8.0))


def weaken_magnet(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Weak receiver magnet: half its field."""
    return change_receiver(model, magnet=model.receiver.magnet * near(generator, 0.42, 0.5, 0.56))


def bend_diaphragm(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Bent or over-tight receiver diaphragm: stiffer, so weaker and its resonances higher."""
    stiffer = near(generator, 1.8, 2.1, 2.4)
    shape = model.receiver.diaphragm
    tight = dataclasses.replace(
        shape,
        leak_hz=2.4 * shape.leak_hz,
        first_hz=shape.first_hz * math.sqrt(stiffer),
        second_hz=shape.second_hz * math.sqrt(stiffer),
    )
    return change_receiver(model, diaphragm=tight, pa_per_v=model.receiver.pa_per_v / stiffer)


def touch_pole(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Receiver diaphragm strikes the pole on loud sound."""
    return change_receiver(model, touch_pa=near(generator, 0.28, 0.34, 0.4))


def leak_limiter(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Click limiter that already conducts at speech level."""
    return change_receiver(model, limit_v=near(generator, 0.05, 0.06, 0.075))


def lose_limiter(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Click limiter missing or open: nothing holds a loud sound back."""
    del generator
    return change_receiver(model, limit_v=math.inf)


def open_balance(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Balance part of the network open: own voice too loud."""
    return change_network(model, balance_ohm=near(generator, 8e3, 15e3, 30e3))


def fit_wrong_balance(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Balance part of another value than it should have: own voice somewhat too loud."""
    return change_network(model, balance_ohm=near(generator, 1.0e3, 1.6e3, 4e3))


def open_winding(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Network winding open: own voice absent, both directions quieter."""
    return change_network(
        model,
        sidetone_ratio=ratio(near(generator, -20, -16, -12)),
        receive_ratio=ratio(near(generator, -12, -10, -8)),
        send_ratio=ratio(near(generator, -9, -7, -5)),
    )


def lengthen_line(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """A long pair between set and bench, feed current held."""
    return dataclasses.replace(model, cable=load_cable("0.4 mm", near(generator, 3.2, 4.0, 5.0)))


def add_hum(mains_hz: float) -> Change:
    """Mains hum on the line; 0 Hz is the mains of the place."""

    def change(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
        level_v = 1e-3 * math.exp(near(generator, math.log(3), math.log(5), math.log(8)))
        return change_disturbances(model, mains_hz=mains_hz, mains_v=level_v)

    return change


def stray_field(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Mains field that a pickup coil catches and a microphone does not."""
    changed = add_hum(0.0)(model, generator)
    return change_disturbances(changed, stray_hum=True)


def leak_seal(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Leak between receiver and coupler: lows lost, differently at each seating."""
    return change_jig(model, leak_hz=near(generator, 380.0, 480.0, 600.0), leak_spread=0.25)


def misplace_mouth(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Mouthpiece too far from the mouth, differently at each seating."""
    return change_jig(model, mouth_mm=near(generator, 30.0, 32.0, 34.0), mouth_sd_mm=3.0)


def move_gain(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """The interface's gain was moved after the calibration."""
    size_db = near(generator, 2.0, 3.0, 4.0)
    return change_jig(model, gain_ratio=ratio(-size_db))


def dirty_contact(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Dirty hook or dial contact: crackle and level steps."""
    return change_disturbances(
        model, crackle_per_s=near(generator, 2.0, 4.0, 8.0), crackle_ohm=near(generator, 3, 8, 20)
    )


def dirty_dial(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Dirty dial springs in the talking path: the level jumps and stays for seconds."""
    return change_disturbances(model, step_per_s=0.4, step_db=near(generator, 2.5, 3.5, 5.0))


def howl(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Sound from the ear returns to the mouth: a tone that builds up by itself."""
    return change_disturbances(model, howl_hz=near(generator, 1800.0, 2500.0, 3000.0))


def reflect(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """A wall or table sends the mouth's sound back to the mouthpiece."""
    return change_disturbances(
        model,
        reflection_s=1e-3 * near(generator, *load_range("room", "reflection_delay")),
        reflection_ratio=ratio(near(generator, *load_range("room", "reflection_level"))),
    )


def add_room_noise(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Steady noise in the room."""
    return change_disturbances(
        model, room_pa=pascals_from_dbspl(near(generator, *load_range("room", "noise_level")))
    )


def add_babble(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Voices in the room."""
    level_db = near(generator, *load_range("room", "babble_level"))
    return change_disturbances(model, babble_pa=pascals_from_dbspl(level_db))


def break_cord(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Broken conductor in the cord: short dropouts."""
    return change_disturbances(model, dropout_per_s=near(generator, 0.4, 0.8, 1.5))


def fit_receiver(curve_id: str) -> Change:
    """Another type of receiver."""

    def change(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
        nominal = DIAPHRAGMS[curve_id]
        return change_receiver(model, nominal=nominal, diaphragm=nominal.vary(generator, 0.012))

    return change


def fit_early_element(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """An early solid-back carbon transmitter in place of the later one."""
    nominal = DIAPHRAGMS["carbon_early_element"]
    return change_transmitter(
        model, nominal=nominal, diaphragm=nominal.vary(generator, 0.02), seat_sd_db=0.9
    )


def keep(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """Nothing wrong."""
    del generator
    return model


CHANGES: dict[str, Change] = {
    "healthy": keep,
    "packed": carbon.pack,
    "frying": carbon.fry,
    "aged": carbon.age,
    "worn": carbon.loosen,
    "carbonised": carbon.carbonise,
    "settling": carbon.settle,
    "packing": carbon.press_together,
    "remembering": carbon.remember,
    "restless": carbon.rearrange,
    "gritty": carbon.stick,
    "over-sensitive": carbon.overdrive,
    "stuck-diaphragm": carbon.jam,
    "blocked-mouthpiece": muffle,
    "shorted-transmitter": short_transmitter,
    "open-transmitter": open_transmitter,
    "open-receiver": open_receiver,
    "swapped-elements": swap_elements,
    "low-feed": starve,
    "sagging-feed": sag,
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
    "wrong-balance": fit_wrong_balance,
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
    "reflection": reflect,
    "noisy-room": add_room_noise,
    "babble": add_babble,
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
