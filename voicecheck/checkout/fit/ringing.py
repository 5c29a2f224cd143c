"""A bell on a line: will it ring, how loudly, and is it too much for the line."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from voicecheck.checkout.fit.judging import judge_value, leave_untested, name_sources, say_memory
from voicecheck.records import BellCheck
from voicecheck.records.lines import FitFinding, LineProfile
from voicecheck.records.parts import PartsCheck
from voicecheck.records.terms import MarkState

LEAST_V, MOST_V = 40.0, 130.0
"""What a ringer equivalence is defined at: a bell of one rings (S73, PUB-2ND)."""
EQUIVALENCE_OHM, EQUIVALENCE_UF = 6930.0, 8.0
"""One ringer equivalence, resistor and capacitor in series (S73, PUB-2ND)."""
EXCHANGE_V, EXCHANGE_HZ = 90.0, 20.0
"""What loudness is told against (S73, TRADE)."""
VOLTS_SHARE = 0.1
"""Half-width of a ringing voltage at the set: the source sags, its wires take some (PROP)."""
SAME_HZ_SHARE = 0.25
"""A bell that was heard so near to the line's frequency is taken to ring there alike (PROP)."""
ASSUMED, ASSUMED_DOUBT = 1.0, 0.6
"""Ringer equivalences of one bell that nobody measured: bells are built for about one (PROP)."""
QUIET_DB, LEVEL_DOUBT_DB = -6.0, 3.0
"""Half of the exchange's current; what a hammer's stroke makes of a current is not known (PROP)."""


def hold_bell(
    check: BellCheck | None,
    circuit: PartsCheck | None,
    profile: LineProfile,
    *,
    load_on_line: float | None = None,
) -> tuple[FitFinding, ...]:
    """
    Hold a bell against a line.

    Parameters
    ----------
    check : BellCheck or None
        How it was heard; `None` where it was not.
    circuit : PartsCheck or None
        Impedance of the bell with its capacitor, where it was measured.
    profile : LineProfile
    load_on_line : float or None
        Ringer equivalences of all that hangs on the line, this set too, as they were typed in.
    """
    volts, hertz = profile.ringing_v, profile.ringing_hz
    if volts is None or hertz is None:
        return (
            leave_untested(
                "bell", "this line does not say how it rings", "Type it in: `voicecheck line add`."
            ),
        )
    found = [_tell_ringing(check, volts, hertz, profile)]
    if check is not None and check.rings:
        found.append(_tell_loudness(circuit, volts, hertz, profile))
    return (*found, *_tell_load(circuit, load_on_line, hertz, profile))


def _tell_ringing(
    check: BellCheck | None, volts: float, hertz: float, profile: LineProfile
) -> FitFinding:
    """Will it ring: only of a bell that was heard ringing."""
    source = f"{name_sources(profile, 'ringing_v', 'ringing_hz')}; 40 to 130 V: S73 (PUB-2ND)"
    line = f"the line rings with {volts:g} V at {hertz:g} Hz{say_memory(source)}"
    if check is None:
        why = f"nobody has heard it ring; {line}"
        return leave_untested("bell", why, "Let the bell ring before a microphone: bell.")
    uncertainty = VOLTS_SHARE * volts
    verdict, advice = judge_value(volts, uncertainty, LEAST_V, MOST_V), ""
    sentence = f"The bell was heard ringing, and {line}; a bell of one equivalence rings from 40 V"
    other_hz = _find_other_hz(check, hertz)
    if not check.rings:
        verdict, advice = "outside", "Mend the bell first: coils, capacitor, hammer, bias spring."
        sentence = f"No ringing was heard at the bench, and {line}"
    elif verdict != "within" and volts < LEAST_V + uncertainty:
        advice = (
            f"Put a ring booster of {20.0 * math.log10(EXCHANGE_V / volts):.0f} dB before the "
            "set, or set the bias spring to its weaker place."
        )
    elif verdict != "within":
        advice = "Do not ring this bell with so much: it can hurt who touches it."
    elif other_hz is not None:
        verdict, advice = "doubtful", f"Let it ring at {hertz:g} Hz before a microphone: bell."
        sentence += f"; it was heard at {other_hz:.0f} Hz, which says little of {hertz:g} Hz"
    return FitFinding(
        part="bell",
        quantity="ringing_v",
        value=volts,
        unit="V",
        verdict=verdict,
        sentence=f"{sentence}.",
        advice=advice,
        uncertainty=uncertainty,
        low=LEAST_V,
        high=MOST_V,
        source=source,
    )


