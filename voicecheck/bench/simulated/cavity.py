"""
Two receivers and a microphone on a small block: a solved circuit of air, diaphragms and coils.

The air of the block is a sum over the modes of a box with hard walls, so that waves in all three
directions are in it, each opening with its own area; the receivers are coil, diaphragm, cap and
holes; leaks are slits at the seats. Everything is solved as one network at each frequency. Sizes
are those of no telephone: drawn about invented middles.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voicecheck.bench.simulated.draws import draw_factor, make_generator
from voicecheck.records.arrays import Array

Complex = NDArray[np.complex128]
HEAT_RATIO, WALL_HEAT_M2_PER_S = 1.4, 2.1e-5
RESISTOR_OHM = 100.0
"""What stands on the resistor."""
MODES = (9, 9, 25)
"""How many modes are counted along each edge: the openings' areas take the higher ones out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Receiver:
    """
    A magnetic receiver on its seat.

    Parameters
    ----------
    coil_ohm, coil_h, eddy_ohm : float
        The winding, and the resistance that stands in for the iron beside its inductance.
    force_n_per_a, return_ratio : float
        Force for a current, and how much the voltage for a velocity is of that; 1 is reciprocal.
    area_m2, mass_kg, resonance_hz, quality : float
        Of the diaphragm by itself.
    front_m3, cap_m3 : float
        Air between diaphragm and cap, and in the hollow of the cap.
    hole_kg_per_m4, hole_ohm : float
        Acoustic mass and resistance (Pa s/m3) of the holes of the cap.
    """

    coil_ohm: float
    coil_h: float
    eddy_ohm: float
    force_n_per_a: float
    return_ratio: float
    area_m2: float
    mass_kg: float
    resonance_hz: float
    quality: float
    front_m3: float
    cap_m3: float
    hole_kg_per_m4: float
    hole_ohm: float

    def compute_coil_ohm(self, omega: Array) -> Complex:
        """Electrical impedance with the diaphragm held."""
        iron = 1j * omega * self.coil_h
        return np.asarray(self.coil_ohm + iron * self.eddy_ohm / (iron + self.eddy_ohm))

    def compute_diaphragm(self, omega: Array, circuit_ohm: Complex | None = None) -> Complex:
        """Acoustic impedance, Pa s/m3; with a closed electrical circuit that adds to it."""
        own = 2.0 * math.pi * self.resonance_hz
        mechanical = self.mass_kg * (1j * omega + own / self.quality + own**2 / (1j * omega))
        held: Complex | float = 0.0
        if circuit_ohm is not None:
            held = self.force_n_per_a**2 * self.return_ratio / circuit_ohm
        return np.asarray((mechanical + held) / self.area_m2**2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Air:
    """The air of the place."""

    pressure_pa: float
    temperature_c: float

    @property
    def density_kg_per_m3(self) -> float:
        """Of dry air."""
        return self.pressure_pa * 0.028965 / (8.3145 * (273.15 + self.temperature_c))

    @property
    def stiffness_pa(self) -> float:
        """Pressure for a share of volume, no heat lost."""
        return HEAT_RATIO * self.pressure_pa


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """Where a transducer looks into a block: middle and half-edges, metres; 0 for its own wall."""

    middle_m: tuple[float, float, float]
    half_m: tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """
    A block with three holes: receivers at both ends, the microphone in a side.

    Parameters
    ----------
    edges_m : tuple of float
        Bore, bore, height.
    microphone_at : float
        Height of the microphone, as a share of the block's.
    leak_ohm, leak_kg_per_m4 : float
        The slit at the seats: acoustic resistance and mass.
    """

    edges_m: tuple[float, float, float]
    microphone_at: float
    leak_ohm: float
    leak_kg_per_m4: float

    @property
    def volume_m3(self) -> float:
        """Of the air between the holes' planes."""
        return math.prod(self.edges_m)

    def list_openings(self) -> tuple[Opening, Opening, Opening]:
        """Of the first receiver, the second and the microphone."""
        width, depth, height = self.edges_m
        face = (0.4 * width, 0.4 * depth, 0.0)
        small = (0.0, 0.1 * depth, min(0.1 * depth, 0.3 * height))
        return (
            Opening(middle_m=(0.5 * width, 0.5 * depth, 0.0), half_m=face),
            Opening(middle_m=(0.5 * width, 0.5 * depth, height), half_m=face),
            Opening(middle_m=(0.0, 0.5 * depth, self.microphone_at * height), half_m=small),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Jig:
    """
    Everything of one try: parts, two blocks, air, electronics, and what its owner reads of them.

    Parameters
    ----------
    first, second : Receiver
    small, large : Block
    air : Air
    microphone_per_pa, microphone_low_hz, microphone_high_hz : float
        Full-scale units for a pascal in its middle, and where it falls and peaks.
    microphone_m3 : float
        Air that gives way as its diaphragm does.
    source_ohm, tap_ohm, resistor_ohm, tap_v, drive_v : float
        Of the line drive, the line tap and the true resistor; volts for 1.0 in and out.
    seat_m3 : float
        By how much the air at the first receiver's seat differs in the larger block.
    """

    first: Receiver
    second: Receiver
    small: Block
    large: Block
    air: Air
    microphone_per_pa: float
    microphone_low_hz: float
    microphone_high_hz: float
    microphone_m3: float
    source_ohm: float
    tap_ohm: float
    resistor_ohm: float
    tap_v: float
    drive_v: float
    seat_m3: float = 0.0

    def compute_microphone(self, frequency_hz: Array) -> Complex:
        """The microphone's sensitivity: what is to be found. Full-scale units for a pascal."""
        low = 1.0 / (1.0 + self.microphone_low_hz / (1j * frequency_hz))
        turn = frequency_hz / self.microphone_high_hz
        return np.asarray(self.microphone_per_pa * low / (1.0 - turn**2 + 0.5j * turn))


def make_jig(seed: int) -> Jig:
    """
    A jig with parts of its own.

    Parameters
    ----------
    seed : int

    Returns
    -------
    Jig
    """
    drawn = make_generator(seed, "reciprocity jig")
    bore_m = 1e-3 * drawn.uniform(27.0, 33.0)
    depth_m = bore_m * drawn.uniform(0.95, 1.05)
    at = float(drawn.uniform(0.3, 0.7))
    small, large = (
        Block(
            edges_m=(bore_m, depth_m, 1e-3 * drawn.uniform(*height_mm)),
            microphone_at=at,
            leak_ohm=3e8 * draw_factor(drawn, 8.0),
            leak_kg_per_m4=2e4 * draw_factor(drawn, 3.0),
        )
        for height_mm in ((8.0, 10.0), (20.0, 24.0))
    )
    return Jig(
        first=_draw_receiver(drawn, 900.0),
        second=_draw_receiver(drawn, 1200.0),
        small=small,
        large=large,
        air=Air(
            pressure_pa=float(drawn.uniform(96e3, 103e3)),
            temperature_c=float(drawn.uniform(15.0, 26.0)),
        ),
        microphone_per_pa=0.12 * draw_factor(drawn, 4.0),
        microphone_low_hz=float(drawn.uniform(8.0, 30.0)),
        microphone_high_hz=float(drawn.uniform(9e3, 14e3)),
        microphone_m3=1e-6 * float(drawn.uniform(0.02, 0.1)),
        source_ohm=float(drawn.choice([10.0, 75.0, 600.0])),
        tap_ohm=float(drawn.uniform(10e3, 60e3)),
        resistor_ohm=RESISTOR_OHM * (1.0 + 0.005 * float(np.clip(drawn.normal(), -2.0, 2.0))),
        tap_v=1.7 * draw_factor(drawn, 2.0),
        drive_v=1.5 * draw_factor(drawn, 2.0),
        seat_m3=0.05e-6 * float(drawn.normal()),
    )


def _draw_receiver(drawn: np.random.Generator, resonance_hz: float) -> Receiver:
    return Receiver(
        coil_ohm=55.0 * draw_factor(drawn, 2.0),
        coil_h=0.03 * draw_factor(drawn, 2.0),
        eddy_ohm=350.0 * draw_factor(drawn, 2.0),
        force_n_per_a=4.0 * draw_factor(drawn, 2.0),
        return_ratio=draw_factor(drawn, 0.1),
        area_m2=6e-4 * draw_factor(drawn, 0.5),
        mass_kg=0.9e-3 * draw_factor(drawn, 1.0),
        resonance_hz=resonance_hz * draw_factor(drawn, 1.0),
        quality=5.0 * draw_factor(drawn, 2.0),
        front_m3=0.4e-6 * draw_factor(drawn, 2.0),
        cap_m3=2.5e-6 * draw_factor(drawn, 2.0),
        hole_kg_per_m4=230.0 * draw_factor(drawn, 2.0),
        hole_ohm=2e5 * draw_factor(drawn, 3.0),
    )


def swap_receivers(jig: Jig) -> Jig:
    """The same with the receivers' roles exchanged; each stays at its end of the block."""
    small, large = (
        dataclasses.replace(block, microphone_at=1.0 - block.microphone_at)
        for block in (jig.small, jig.large)
    )
    return dataclasses.replace(jig, first=jig.second, second=jig.first, small=small, large=large)


def compute_take(
    jig: Jig, frequency_hz: Array, *, is_large: bool, is_first_driven: bool
) -> tuple[Complex, Complex]:
    """
    What line tap and ear record for a played 1.0.

    Parameters
    ----------
    jig : Jig
    frequency_hz : ndarray, shape (n,)
    is_large : bool
        Which block.
    is_first_driven : bool
        The first receiver driven through the resistor that the line tap listens to, the second
        one open; else the second one driven and the tap across the first.

    Returns
    -------
    tap, ear : complex ndarray, shape (n,)
        Full-scale units.
    """
    omega = 2.0 * np.pi * frequency_hz
    first, second = jig.first, jig.second
    if is_large:
        first = dataclasses.replace(first, cap_m3=first.cap_m3 + jig.seat_m3)
    if is_first_driven:
        shunt = 1.0 / (1.0 / jig.resistor_ohm + 1.0 / jig.tap_ohm)
        circuit = jig.source_ohm + first.compute_coil_ohm(omega) + shunt
        ports = (_Port(first, jig.air, omega, circuit), _Port(second, jig.air, omega))
        blocked_a = jig.drive_v / circuit
        pressures = _solve_air(jig, omega, ports, (ports[0].push(blocked_a), 0.0), is_large)
        back_v = ports[0].find_voltage(pressures[0], ports[0].thrust(blocked_a))
        tap_v = (jig.drive_v - back_v) / circuit * shunt
    else:
        circuit = jig.source_ohm + second.compute_coil_ohm(omega)
        heard = first.compute_coil_ohm(omega) + jig.tap_ohm
        ports = (_Port(first, jig.air, omega, heard), _Port(second, jig.air, omega, circuit))
        flows = (0.0, ports[1].push(jig.drive_v / circuit))
        pressures = _solve_air(jig, omega, ports, flows, is_large)
        tap_v = ports[0].find_voltage(pressures[0]) * jig.tap_ohm / heard
    ear = pressures[2] * jig.compute_microphone(frequency_hz)
    return np.asarray(tap_v / jig.tap_v), np.asarray(ear)


class _Port:
    """A receiver as the block sees it: an admittance, and a flow where it is driven."""

    def __init__(
        self, receiver: Receiver, air: Air, omega: Array, circuit_ohm: Complex | None = None
    ) -> None:
        self.receiver = receiver
        self.diaphragm = receiver.compute_diaphragm(omega, circuit_ohm)
        self.hole = receiver.hole_ohm + 1j * omega * receiver.hole_kg_per_m4
        self.front = 1j * omega * receiver.front_m3 / air.stiffness_pa
        within = 1.0 / self.diaphragm + self.front
        cap = 1j * omega * receiver.cap_m3 / air.stiffness_pa
        self.admittance = cap + 1.0 / (self.hole + 1.0 / within)
        self.share = 1.0 / (1.0 + self.hole * within)
        """Of the pressure in the block, what is behind the holes; and of a flow, what gets out."""

    def thrust(self, current_a: Complex) -> Complex:
        """Pressure on the diaphragm by a current."""
        return np.asarray(self.receiver.force_n_per_a * current_a / self.receiver.area_m2)

    def push(self, current_a: Complex) -> Complex:
        """Flow into a block that gives way altogether, by a current, m3/s."""
        return np.asarray(self.thrust(current_a) / self.diaphragm * self.share)

    def find_voltage(self, pressure: Complex, thrust: Complex | float = 0.0) -> Complex:
        """Voltage of the coil for the pressure in the block, and its own thrust."""
        within = 1.0 / self.diaphragm + self.front
        own = thrust / self.diaphragm
        behind = (own + pressure / self.hole) / (within + 1.0 / self.hole)
        flow = (thrust - behind) / self.diaphragm
        velocity = flow / self.receiver.area_m2
        return np.asarray(self.receiver.force_n_per_a * self.receiver.return_ratio * velocity)


def _solve_air(
    jig: Jig,
    omega: Array,
    ports: tuple[_Port, _Port],
    pushed: tuple[Complex | float, Complex | float],
    is_large: bool,
) -> Complex:
    """Pressures at the three openings, shape (3, n), by what the receivers push in."""
    block = jig.large if is_large else jig.small
    own = _compute_box(block, jig.air, omega)
    leak = 1.0 / (block.leak_ohm + 1j * omega * block.leak_kg_per_m4)
    microphone = 1j * omega * jig.microphone_m3 / jig.air.stiffness_pa
    taken = np.array([ports[0].admittance + leak, ports[1].admittance, microphone])
    flows = np.zeros((len(omega), 3), dtype=complex)
    flows[:, 0], flows[:, 1] = pushed
    sent = np.einsum("nij,nj->ni", own, flows)
    network = np.eye(3) + own * taken.T[:, None, :]
    return np.asarray(np.linalg.solve(network, sent[:, :, None])[:, :, 0].T)


def _compute_box(block: Block, air: Air, omega: Array) -> Complex:
    """Pressures at the openings for flows in at them, shape (n, 3, 3), Pa s/m3."""
    counts = np.stack(np.meshgrid(*map(np.arange, MODES), indexing="ij")).reshape(3, -1)
    edges = np.array(block.edges_m)
    waves = np.pi * counts / edges[:, None]
    shapes = np.array([_shape_opening(one, waves) for one in block.list_openings()])
    norms = np.prod(np.where(counts == 0, 1.0, 0.5), axis=0)
    surface = 2.0 * (edges[0] * edges[1] + edges[1] * edges[2] + edges[0] * edges[2])
    layer = np.sqrt(2.0 * WALL_HEAT_M2_PER_S / omega)
    heat = 1.0 + (HEAT_RATIO - 1.0) * (1.0 - 1.0j) * 0.5 * layer * surface / block.volume_m3
    square = omega**2 * air.density_kg_per_m3 / air.stiffness_pa * heat
    squares = np.sum(waves**2, axis=0)
    pairs = (shapes[:, None, :] * shapes[None, :, :] / norms).reshape(9, -1)
    sums = pairs @ (1.0 / (squares[:, None] - square[None, :]))
    factor = 1j * omega * air.density_kg_per_m3 / block.volume_m3
    return np.asarray((sums * factor).T.reshape(-1, 3, 3))


def _shape_opening(opening: Opening, waves: Array) -> Array:
    """Mean of each mode over an opening."""
    shape = np.ones(waves.shape[1])
    for middle, half, wave in zip(opening.middle_m, opening.half_m, waves, strict=True):
        shape = shape * np.cos(wave * middle) * np.sinc(wave * half / np.pi)
    return shape
