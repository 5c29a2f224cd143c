"""What is wrong with the take of a part: leads, inputs, level, mains, the resistor."""

from __future__ import annotations

import numpy as np

from voicecheck.checkout.parts.lockin import Complex, Ratios, lock_in
from voicecheck.checkout.parts.options import USUAL_OHM
from voicecheck.checkout.parts.stimulus import FADE_S, get_settle_s, get_window_s
from voicecheck.checkout.parts.terminals import DRIFT_DB, INPUT_SIEMENS, Bench, Impedance
from voicecheck.records import Problem, Programme, Recording, Timeline
from voicecheck.units import db_from_ratio

ONE_STEP, LOUD, RUN = 2e-5, 0.3, 20
"""
Samples on end that are all at one height, within a step of 16 bits: noise parts those of a sine.
Below 0.3 of full scale no converter is at its end.
"""
BENT = 0.03
"""Third harmonic re the tone of an input before its converter; iron at 1 V makes less (PROP)."""
RESISTORS_OHM = (10.0, 100.0, 600.0, 5000.0)
SMALL = 0.1
"""A resistor of less than a tenth of what suits a part is the first to be looked at."""
MUCH_OHM = 100.0
"""Beyond so many times the resistor a part cannot be told from an open lead."""
WIDE, BETTER = 0.025, 0.5
"""A resistor is wrong where the interval passes 2.5 % and another one would halve it."""
STATED = 1.15
"""What was typed in place of what is there is off by more: by ten times, or another of the set."""
HUM_SHARE = 0.03
"""Mains that passes 3 % of a tone; the lock-in takes off what is beside its tones."""
MAINS_HZ = (50.0, 60.0)
NO_NUMBER = "no figure is stated"


def find_clipping(recording: Recording) -> list[Problem]:
    """Channels whose converter reached the end of its scale and stayed there."""
    found = []
    for number, samples in enumerate((recording.samples, recording.second), 1):
        if samples is None:
            continue
        top = float(np.max(np.abs(samples), initial=0.0))
        held = np.flatnonzero(np.abs(samples) >= top - ONE_STEP)
        if top > LOUD and np.sum(np.diff(held) == 1) > RUN:
            found.append(_tell_clipping(number, float(held[0]) / recording.rate_hz))
    return found


