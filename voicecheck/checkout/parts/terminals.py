"""
What a part's impedance is, from ratios of two channels: the two-port in between solved for.

Between the node before the resistor and the part lie the resistor, the leads, the second input
and both channels: whatever they are, the ratio is M = (a Z + b) / (c Z + 1). Takes of an open end,
a short and a known resistor in the part's place give a, b and c, and

    Z = Z_k (M_o - M_k) (M - M_s) / ((M_k - M_s) (M_o - M)).

A take that is missing is computed from what is known of the bench, and what is not known of it
becomes a row of the budget. The rows follow the Guide to the expression of uncertainty in
measurement (JCGM 100, 5.1): each input is moved by its half-width and all is computed anew.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.checkout.parts.lockin import Complex, Ratios
from voicecheck.records.arrays import Array

MATCH_DB, MATCH_DEG = 0.2, 1.0
"""Of two inputs of one card that nobody compared (PROP): half-widths of 95 % intervals."""
DRIFT_DB, DRIFT_DEG = 0.02, 0.1
"""The same between two takes, or of inputs that were compared (PROP)."""
INPUT_SIEMENS, INPUT_FARAD = 1e-4, 1e-9
"""An input that nobody measured has 10 kilohm or more and 1 nF or less with its cable (PROP)."""
LEADS_OHM = 0.2
"""Of test leads and clips that nobody shorted (PROP)."""
N_DRAWS = 48
TWICE = 1.96
"""Half-width of a 95 % interval re the standard deviation."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bench:
    """
    What is known of resistor and inputs.

    Parameters
    ----------
    resistor_ohm, resistor_percent : float
    open, short, reference : Ratios or None
        With nothing, a short, or a known resistor in the part's place; at the part's tones.
    reference_ohm, reference_percent : float
    """

    resistor_ohm: float
    resistor_percent: float
    open: Ratios | None = None
    short: Ratios | None = None
    reference: Ratios | None = None
    reference_ohm: float = 0.0
    reference_percent: float = 0.0

    def change(self, how: Callable[[Ratios], Ratios]) -> Bench:
        """The same with each of its takes changed."""
        return dataclasses.replace(
            self,
            open=self.open and how(self.open),
            short=self.short and how(self.short),
            reference=self.reference and how(self.reference),
        )

    def take(self, places: Sequence[int]) -> Bench:
        """The same at tones given by their places, some of them more than once if need be."""
        return self.change(lambda one: one.take(places))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Moved:
    """Inputs of the computation, each moved from what it is taken to be."""

    resistor: float = 0.0
    reference: float = 0.0
    match: complex = 1.0 + 0.0j
    drift: complex = 1.0 + 0.0j
    split: complex = 0.0j
    siemens: float = 0.0
    farad: float = 0.0
    leads_ohm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Impedance:
    """
    Impedance of a part, and the same with each input of the computation moved.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
    ohm : ndarray of complex, shape (n,)
    moved : mapping of str to tuple of ndarray
        Row of the budget -> the impedance with each input behind that row moved by half a
        95 % interval.
    draws : ndarray of complex, shape (n_draws, n)
        With noise added that is as strong as what was there.
    """

    frequency_hz: Array
    ohm: Complex
    moved: Mapping[str, tuple[Complex, ...]]
    draws: Complex

    @property
    def half_width_ohm(self) -> Array:
        """
        Half-width of a 95 % interval of the magnitude, shape (n,).

        What an unknown input does may turn the impedance first and stretch it then: its row is
        the whole way that it moves.
        """
        rows = spread(self, np.abs)
        if "input" in rows:
            rows["input"] = np.sqrt(sum(np.abs(one - self.ohm) ** 2 for one in self.moved["input"]))
        return np.sqrt(sum(row**2 for row in rows.values()))


def spread(z: Impedance, figure: Callable[[Complex], Array]) -> dict[str, Array]:
    """
    What a figure's uncertainty is made of.

    Parameters
    ----------
    z : Impedance
    figure : callable
        Impedances of shape (n,) -> the figure, shape () or (m,).

    Returns
    -------
    dict of str to ndarray
        Row -> half-width of a 95 % interval by this row alone.
    """
    nominal = np.asarray(figure(z.ohm))
    rows = {
        name: np.sqrt(sum(np.square(np.abs(np.asarray(figure(one)) - nominal)) for one in every))
        for name, every in z.moved.items()
    }
    drawn = np.array([figure(one) for one in z.draws])
    rows["noise"] = TWICE * np.sqrt(np.mean(np.square(drawn - nominal), axis=0))
    return rows


def solve(ratios: Ratios, bench: Bench) -> Impedance:
    """
    Impedance of a part with what its uncertainty rests on.

    Parameters
    ----------
    ratios : Ratios
    bench : Bench

    Returns
    -------
    Impedance
    """
    nominal = _solve(ratios, bench, _Moved())
    moved = {
        name: tuple(_solve(ratios, bench, one) for one in every)
        for name, every in _list_moves(bench).items()
    }
    noises = _draw_noises(len(ratios.sd))
    draws = np.array(
        [
            _solve(_shake(ratios, every[0]), bench.change(_Shake(every[1:])), _Moved())
            for every in noises
        ]
    )
    return Impedance(frequency_hz=ratios.frequency_hz, ohm=nominal, moved=moved, draws=draws)


