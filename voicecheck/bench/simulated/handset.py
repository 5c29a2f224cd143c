"""
One simulated telephone on the bench: its parts, the individual drawn by the seed, one seating.

Individual spreads of receivers, network and jig are proposals, no source.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field

from voicecheck.bench.simulated.disturbances import Disturbances
from voicecheck.bench.simulated.draws import draw_factor, make_generator
from voicecheck.bench.simulated.line import LOAD_OHM, Cable, Network
from voicecheck.bench.simulated.mechanics import COUPLER_CM3, DIAPHRAGMS, MOUTH_MM
from voicecheck.bench.simulated.receiver import Receiver
from voicecheck.bench.simulated.tables import load_range
from voicecheck.bench.simulated.transmitter import AmplifiedElement, CarbonElement, Transmitter

CARBON_SD_DB, AMPLIFIED_SD_DB = 2.0, 0.77
"""Spread of sensitivity between elements: `carbon,element_to_element_sd_good_stock`, typical
value (MEM); amplified elements are made to a figure, common practice, no source."""
RECEIVER_SD_DB = 0.7


@dataclass(frozen=True, slots=True, kw_only=True)
class Jig:
    """
    How the handset lies in the jig.

    Parameters
    ----------
    mouth_mm, mouth_sd_mm : float
        Distance from lips to mouthpiece, and how far a re-seat moves it.
    leak_hz, leak_spread : float
        Corner of the leak at the ear seal, and its natural-log spread over re-seats.
    coupler_cm3, coupler_sd_db : float
        Volume of the coupler; how far a re-seat moves the level at the ear.
    muffle_hz : float
        Corner of what blocks the mouthpiece, 0 for nothing.
    muffle_ratio : float
        Level left by it.
    mouth_ratio : float
        Level of the mouth re what the calibration says.
    gain_ratio : float
        Error of the interface's gain that the calibration does not know.
    """

    mouth_mm: float = MOUTH_MM
    mouth_sd_mm: float = 0.6
    leak_hz: float = 25.0
    leak_spread: float = 0.3
    coupler_cm3: float = COUPLER_CM3
    coupler_sd_db: float = 0.2
    muffle_hz: float = 0.0
    muffle_ratio: float = 1.0
    mouth_ratio: float = 1.0
    gain_ratio: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HandsetModel:
    """
    Everything that decides how one telephone sounds; faults are changes of it.

    Parameters
    ----------
    transmitter : CarbonElement or AmplifiedElement
    receiver : Receiver
    network : Network
    jig : Jig
    disturbances : Disturbances
    cable : Cable or None
        Between set and bench; the feed is set with it in place.
    load_ohm : float
        What the line ends in.
    current_ratio : float
        Loop current re what the feed was set to give.
    sag_per_min : float
        Share of the loop current that is lost in the first minute of a call; it levels off.
    most_a : float
        Limit of the loop current (an open circuit), A.
    send_ratio, receive_ratio : float
        Signal left by a dead part, 1.0 for none.
    is_swapped : bool
        Transmitter and receiver on each other's terminals.
    """

    transmitter: Transmitter = field(default_factory=CarbonElement)
    receiver: Receiver = field(default_factory=Receiver)
    network: Network = field(default_factory=Network)
    jig: Jig = field(default_factory=Jig)
    disturbances: Disturbances = field(default_factory=Disturbances)
    cable: Cable | None = None
    load_ohm: float = LOAD_OHM
    current_ratio: float = 1.0
    sag_per_min: float = 0.0
    most_a: float = 1.0
    send_ratio: float = 1.0
    receive_ratio: float = 1.0
    is_swapped: bool = False


NOMINAL_TRANSMITTERS: dict[str, Transmitter] = {
    "carbon": CarbonElement(),
    "electret": AmplifiedElement(
        diaphragm=DIAPHRAGMS["electret_replacement"], nominal=DIAPHRAGMS["electret_replacement"]
    ),
    "moving-coil": AmplifiedElement(
        diaphragm=DIAPHRAGMS["movingcoil_replacement"],
        nominal=DIAPHRAGMS["movingcoil_replacement"],
        current_a_per_pa=5.6e-3,
        curvature_per_pa=0.009,
        noise_v2_per_hz=4.4e-12,
    ),
}


def draw_model(kind: str, seed: int, specimen: int = 1) -> HandsetModel:
    """
    A healthy telephone of one kind: the individual that the seed draws.

    Parameters
    ----------
    kind : str
        Key of `NOMINAL_TRANSMITTERS`.
    seed : int
        Draws receiver, network and jig, and with `specimen` the transmitter.
    specimen : int
        Another number is another element fitted to the same telephone.

    Returns
    -------
    HandsetModel
    """
    network_draw = make_generator(seed, "network")
    network = dataclasses.replace(
        Network(),
        series_ohm=90.0 * draw_factor(network_draw, 0.3),
        balance_ohm=270.0 * draw_factor(network_draw, 0.8),
        balance_shunt_ohm=750.0 * draw_factor(network_draw, 0.4),
        transfer_ohm=48.0 * draw_factor(network_draw, 0.2),
    )
    return HandsetModel(
        transmitter=_draw_transmitter(kind, seed, specimen),
        receiver=_draw_receiver(seed),
        network=network,
    )


def seat_model(model: HandsetModel, seed: int, seat: int) -> HandsetModel:
    """
    The same telephone lifted and laid down again: granules, distance and seal redrawn.

    Parameters
    ----------
    model : HandsetModel
    seed : int
    seat : int
        Which seating, counted from 1.

    Returns
    -------
    HandsetModel
    """
    grain = make_generator(seed, "seat", seat, "transmitter")
    place = make_generator(seed, "seat", seat, "jig")
    element = model.transmitter
    louder = draw_factor(grain, element.seat_sd_db)
    stiffer = draw_factor(grain, 8.686 * element.seat_ohm_sd)
    diaphragm = element.diaphragm.vary(grain, 0.02 * element.seat_sd_db)
    moved: Transmitter
    if isinstance(element, CarbonElement):
        moved = dataclasses.replace(
            element,
            diaphragm=diaphragm,
            depth_per_pa=element.depth_per_pa * louder,
            rest_ohm=element.rest_ohm * stiffer,
            granules=element.granules.seat(make_generator(seed, "seat", seat, "granules")),
        )
    else:
        moved = dataclasses.replace(
            element,
            diaphragm=diaphragm,
            current_a_per_pa=element.current_a_per_pa * louder,
            drop_ohm=element.drop_ohm * stiffer,
        )
    jig = model.jig
    placed = dataclasses.replace(
        jig,
        mouth_mm=jig.mouth_mm + jig.mouth_sd_mm * min(max(place.standard_normal(), -2.5), 2.5),
        leak_hz=jig.leak_hz * draw_factor(place, 8.686 * jig.leak_spread),
        coupler_cm3=jig.coupler_cm3 / draw_factor(place, jig.coupler_sd_db),
    )
    return dataclasses.replace(model, transmitter=moved, jig=placed)


def set_day(model: HandsetModel, day: int) -> HandsetModel:
    """
    The bench as mouth and ear were set on one day, unknown to its calibration.

    Parameters
    ----------
    model : HandsetModel
    day : int
        Draws the day, the same for every set; 0 leaves the bench as it was calibrated.

    Returns
    -------
    HandsetModel
        Level of the mouth, volume of the coupler and leak at the seal (`bench,day_*`, PROP).
    """
    if day == 0:
        return model
    draw, jig = make_generator(day, "day"), model.jig
    level_db = load_range("bench", "day_level_sd").typical
    spread = load_range("bench", "day_seal_spread").typical
    moved = dataclasses.replace(
        jig,
        mouth_ratio=jig.mouth_ratio * draw_factor(draw, level_db),
        coupler_cm3=jig.coupler_cm3 / draw_factor(draw, level_db),
        leak_hz=jig.leak_hz * draw_factor(draw, 8.686 * spread),
    )
    return dataclasses.replace(model, jig=moved)


def tilt_element(element: Transmitter, angle_deg: float) -> Transmitter:
    """
    The transmitter away from the talking position.

    Parameters
    ----------
    element : CarbonElement or AmplifiedElement
    angle_deg : float
        From the talking position.

    Returns
    -------
    CarbonElement or AmplifiedElement
        Carbon: resistance up to 1.3 times (`carbon,position_resistance_ratio_good`, PUB, S24),
        sensitivity down to 0.8 (common practice, no source). Amplified elements do not care.
    """
    if not isinstance(element, CarbonElement):
        return element
    from math import radians, sin

    share = sin(radians(angle_deg)) ** 2
    return dataclasses.replace(
        element,
        rest_ohm=element.rest_ohm * 1.3**share,
        depth_per_pa=element.depth_per_pa * (1.0 - 0.2 * share),
    )


def _draw_transmitter(kind: str, seed: int, specimen: int) -> Transmitter:
    draw = make_generator(seed, "element", kind, specimen)
    nominal = NOMINAL_TRANSMITTERS[kind]
    is_carbon = isinstance(nominal, CarbonElement)
    louder = draw_factor(draw, CARBON_SD_DB if is_carbon else AMPLIFIED_SD_DB)
    stiffer = draw_factor(draw, 0.9)
    diaphragm = nominal.diaphragm.vary(draw, 0.03)
    if isinstance(nominal, CarbonElement):
        return dataclasses.replace(
            nominal,
            diaphragm=diaphragm,
            depth_per_pa=nominal.depth_per_pa * louder,
            rest_ohm=nominal.rest_ohm * stiffer,
            noise_ratio=draw_factor(draw, 1.5),
            granules=nominal.granules.draw(make_generator(seed, "granules", kind, specimen)),
        )
    # Made to a figure by an amplifier: nearer to each other than granules are.
    return dataclasses.replace(
        nominal,
        diaphragm=diaphragm,
        current_a_per_pa=nominal.current_a_per_pa * louder,
        drop_ohm=nominal.drop_ohm * stiffer**0.3,
        least_a=nominal.least_a * draw_factor(draw, 0.5),
    )


def _draw_receiver(seed: int) -> Receiver:
    draw = make_generator(seed, "receiver")
    nominal = Receiver()
    return dataclasses.replace(
        nominal,
        pa_per_v=nominal.pa_per_v * draw_factor(draw, RECEIVER_SD_DB),
        diaphragm=nominal.diaphragm.vary(draw, 0.012),
        magnet=draw_factor(draw, 0.3),
        ohm=nominal.ohm * draw_factor(draw, 0.5),
    )