def _find_other_hz(check: BellCheck, hertz: float) -> float | None:
    """The frequency that the bell was heard at, where it is another than the line's."""
    heard = check.ringing_hz
    if heard is None or abs(heard / hertz - 1.0) <= SAME_HZ_SHARE:
        return None
    return heard


def _tell_loudness(
    circuit: PartsCheck | None, volts: float, hertz: float, profile: LineProfile
) -> FitFinding:
    """How loud against an exchange, if a stroke is as strong as the current (assumed)."""
    level_db = 20.0 * math.log10(volts / EXCHANGE_V)
    assumed = "if its strokes are as strong as the current, and its current as the voltage"
    there, here = (find_bell_ohm(circuit, one) for one in (EXCHANGE_HZ, hertz))
    if there is not None and here is not None:
        level_db += 20.0 * math.log10(there / here)
        assumed = "if its strokes are as strong as the current through its measured circuit"
    verdict = judge_value(level_db, LEVEL_DOUBT_DB, QUIET_DB, None)
    side = "louder" if level_db > 0.0 else "fainter"
    told = (
        "as loud as on an exchange"
        if abs(level_db) < 1.0
        else f"about {abs(level_db):.0f} dB {side} than on an exchange"
    )
    advice = f"For the same loudness put a ring booster of {-level_db:.0f} dB before the set."
    return FitFinding(
        part="bell",
        quantity="bell_level_db",
        value=level_db,
        unit="dB",
        verdict=verdict,
        sentence=f"The bell is {told} of 90 V and 20 Hz, {assumed}.",
        advice="" if verdict == "within" else advice,
        uncertainty=LEVEL_DOUBT_DB,
        low=QUIET_DB,
        source=f"{name_sources(profile, 'ringing_v', 'ringing_hz')}; 6 dB fainter: ours (PROP)",
    )


def _tell_load(
    circuit: PartsCheck | None, typed: float | None, hertz: float, profile: LineProfile
) -> tuple[FitFinding, ...]:
    most = profile.ringer_equivalence
    if most is None:
        return ()
    bell_ohm = find_bell_ohm(circuit, hertz)
    load, uncertainty, told = ASSUMED, ASSUMED_DOUBT, "assumed, for nobody measured its circuit"
    if bell_ohm is not None:
        load, uncertainty = compute_equivalence_ohm(hertz) / bell_ohm, 0.1
        told = "by its measured circuit"
    if typed is not None:
        load, uncertainty, told = typed, 0.1, "of all that hangs on it, as typed in"
    verdict: MarkState = judge_value(load, uncertainty, None, most)
    source = f"{name_sources(profile, 'ringer_equivalence')}; equivalence: S73 (PUB-2ND)"
    return (
        FitFinding(
            part="bell",
            quantity="ringer_equivalence",
            value=load,
            unit="",
            verdict=verdict,
            sentence=f"The load is {load:.1f} ringer equivalences ({told}); the line rings "
            f"{most:g}{say_memory(source)}.",
            advice="" if verdict == "within" else "Take other bells off this line.",
            uncertainty=uncertainty,
            high=most,
            source=source,
        ),
    )


def compute_equivalence_ohm(hertz: float) -> float:
    """
    Magnitude of one ringer equivalence.

    Examples
    --------
    >>> round(compute_equivalence_ohm(20.0))
    7001
    """
    return math.hypot(EQUIVALENCE_OHM, 1.0 / (2.0 * math.pi * hertz * EQUIVALENCE_UF * 1e-6))


def find_bell_ohm(circuit: PartsCheck | None, hertz: float) -> float | None:
    """Magnitude of a measured bell circuit; `None` where it was not measured so low or high."""
    if circuit is None or not circuit.frequency_hz:
        return None
    ohm: Sequence[float] = [math.hypot(*pair) for pair in circuit.impedance_ohm]
    lowest, highest = min(circuit.frequency_hz), max(circuit.frequency_hz)
    if not lowest <= hertz <= highest:
        return None
    known = [(f, z) for f, z in zip(circuit.frequency_hz, ohm, strict=True) if math.isfinite(z)]
    if not known:
        return None
    at, found = zip(*sorted(known), strict=True)
    return float(np.exp(np.interp(math.log(hertz), np.log(at), np.log(found))))