def _list_moves(bench: Bench) -> dict[str, tuple[_Moved, ...]]:
    """Rows of the budget, each with the inputs behind it moved by half a 95 % interval."""
    moves = {
        "resistor": (_Moved(resistor=0.01 * bench.resistor_percent),),
        "calibration": (
            _Moved(drift=complex(10.0 ** (DRIFT_DB / 20.0))),
            _Moved(drift=complex(np.exp(1j * np.radians(DRIFT_DEG)))),
        ),
    }
    if bench.reference is None:
        moves["match"] = (
            _Moved(match=complex(10.0 ** (MATCH_DB / 20.0))),
            _Moved(match=complex(np.exp(1j * np.radians(MATCH_DEG)))),
        )
    else:
        moves["calibration"] += (_Moved(reference=0.01 * bench.reference_percent),)
    if bench.open is None and bench.reference is None:
        moves["input"] = (_Moved(siemens=INPUT_SIEMENS), _Moved(farad=INPUT_FARAD))
    elif bench.open is None:
        moves["input"] = (_Moved(split=1.0 + 0.0j), _Moved(split=1.0j))
    if bench.short is None:
        moves["leads"] = (_Moved(leads_ohm=LEADS_OHM),)
    return moves


def _solve(ratios: Ratios, bench: Bench, moved: _Moved) -> Complex:
    ratio = ratios.ratio * moved.drift
    resistor_ohm = bench.resistor_ohm * (1.0 + moved.resistor)
    known_ohm = bench.reference_ohm * (1.0 + moved.reference)
    admittance: Complex = np.asarray(
        moved.siemens + 2j * np.pi * ratios.frequency_hz * moved.farad, dtype=np.complex128
    )

    def divide(part_ohm: float, leads_ohm: Complex | float) -> Complex:
        across = 1.0 / (1.0 / np.maximum(part_ohm + leads_ohm, 1e-9 + 0j) + admittance)
        return np.asarray(across / (across + resistor_ohm))

    leads_ohm: Complex | float = moved.leads_ohm
    gain: Complex
    if bench.reference is not None:
        known = bench.reference.ratio
        gain = known / divide(known_ohm, leads_ohm)
        if bench.open is None:
            ohms = (known_ohm, resistor_ohm)
            gain, admittance = _share_out(gain, ratios.frequency_hz, known, ohms, moved)
    else:
        gain = np.full(len(ratio), moved.match, dtype=np.complex128)
        if bench.open is not None:
            admittance = np.asarray((gain / bench.open.ratio - 1.0) / resistor_ohm)
        if bench.short is not None:
            across = (gain / bench.short.ratio - 1.0) / resistor_ohm
            leads_ohm = np.asarray(1.0 / (across - admittance))
        known_ohm = resistor_ohm
        known = gain * divide(known_ohm, leads_ohm)
    opened = gain / (1.0 + resistor_ohm * admittance)
    if bench.open is not None:
        opened = bench.open.ratio
    shorted = gain * divide(0.0, leads_ohm) if bench.short is None else bench.short.ratio
    apart = (known - shorted) * (opened - ratio)
    return np.asarray(known_ohm * (opened - known) * (ratio - shorted) / apart)


def _share_out(
    gain: Complex, frequency_hz: Array, known: Complex, ohms: tuple[float, float], moved: _Moved
) -> tuple[Complex, Complex]:
    """
    Share what a known resistor shows out between unequal channels and a second input that loads.

    One take cannot tell one from the other: each takes of it as its own half-width allows
    (normal on both sides), and what is left unknown is the row of the input.
    """
    known_ohm, resistor_ohm = ohms
    both_ohm = known_ohm * resistor_ohm / (known_ohm + resistor_ohm)
    widths = (
        (np.log(10.0) / 20.0 * MATCH_DB, both_ohm * INPUT_SIEMENS + 0.0 * frequency_hz),
        (np.radians(MATCH_DEG), both_ohm * 2.0 * np.pi * frequency_hz * INPUT_FARAD),
    )
    seen = np.log(gain)
    parts = []
    for (match, load), value, step in zip(
        widths, (seen.real, seen.imag), (moved.split.real, moved.split.imag), strict=True
    ):
        whole = match**2 + load**2
        parts.append(value * match**2 / whole + step * match * load / np.sqrt(whole))
    shared = np.exp(parts[0] + 1j * parts[1])
    admittance = (shared / known - 1.0) / resistor_ohm - 1.0 / known_ohm
    return np.asarray(shared), np.asarray(admittance)


def _draw_noises(n_tones: int) -> Complex:
    """Noise of four takes, shape (n_draws, 4, n_tones): each tone's has exactly the spread of 1."""
    draw = np.random.default_rng(1)
    parts = draw.standard_normal((2, N_DRAWS, 4, n_tones))
    parts -= np.mean(parts, axis=1, keepdims=True)
    parts /= np.std(parts, axis=1, keepdims=True)
    return np.asarray(parts[0] + 1j * parts[1])


def _shake(ratios: Ratios, noise: Complex) -> Ratios:
    return dataclasses.replace(ratios, ratio=ratios.ratio + ratios.sd * noise)


class _Shake:
    """Gives each take of a bench, one after the other, noise of its own."""

    def __init__(self, noises: Complex) -> None:
        self._left = iter(noises)

    def __call__(self, ratios: Ratios) -> Ratios:
        return _shake(ratios, next(self._left))
