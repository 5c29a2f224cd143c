"""
The parts of a telephone between a resistor and two inputs of a sound card, as a solved circuit.

The card has a source impedance, inputs with resistance, capacitance and a high-pass each, a gain
and an offset of each channel, hum and noise; the leads have resistance. Values of parts are those
of the trade or proposals, beside each. Nothing here inverts anything: voltages come from the nodes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.bench.simulated.draws import make_generator
from voicecheck.bench.simulated.feedscene import make_feed_take
from voicecheck.bench.simulated.nodal import Circuit, Complex
from voicecheck.bench.simulated.scene import Drive, Scene, SceneKind, check_words
from voicecheck.fourier import find_next_fast_length
from voicecheck.records.arrays import Array

SOURCE, BEFORE, BEHIND, PART = 1, 1, 2, 3
"""Nodes: before the resistor, behind it, and the part's own terminal."""
WORDS = {
    "healthy": "as it ought to be",
    "aged": "condenser or winding 20 % off",
    "lossy": "condenser with a loss of 6 %",
    "shorted-turn": "a shorted turn in the coil or network",
    "open-condenser": "the condenser of the network or bell is open",
    "dead-magnet": "the receiver's magnet has lost most of its pull",
    "damped": "a finger lies on the receiver's cap",
    "dirty": "the contact has ohms and jumps as it is moved",
    "one-sided": "the limiter has one dead diode",
    "no-limiter": "the limiter is missing",
    "still-connected": "2200 ohm of the circuit are still across the part",
    "open-lead": "a lead to the part has come off",
    "swapped": "the two inputs are the wrong way round",
    "clipping": "the inputs are overdriven",
    "hum": "strong hum of the mains",
    "open": "nothing in the part's place",
    "short": "the clips joined",
    "known": "the known resistor in the part's place",
}
"""Words that a scene takes, joined with "+"; those that are not of the part change nothing."""
GRID = 3000
HUM_SHARES = ((1, 1.0), (2, 0.25), (3, 0.5), (5, 0.3), (7, 0.2), (9, 0.1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """
    One individual of a sound card and its leads.

    Parameters
    ----------
    source_ohm : float
        Of the output, with its amplifier.
    input_ohm, input_f : tuple of float
        Of each input with its cable.
    corner_hz : tuple of float
        High-pass of each input.
    gain : tuple of float
    late_s : float
        How much later the second channel samples.
    offset : tuple of float
        Direct offset of each channel, full-scale units.
    noise, hum : float
        RMS of white noise; amplitude of the mains; full-scale units.
    leads_ohm : float
    mains_hz : float
    """

    source_ohm: float
    input_ohm: tuple[float, float]
    input_f: tuple[float, float]
    corner_hz: tuple[float, float]
    gain: tuple[float, float]
    late_s: float
    offset: tuple[float, float]
    noise: float
    hum: float
    leads_ohm: float
    mains_hz: float
    drift_db: float = 0.004
    drift_deg: float = 0.02
    """Standard deviations of one channel re the other, from take to take."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PartTruth:
    """Which part and card it is; `compute_ohm` gives the part's impedance at any frequencies."""

    part: str
    words: tuple[str, ...]
    card: Card | None
    compute_ohm: Callable[[Array], Complex] | None = None
    feed_ma: float | None = None


def draw_card(seed: int) -> Card:
    """A card of its own for each seed; spreads are proposals."""
    draw = make_generator(seed, "parts", "card")
    ohm = float(10.0 ** draw.uniform(4.0, 5.5))
    return Card(
        source_ohm=float(draw.uniform(10.0, 200.0)),
        input_ohm=(ohm * float(draw.uniform(0.98, 1.02)), ohm),
        input_f=(float(draw.uniform(1e-10, 5e-10)), float(draw.uniform(1e-10, 5e-10))),
        corner_hz=(float(draw.uniform(1.0, 2.5)), float(draw.uniform(1.0, 2.5))),
        gain=(0.8, 0.8 * 10.0 ** float(draw.normal(0.0, 0.06) / 20.0)),
        late_s=float(draw.normal(0.0, 1.5e-7)),
        offset=(float(draw.normal(0.0, 0.002)), float(draw.normal(0.0, 0.002))),
        noise=10.0 ** (-82.0 / 20.0) / np.sqrt(2.0),
        hum=10.0 ** (float(draw.uniform(-75.0, -60.0)) / 20.0),
        leads_ohm=float(draw.uniform(0.03, 0.15)),
        mains_hz=float(draw.choice([50.0, 60.0]) + draw.normal(0.0, 0.02)),
    )


def add_part(circuit: Circuit, part: str, words: tuple[str, ...], seed: int, node: int = 1) -> None:
    """
    Put a part between a node and the common one.

    Parameters
    ----------
    circuit : Circuit
    part : str
    words : tuple of str
    seed : int
        Individuals differ by some percent.
    node : int
    """
    draw = make_generator(seed, "parts", part)
    own = float(1.0 + 0.08 * np.clip(draw.standard_normal(), -2.0, 2.0))
    if "open-lead" in words:
        circuit.condenser(node, 0, 20e-12)
        return
    if "still-connected" in words:
        circuit.resistor(node, 0, 2200.0)
    _PARTS[part](circuit, words, own, node)


def _add_capacitor(circuit: Circuit, words: tuple[str, ...], own: float, node: int) -> None:
    """0.47 uF, the field's ringer condenser; a loss of 0.4 % and 0.5 ohm of foil PROP."""
    farad = 0.47e-6 * own * (1.2 if "aged" in words else 1.0)
    circuit.resistor(node, node + 1, 0.5)
    circuit.condenser(node + 1, 0, farad, 0.06 if "lossy" in words else 0.004)


def _add_bell(circuit: Circuit, words: tuple[str, ...], own: float, node: int) -> None:
    """Two windings of 1325 ohm on one core, 0.47 uF: the field's 2650 ohm; inductance PROP."""
    farad = 30e-12 if "open-condenser" in words else 0.47e-6 * (0.8 if "aged" in words else 1.0)
    circuit.condenser(node, node + 1, farad, 0.005)
    circuit.coil(node + 1, node + 2, 15.0 * own, 1325.0, 0.12)
    if "shorted-turn" in words:
        # The winding, and a turn of it that feeds on itself through its own wire.
        turns, henry = 10000.0, 45.0 * own
        own_h = henry / turns**2
        mutual = 0.98 * np.sqrt(henry * own_h)
        circuit.coupled((node + 2, 0), (node + 3, 0), (henry, own_h, float(mutual)), (1325.0, 5e-5))
        circuit.resistor(node + 3, 0, 5e-5)
        return
    circuit.coil(node + 2, 0, 45.0 * own, 1325.0, 0.12)


def _add_receiver(circuit: Circuit, words: tuple[str, ...], own: float, node: int) -> None:
    """42 ohm and 14 mH with iron; a diaphragm at 1.15 kHz of Q 5 that moves (PROP)."""
    pull = 0.05 if "dead-magnet" in words else 1.0
    held = 0.04 if "damped" in words else 1.0
    circuit.coil(node, node + 1, 0.014 * own, 42.0, 0.3)
    turn, hz = 1150.0 * own, circuit.frequency_hz
    if "damped" in words:
        turn *= 1.6
    swing = 1.0 / (1.0 + 5.0j * (hz / turn - turn / hz))
    circuit.branch(node + 1, 0, 60.0 * pull * held * swing + 1e-6)


def _add_set(circuit: Circuit, words: tuple[str, ...], own: float, node: int) -> None:
    """
    A hybrid coil between line, transmitter and receiver with its balance, and the feed across it.

    Windings, condenser and balance are those of no make: chosen for 500 to 700 ohm (PROP).
    """
    line, tap, ear, far = node, node + 1, node + 2, node + 3
    henry, turns, coupling = 0.4 * own, 0.85, 0.998
    coils = (henry, turns**2 * henry, coupling * turns * henry)
    circuit.coupled((line, tap), (ear, tap), coils, (28.0, 32.0))
    circuit.resistor(tap, 0, 270.0)
    circuit.coil(ear, far, 0.01, 320.0, 0.3)
    circuit.condenser(far, 0, 3e-11 if "open-condenser" in words else 2.0e-6, 0.01)
    circuit.resistor(far, tap, 330.0)
    if "shorted-turn" in words:
        circuit.branch(line, tap, 12.0 + 2j * np.pi * circuit.frequency_hz * 1.5e-3)
    circuit.coil(line, 0, 4.0, 300.0, 0.1)


def _add_contact(circuit: Circuit, words: tuple[str, ...], own: float, node: int) -> None:
    """A burnished contact has tens of milliohms, a dirty one an ohm and more (PROP)."""
    circuit.resistor(node, 0, (1.4 if "dirty" in words else 0.06) * own)


_PARTS: dict[str, Callable[[Circuit, tuple[str, ...], float, int], None]] = {
    "set": _add_set,
    "receiver": _add_receiver,
    "capacitor": _add_capacitor,
    "bell": _add_bell,
    "contact": _add_contact,
    "limiter": _add_receiver,
}


def compute_part_ohm(part: str, words: tuple[str, ...], seed: int, frequency_hz: Array) -> Complex:
    """
    Impedance of a part at its terminals, from its circuit alone.

    Parameters
    ----------
    part : str
    words : tuple of str
    seed : int
    frequency_hz : ndarray, shape (n,)

    Returns
    -------
    ndarray of complex, shape (n,)
        Ohm.
    """
    circuit = Circuit(frequency_hz)
    add_part(circuit, part, words, seed)
    across = circuit.solve(1, 1000.0)[:, 1]
    return np.asarray(1000.0 * across / (1.0 - across))


def make_parts(words: tuple[str, ...], seed: int, drive: Drive) -> Scene[PartTruth]:
    """
    What two inputs take in while a stimulus is played to a part.

    Parameters
    ----------
    words : tuple of str
        Of `WORDS`.
    seed : int
        Which card and which individual.
    drive : Drive

    Returns
    -------
    Scene of PartTruth
    """
    card = draw_card(seed)
    if drive.part == "feed":
        samples, feed_ma = make_feed_take(seed, drive.resistor_ohm, drive.rate_hz, words)
        truth = PartTruth(part="feed", words=words, card=None, feed_ma=feed_ma)
        return Scene(samples=samples, rate_hz=drive.rate_hz, truth=truth)
    is_plain = drive.part not in ("contact", "limiter") or {"open", "short", "known"} & set(words)
    take: tuple[int | str, ...] = (seed, *sorted(words))
    if is_plain:
        heard = _play_linear(card, words, seed, drive)
    elif drive.part == "contact":
        heard = _hear(card, _play_contact(card, words, seed, drive), drive.rate_hz, take)
    else:
        heard = _hear(card, _play_limiter(card, words, drive), drive.rate_hz, take)
    channels = _disturb(card, heard, words, seed, drive.rate_hz)
    if "swapped" in words:
        channels = channels[::-1]

    def compute_ohm(frequency_hz: Array) -> Complex:
        return compute_part_ohm(drive.part, words, seed, frequency_hz)

    truth = PartTruth(part=drive.part, words=words, card=card, compute_ohm=compute_ohm)
    return Scene(samples=channels[0], second=channels[1], rate_hz=drive.rate_hz, truth=truth)


def _list_grid(rate_hz: int) -> Array:
    return np.geomspace(1.0, 0.5 * rate_hz, GRID)


def solve_inputs(
    card: Card, words: tuple[str, ...], seed: int, drive: Drive, frequency_hz: Array
) -> tuple[Complex, Complex]:
    """
    What both inputs read of 1 at the card's output, from the nodes of the whole circuit.

    Parameters
    ----------
    card : Card
    words : tuple of str
    seed : int
    drive : Drive
    frequency_hz : ndarray, shape (n,)

    Returns
    -------
    before, behind : ndarray of complex, shape (n,)
    """
    circuit = Circuit(frequency_hz)
    for node, ohm, farad in zip((BEFORE, BEHIND), card.input_ohm, card.input_f, strict=True):
        circuit.resistor(node, 0, ohm)
        circuit.condenser(node, 0, farad)
    circuit.resistor(BEFORE, BEHIND, drive.resistor_ohm)
    circuit.resistor(BEHIND, PART, card.leads_ohm)
    if "known" in words:
        circuit.resistor(PART, 0, drive.reference_ohm)
    elif "short" in words:
        circuit.resistor(PART, 0, 1e-6)
    elif "open" in words:
        circuit.resistor(PART, 0, 1e12)
    else:
        add_part(circuit, drive.part, words, seed, PART)
    voltages = circuit.solve(SOURCE, card.source_ohm)
    before, behind = _pass_inputs(card, frequency_hz, (seed, *sorted(words)))
    return voltages[:, BEFORE] * before, voltages[:, BEHIND] * behind


def _play_linear(card: Card, words: tuple[str, ...], seed: int, drive: Drive) -> list[Array]:
    grid = _list_grid(drive.rate_hz)
    responses = solve_inputs(card, words, seed, drive, grid)
    return _filter(drive.samples, drive.rate_hz, grid, responses)


def _pass_inputs(card: Card, frequency_hz: Array, take: tuple[int | str, ...]) -> list[Complex]:
    """Gain, high-pass and lateness of both inputs in one take, along a grid."""
    draw = make_generator(int(take[0]), "parts", "drift", *take[1:])
    moved = 10.0 ** (card.drift_db / 20.0 * draw.standard_normal())
    moved = moved * np.exp(1j * np.radians(card.drift_deg) * draw.standard_normal())
    return [
        card.gain[place]
        * (1.0, moved)[place]
        / (1.0 - 1j * card.corner_hz[place] / frequency_hz)
        * np.exp(-2j * np.pi * frequency_hz * card.late_s * place)
        for place in (0, 1)
    ]


def _filter(
    samples: Array, rate_hz: int, frequency_hz: Array, responses: Sequence[Complex]
) -> list[Array]:
    """Samples through responses known on a grid, straight lines over log frequency in between."""
    length = find_next_fast_length(len(samples) + rate_hz)
    spectrum = np.fft.rfft(samples, length)
    at = np.log(np.maximum(np.fft.rfftfreq(length, 1.0 / rate_hz), frequency_hz[0]))
    place = np.log(frequency_hz)
    heard = []
    for one in responses:
        smooth = np.interp(at, place, one.real) + 1j * np.interp(at, place, one.imag)
        heard.append(np.fft.irfft(spectrum * smooth, length)[: len(samples)])
    return heard


def _divide(card: Card, drive: Drive, part_ohm: Array) -> tuple[Array, Array]:
    """Two resistors and the part as a chain, instant by instant."""
    across = 1.0 / (1.0 / (part_ohm + card.leads_ohm) + 1.0 / card.input_ohm[1])
    chain = 1.0 / (1.0 / (drive.resistor_ohm + across) + 1.0 / card.input_ohm[0])
    before = drive.samples * chain / (chain + card.source_ohm)
    return before, before * across / (across + drive.resistor_ohm)


def _play_contact(
    card: Card, words: tuple[str, ...], seed: int, drive: Drive
) -> tuple[Array, Array]:
    circuit = Circuit(np.array([1000.0]))
    add_part(circuit, "contact", words, seed)
    across = circuit.solve(1, 1000.0)[0, 1]
    ohm = np.full(len(drive.samples), float((1000.0 * across / (1.0 - across)).real))
    if "dirty" in words:
        draw = make_generator(seed, "parts", "moved")
        start_s, end_s = drive.hold_s
        for at_s in np.arange(start_s + 1.0, end_s - 0.5, 1.0):
            first = round((at_s + draw.uniform(0.05, 0.3)) * drive.rate_hz)
            last = first + round(draw.uniform(0.01, 0.06) * drive.rate_hz)
            ohm[first:last] = 1e5 if draw.uniform() < 0.4 else draw.uniform(8.0, 60.0)
    return _divide(card, drive, ohm)


def _play_limiter(card: Card, words: tuple[str, ...], drive: Drive) -> tuple[Array, Array]:
    """Two diodes back to back across 130 ohm, by Newton's steps at every instant."""
    feed_ohm = drive.resistor_ohm + card.leads_ohm + card.source_ohm
    volts = np.zeros(len(drive.samples))
    sides = {"no-limiter": (0.0, 0.0), "one-sided": (1.0, 0.0)}
    up, down = next((sides[word] for word in words if word in sides), (1.0, 1.0))
    knee, full_v, saturation = 0.045, 2.8, 4e-6
    emf = full_v * drive.samples
    for _ in range(60):
        lifted, lowered = (np.exp(np.clip(sign * volts / knee, -60, 18)) for sign in (1.0, -1.0))
        current = volts / 130.0 + saturation * (up * (lifted - 1.0) - down * (lowered - 1.0))
        slope = 1.0 / 130.0 + saturation / knee * (up * lifted + down * lowered) + 1.0 / feed_ohm
        step = (current - (emf - volts) / feed_ohm) / slope
        volts -= np.clip(step, -0.1, 0.1)
    flowing = (emf - volts) / feed_ohm
    before = emf - flowing * card.source_ohm
    return before / full_v, (before - flowing * drive.resistor_ohm) / full_v


def _hear(
    card: Card, nodes: tuple[Array, Array], rate_hz: int, take: tuple[int | str, ...]
) -> list[Array]:
    """Voltages that were found instant by instant, through the inputs."""
    grid = _list_grid(rate_hz)
    taps = _pass_inputs(card, grid, take)
    return [_filter(volts, rate_hz, grid, [tap])[0] for volts, tap in zip(nodes, taps, strict=True)]


def _disturb(
    card: Card, heard: list[Array], words: tuple[str, ...], seed: int, rate_hz: int
) -> list[Array]:
    """Offset, hum, noise and the end of the scale, as each input adds them."""
    draw = make_generator(seed, "parts", "take", *sorted(words))
    loud = 10.0 if "clipping" in words else 1.0
    time_s = np.arange(len(heard[0])) / rate_hz
    hum = np.zeros(len(time_s))
    for order, share in HUM_SHARES:
        turn = 2.0 * np.pi * card.mains_hz * order * time_s + draw.uniform(0.0, 6.0)
        hum += share * np.sin(turn)
    hum *= card.hum * (60.0 if "hum" in words else 1.0)
    return [
        np.clip(
            loud * one + card.offset[place] + (0.4, 1.0)[place] * hum
            + card.noise * draw.standard_normal(len(one)),
            -1.0, 1.0,
        )
        for place, one in enumerate(heard)
    ]  # fmt: skip


def _make(text: str, _more: str, seed: int, drive: Drive) -> Scene[PartTruth]:
    return make_parts(check_words(text, WORDS, "parts"), seed, drive)


SCENE = SceneKind(words=WORDS, make_driven=_make)
