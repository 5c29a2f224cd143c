"""
What the steps of a trial do to a simulated telephone.

A part goes with the element where `simulated_faults.csv` says that it is the transmitter's, else
it stays with the set; faults of jig and line stay with the bench. How much of a packed element a
rap frees, how a fingertip loads a diaphragm, and how a slow fade levels off, are PROP.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from voicecheck.bench.simulated.bench import SimulatedBench
from voicecheck.bench.simulated.catalogue import check_handset, make_model
from voicecheck.bench.simulated.changes import get_carbon, near
from voicecheck.bench.simulated.draws import make_generator
from voicecheck.bench.simulated.faults import list_fault_rows
from voicecheck.bench.simulated.handset import NOMINAL_TRANSMITTERS, HandsetModel
from voicecheck.bench.simulated.line import LOAD_OHM, Network
from voicecheck.bench.simulated.transmitter import CarbonElement

RESISTOR_OHM = 100.0
FREED_BY_RAP = "packed"
LEVELS_OFF_MIN = 2.0
ELEMENT, BENCH_PARTS = "transmitter", ("jig", "line")
KNOWN_SD_DB = 0.5
"""A known element is one that was measured and is near the middle of its type."""


def prepare_trial_bench(
    handset: str,
    *,
    seed: int = 1,
    specimen: int = 1,
    feed_ma: float = 40.0,
    state: str = "",
    seat: int = 1,
    at_min: float = 0.0,
) -> SimulatedBench:
    """
    A simulated bench as it is for one take of a trial.

    Parameters
    ----------
    handset : str
        As `SimulatedBench` has it.
    seed, specimen : int
    feed_ma : float
    state : str
        What is changed, in the words of the trials' table.
    seat : int
        A finger is never laid on twice alike.
    at_min : float
        Minutes since the feed was switched on.

    Returns
    -------
    SimulatedBench

    Raises
    ------
    InputError
        The handset is not known, or a number is out of range.
    """
    bench = SimulatedBench(handset, seed=seed, specimen=specimen, feed_ma=feed_ma)
    model = bench.model
    if state == "rapped":
        model = rap(handset, model, seed, specimen)
    elif state == "resistor":
        model = fit_resistor(model)
    elif state == "second-load":
        model = dataclasses.replace(model, load_ohm=0.5 * LOAD_OHM)
    elif state == "finger":
        model = lay_finger(model, make_generator(seed, "finger", seat))
    elif state.startswith("known"):
        model = exchange(handset, model, seed, state)
    bench.model = age_call(model, at_min)
    return bench


def rap(handset: str, model: HandsetModel, seed: int, specimen: int) -> HandsetModel:
    """Packed granules come loose, most of them; whatever else is wrong stays (S18 for the fact)."""
    kind, faults = check_handset(handset)
    element = model.transmitter
    if FREED_BY_RAP not in faults or not isinstance(element, CarbonElement):
        return model
    left = "+".join([kind, *(one for one in faults if one != FREED_BY_RAP)])
    loose = get_carbon(make_model(left, seed, specimen))
    share = near(make_generator(seed, "rap"), 0.6, 0.85, 1.0)
    return dataclasses.replace(
        model,
        transmitter=dataclasses.replace(
            element,
            rest_ohm=_blend(element.rest_ohm, loose.rest_ohm, share),
            depth_per_pa=_blend(element.depth_per_pa, loose.depth_per_pa, share),
        ),
    )


def _blend(before: float, after: float, share: float) -> float:
    return float(before ** (1.0 - share) * after**share)


def fit_resistor(model: HandsetModel) -> HandsetModel:
    """A resistor in the element's place: the current flows, nothing talks, fries or hisses."""
    dead = CarbonElement(
        rest_ohm=RESISTOR_OHM, depth_per_pa=0.0, current_exponent=0.0, noise_ratio=0.0,
        seat_sd_db=0.0, seat_ohm_sd=0.0,
    )  # fmt: skip
    still = dataclasses.replace(model.disturbances, frying_per_s=0.0, buzz_v=0.0, fade_db=0.0)
    return dataclasses.replace(model, transmitter=dead, disturbances=still)


def exchange(handset: str, model: HandsetModel, seed: int, state: str) -> HandsetModel:
    """A known element in this set, this element in a known set, or both known."""
    kind, faults = check_handset(handset)
    parts = {row["name"]: row["part"] for row in list_fault_rows()}
    kept = [
        fault
        for fault in faults
        if parts[fault] in BENCH_PARTS
        or (parts[fault] == ELEMENT and state == "known-set")
        or (parts[fault] != ELEMENT and state == "known-element")
    ]
    other = make_model("+".join([kind, *kept]), seed)
    if state != "known-set":
        draw = make_generator(seed, "known element")
        nominal = NOMINAL_TRANSMITTERS[kind]
        louder = 10.0 ** (KNOWN_SD_DB * draw.standard_normal() / 20.0)
        name = "depth_per_pa" if isinstance(nominal, CarbonElement) else "current_a_per_pa"
        sensitive = getattr(nominal, name) * louder
        known = dataclasses.replace(nominal, **{name: sensitive})
        other = dataclasses.replace(other, transmitter=known)
    else:
        other = dataclasses.replace(other, transmitter=model.transmitter)
    if state != "known-element":
        other = dataclasses.replace(other, network=Network())
    return other


def lay_finger(model: HandsetModel, generator: np.random.Generator) -> HandsetModel:
    """A fingertip is a spring as stiff as a sound diaphragm, and damps it (CALC on PROP sizes)."""
    receiver = model.receiver
    own, sound = receiver.diaphragm, receiver.nominal
    stiffness = (own.first_hz / sound.first_hz) ** 2
    finger = near(generator, 0.75, 1.0, 1.25)
    stiffer = (stiffness + finger) / stiffness
    loaded = dataclasses.replace(
        own,
        first_hz=own.first_hz * math.sqrt(stiffer),
        first_quality=own.first_quality / (1.0 + 0.5 * finger),
    )
    touched = dataclasses.replace(receiver, diaphragm=loaded, pa_per_v=receiver.pa_per_v / stiffer)
    return dataclasses.replace(model, receiver=touched)


def age_call(model: HandsetModel, at_min: float) -> HandsetModel:
    """The same telephone so many minutes into a call."""
    if at_min <= 0.0:
        return model
    gone_min = LEVELS_OFF_MIN * -math.expm1(-at_min / LEVELS_OFF_MIN)
    fault = model.disturbances
    lost_db = fault.fade_db * gone_min
    element = model.transmitter
    if isinstance(element, CarbonElement):
        moods = element.granules
        lost_db -= moods.settle_db * -math.expm1(-60.0 * at_min / moods.settle_s)
        still = dataclasses.replace(moods, settle_db=0.0)
        element = dataclasses.replace(element, granules=still)
    return dataclasses.replace(
        model,
        transmitter=element,
        disturbances=dataclasses.replace(fault, fade_db=0.0),
        send_ratio=model.send_ratio * 10.0 ** (-lost_db / 20.0),
        current_ratio=model.current_ratio * math.exp(-model.sag_per_min * gone_min),
    )