def find_bending(programme: Programme, recording: Recording, timeline: Timeline) -> list[Problem]:
    """Channels with a third harmonic that no part of these has at such levels."""
    tones = sorted(programme.blocks_of("tone"), key=lambda one: one.from_hz or 0.0)
    block = tones[len(tones) // 2]
    tone_hz = (block.from_hz or 0.0) / timeline.stretch
    at_s = timeline.locate_s(block.start_s + FADE_S + get_settle_s(tone_hz))
    length_s = get_window_s(block.from_hz or 0.0)
    wanted, noise = lock_in(recording, tone_hz, at_s, length_s)
    third, _ = lock_in(recording, 3.0 * tone_hz, at_s, length_s)
    bent = np.abs(third) > np.maximum(BENT * np.abs(wanted), 10.0 * noise)
    return [_tell_clipping(int(place) + 1, at_s) for place in np.flatnonzero(bent)]


def _tell_clipping(number: int, at_s: float) -> Problem:
    return Problem(
        kind="clipping",
        at_s=at_s,
        message=f"channel {number} is overdriven: its tops are flat",
        effect=f"{NO_NUMBER}; turn the input down, both alike, and repeat",
    )


def find_hum(
    programme: Programme, recording: Recording, timeline: Timeline, ratios: Ratios
) -> list[Problem]:
    """Mains in the silence before the tones, re the weakest tone across the part."""
    (silence,) = programme.blocks_of("silence")
    strongest = (0.0, 0.0)
    for mains_hz in MAINS_HZ:
        for order in (1, 3):
            both, _ = lock_in(
                recording, order * mains_hz, timeline.locate_s(silence.start_s + 0.05), 1.0
            )
            strongest = max(strongest, (float(np.max(np.abs(both))), order * mains_hz))
    usual = float(np.median(ratios.first))
    if strongest[0] < HUM_SHARE * usual:
        return []
    return [
        Problem(
            kind="hum",
            message=f"hum of {strongest[1]:g} Hz, {db_from_ratio(strongest[0] / usual):.0f} dB re "
            "the tones",
            effect="intervals are wider by what of it is beside the tones; shorten the leads, "
            "earth the bench at one point, take transformers away",
        )
    ]


def find_leads(part: str, ratios: Ratios, bench: Bench) -> list[Problem]:
    """Inputs that are swapped, a lead that is off, a part that is not there."""
    size = np.abs(ratios.ratio)
    noise = ratios.sd
    if np.median(size) > 1.1:
        message = "more stands across the part than before the resistor: the inputs are swapped"
        effect = f"{NO_NUMBER}; 1 goes before the resistor, 2 across the part"
        return [Problem(kind="swapped", message=message, effect=effect)]
    if np.all(size < np.maximum(5.0 * noise, 2e-5)):
        message = "nothing stands across the part: it is shorted, or the second input's lead is off"
        return [
            Problem(kind="open-lead", message=message, effect=f"{NO_NUMBER}; look at the leads")
        ]
    flowing = np.abs(1.0 - ratios.ratio)
    if bench.open is not None:
        flowing = np.abs(bench.open.ratio - ratios.ratio) / np.abs(bench.open.ratio)
    least = 1.0 / MUCH_OHM
    # A condenser lets the high tones through, whatever it is.
    tones = flowing[-3:] if part == "capacitor" else flowing
    return [_tell_open(part, bench.resistor_ohm)] if np.all(tones < least) else []


def _tell_open(part: str, resistor_ohm: float) -> Problem:
    message = "hardly any current flows: a lead to the part is off, or the part is open"
    usual_ohm = USUAL_OHM[part]
    if resistor_ohm < SMALL * usual_ohm:
        return Problem(
            kind="wrong-resistor",
            message=f"{message}; or {resistor_ohm:g} ohm are too little for it",
            effect=f"{NO_NUMBER}; take {usual_ohm:g} ohm and repeat",
        )
    return Problem(
        kind="open-lead",
        message=message,
        effect=f"{NO_NUMBER}; look at the clips, then at the part",
    )


def find_wrong_resistor(z: Impedance, bench: Bench) -> list[Problem]:
    """A resistor that is far from the part's impedance, where another one would do better."""
    widths = z.half_width_ohm
    size = np.abs(z.ohm)
    at = int(np.argmin(widths / np.maximum(size, 1e-12)))
    share = float(widths[at] / max(size[at], 1e-12))
    ohm = float(size[at])
    now = _guess_width(ohm, bench.resistor_ohm)
    best = min(RESISTORS_OHM, key=lambda one: _guess_width(ohm, one))
    if share < WIDE or _guess_width(ohm, best) > BETTER * now:
        return []
    return [
        Problem(
            kind="wrong-resistor",
            message=f"{bench.resistor_ohm:g} ohm does not suit a part of {_round(ohm)} ohm: the "
            f"best point is known to {100.0 * share:.0f} % only",
            effect=f"figures are wide or withheld; take {best:g} ohm and repeat",
        )
    ]


def _guess_width(ohm: float, resistor_ohm: float) -> float:
    """Relative error of a part's impedance by channels and noise, about."""
    match = 0.115 * DRIFT_DB * (1.0 + ohm / resistor_ohm)
    noise = 1e-4 * (1.0 + ohm / resistor_ohm) * (1.0 + resistor_ohm / ohm)
    return float(np.hypot(match, noise))


def _round(ohm: float) -> str:
    return f"{float(f'{ohm:.2g}'):g}"


def find_stated_resistor(bench: Bench) -> list[Problem]:
    """A known resistor that says that the resistor is not what was stated."""
    if bench.reference is None or bench.reference_ohm <= 0.0:
        return []
    share = float(np.median(np.abs(bench.reference.ratio)))
    known_ohm = bench.reference_ohm
    # Across the known resistor lies the input: as it was measured, or 10 kilohm and more.
    least_ohm = known_ohm / (1.0 + known_ohm * INPUT_SIEMENS)
    if bench.open is not None:
        opened = float(np.median(np.abs(bench.open.ratio)))
        share = share / opened
        known_ohm = least_ohm = known_ohm / opened
    if not 0.0 < share < 1.0:
        return []
    found_ohm = known_ohm * (1.0 / share - 1.0)
    lowest_ohm = least_ohm * (1.0 / share - 1.0)
    if lowest_ohm < STATED * bench.resistor_ohm and found_ohm > bench.resistor_ohm / STATED:
        return []
    return [
        Problem(
            kind="wrong-resistor",
            message=f"the known resistor reads as if {_round(found_ohm)} ohm were in series, "
            f"{bench.resistor_ohm:g} ohm are stated",
            effect="look at both resistors and at what was typed; figures rest on them",
        )
    ]


def find_parallel(z: Impedance) -> list[Problem]:
    """A resistance across a condenser: what a loss of its own cannot be."""
    turn = 2.0 * np.pi * z.frequency_hz
    width_ohm = np.maximum(z.half_width_ohm, 1e-9)

    def fit(ohm: Complex) -> tuple[float, float]:
        siemens = 1.0 / ohm
        weight = np.abs(ohm) ** 2 / width_ohm
        basis = np.stack([weight, weight * turn], axis=1)
        across, _ = np.linalg.lstsq(basis, weight * siemens.real, rcond=None)[0]
        return float(across), float(np.abs(siemens[0]))

    across, whole = fit(z.ohm)
    moved = [fit(one)[0] - across for every in z.moved.values() for one in every]
    drawn = np.std([fit(one)[0] for one in z.draws])
    width = float(np.sqrt(np.sum(np.square(moved)) + (2.0 * drawn) ** 2))
    if across < 2.0 * width or across < 0.2 * whole:
        return []
    return [
        Problem(
            kind="still-connected",
            message=f"about {_round(1.0 / across)} ohm lie across it: a part of the circuit is "
            "still connected, or it leaks badly",
            effect="the loss is that of both; lift one end of the condenser and repeat",
        )
    ]
