"""Talking on a line: current, level and one's own voice there, and polarity."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from voicecheck.checkout.fit.judging import judge_value, leave_untested, name_sources, say_memory
from voicecheck.checkout.line.impedances import load_impedance
from voicecheck.errors import InputError
from voicecheck.records.lines import FitFinding, LineProfile

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from voicecheck.records import Finding

LEAST_CARBON_MA = 20.0
"""Carbon needs more than that to sound good (S30, TRADE)."""
LEAST_ELECTRET_MA = 15.0
"""An electronic element clips or is mute below (MEM)."""
EXPONENT, EXPONENT_DOUBT = 1.0, 0.4
"""
Voltage of a carbon element goes as current to this power: 0.35 dB/mA near 25 mA, with 0.2 to 0.5
(MEM), is 20 log10(I) to the power 1.0, with 0.6 to 1.4.
"""
STEADY_DOUBT_DB = 1.0
"""Of an element with its own amplifier, whose level hardly follows the current (PROP)."""
BARE_DB = 6.0
"""How far a level may move where no good sets say what is usual (PROP)."""
LOUDER_DB = 3.0
"""How much louder one's own voice may be where no good sets say what is usual (PROP)."""
KNOWN_MA = 2.0
"""A current known so well needs no meter (PROP)."""
OURS = f"how far a level may move on a line, {BARE_DB:g} dB or {LOUDER_DB:g} dB: ours (PROP)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Spoken:
    """
    What is known of how a set talks.

    Parameters
    ----------
    transmitter : str
        Of its type: "carbon", "electret" or "moving-coil".
    bench_ma : float or None
        Current that it was measured with.
    line_ma : float or None
        That a meter read on the line itself.
    level, own_voice : Finding or None
        Against good sets of its type, transmit and sidetone.
    is_swept, is_sidetone_swept : bool
    curve : tuple of two array_like, shape (n,), or None
        Measured sidetone: frequency in Hz, level in dB.
    """

    transmitter: str
    bench_ma: float | None = None
    line_ma: float | None = None
    level: Finding | None = None
    own_voice: Finding | None = None
    is_swept: bool = False
    is_sidetone_swept: bool = False
    curve: tuple[ArrayLike, ArrayLike] | None = None


def hold_voice(spoken: Spoken, profile: LineProfile) -> tuple[FitFinding, ...]:
    """Current, level, one's own voice and polarity of a set on a line."""
    return (
        *_tell_current(spoken, profile),
        _tell_level(spoken, profile),
        _tell_own_voice(spoken, profile),
        _tell_polarity(spoken, profile),
    )


def _find_current(spoken: Spoken, profile: LineProfile) -> tuple[float, float] | None:
    """Current on the line and half the width of what it may be, mA."""
    if spoken.line_ma:
        return spoken.line_ma, 0.5
    low, high = profile.feed_low_ma, profile.feed_high_ma
    if low is None or high is None:
        return None
    return (low + high) / 2.0, (high - low) / 2.0


def _tell_current(spoken: Spoken, profile: LineProfile) -> tuple[FitFinding, ...]:
    found = _find_current(spoken, profile)
    if found is None:
        return ()
    middle_ma, half_ma = found
    is_carbon = spoken.transmitter == "carbon"
    least = LEAST_CARBON_MA if is_carbon else LEAST_ELECTRET_MA
    # The line's least current is a limit itself, hence counted as reached.
    verdict = judge_value(middle_ma, half_ma, least, None)
    source = "meter on the line" if spoken.line_ma else name_sources(profile, "feed_low_ma")
    source += "; S30 (TRADE)" if is_carbon else "; least current (from memory)"
    what = "carbon" if is_carbon else "this element"
    return (
        FitFinding(
            part="level",
            quantity="feed_ma",
            value=middle_ma,
            unit="mA",
            verdict=verdict,
            sentence=f"The line feeds {middle_ma - half_ma:.0f} to {middle_ma + half_ma:.0f} mA; "
            f"{what} wants at least {least:g} mA{say_memory(source)}.",
            advice=""
            if verdict == "within"
            else "Feed it more: an adapter or booster for long lines.",
            uncertainty=half_ma,
            low=least,
            source=source,
        ),
    )


def change_of_current(
    transmitter: str, bench_ma: float, line_ma: float, half_ma: float
) -> tuple[float, float]:
    """
    How much louder a set talks at another current, and half the width of a 95 % interval, dB.

    Examples
    --------
    >>> change, uncertainty = change_of_current("carbon", 40.0, 20.0, 0.0)
    >>> round(change, 1), round(uncertainty, 1)
    (-6.0, 2.4)
    >>> change_of_current("electret", 40.0, 20.0, 0.0)
    (0.0, 1.0)
    """
    if transmitter != "carbon":
        return 0.0, STEADY_DOUBT_DB
    ratio_db = 20.0 * math.log10(line_ma / bench_ma)
    lowest_ma = max(line_ma - half_ma, 0.1)
    spread_db = 10.0 * math.log10((line_ma + half_ma) / lowest_ma)
    return EXPONENT * ratio_db, math.hypot(EXPONENT_DOUBT * ratio_db, spread_db)


def _tell_level(spoken: Spoken, profile: LineProfile) -> FitFinding:
    current = _find_current(spoken, profile)
    if not spoken.is_swept:
        return leave_untested(
            "level", "nobody has swept it", "Sweep it: `voicecheck sweep --path transmit`."
        )
    if current is None or spoken.bench_ma is None:
        return leave_untested(
            "level",
            "a current is not known",
            "Type the line's current: `voicecheck line --loop-ma`.",
        )
    change_db, uncertainty_db = change_of_current(spoken.transmitter, spoken.bench_ma, *current)
    source = name_sources(profile, "feed_low_ma", "loop")
    if profile.loop:
        change_db -= _lose_on_loop(profile)
    told = f"{spoken.bench_ma:.0f} mA at the bench, {current[0]:.0f} mA here"
    told += f", behind loop {profile.loop}" if profile.loop else ""
    if spoken.transmitter == "carbon":
        told += "; its law with current is from memory"
    found = _judge_level("level", spoken.level, change_db, uncertainty_db, told=told, source=source)
    if found.verdict != "doubtful" or current[1] <= KNOWN_MA:
        return found
    advice = (
        "Read the current on this line and type it in: `voicecheck line --loop-ma`, "
        "the line's name as note."
    )
    return dataclasses.replace(found, advice=advice)


def _lose_on_loop(profile: LineProfile) -> float:
    from voicecheck.checkout.line.sidetone import BENCH, compute_loop_loss

    exchange = load_impedance(profile.impedance) if profile.impedance else BENCH
    return compute_loop_loss(profile.loop, near=BENCH, exchange=exchange).voice_band_db


def _tell_own_voice(spoken: Spoken, profile: LineProfile) -> FitFinding:
    from voicecheck.checkout.line.sidetone import sidetone_on

    if not profile.impedance:
        return leave_untested(
            "sidetone", "the line's impedance is not known", "Type it in: `voicecheck line add`."
        )
    if not spoken.is_sidetone_swept:
        return leave_untested(
            "sidetone", "nobody has swept it", "Sweep it: `voicecheck sweep --path sidetone`."
        )
    balance = load_impedance(profile.balance) if profile.balance else None
    exchange = load_impedance(profile.impedance)
    try:
        on_line = sidetone_on(exchange, loop=profile.loop, balance=balance, curve=spoken.curve)
    except InputError:
        # A curve with too few bands weighs nothing; the model alone still tells.
        on_line = sidetone_on(exchange, loop=profile.loop, balance=balance)
    half_db = max(on_line.high_db - on_line.change_db, on_line.change_db - on_line.low_db)
    told = f"600 ohm at the bench, {profile.impedance} here"
    if on_line.return_loss_before_db is not None:
        told += (
            f"; return loss {on_line.return_loss_before_db:.0f} dB there, "
            f"{on_line.return_loss_on_line_db:.0f} dB here"
        )
    elif balance is None:
        told += "; which line its balance was made for is not known"
    source = name_sources(profile, "impedance", "balance", "loop")
    return _judge_level(
        "sidetone", spoken.own_voice, on_line.change_db, half_db, told=told, source=source
    )


def _judge_level(
    part: str, base: Finding | None, change_db: float, change_doubt_db: float, *, told: str,
    source: str,
) -> FitFinding:  # fmt: skip
    """A level against good sets, moved by what the line does; without them the move alone."""
    is_talk = part == "level"
    value, uncertainty = change_db, change_doubt_db
    low: float | None = -BARE_DB if is_talk else None
    high: float | None = BARE_DB if is_talk else LOUDER_DB
    subject = "The other end hears you" if is_talk else "You hear yourself"
    against, source = "than at the bench", f"{source}; {OURS}"
    if base is not None and base.value is not None:
        limits = [one for one in (base.low, base.high) if one is not None]
        usual = base.reference if base.reference is not None else sum(limits) / max(len(limits), 1)
        value = base.value - usual + change_db
        uncertainty = math.hypot(base.uncertainty or 0.0, change_doubt_db)
        low = base.low - usual if base.low is not None else None
        high = base.high - usual if base.high is not None else None
        against, source = "than good sets of its type are at the bench", f"{source}; own baseline"
    verdict = judge_value(value, uncertainty, low, high)
    side = "louder" if value > 0.0 else "fainter"
    return FitFinding(
        part="level" if is_talk else "sidetone",
        quantity="talk_level_db" if is_talk else "sidetone_change_db",
        value=value,
        unit="dB",
        verdict=verdict,
        sentence=f"{subject} {abs(value):.1f} dB {side} {against}, give or take "
        f"{uncertainty:.1f} dB ({told}).",
        advice="" if verdict == "within" else _advise(is_talk, value, low, high),
        uncertainty=uncertainty,
        low=low,
        high=high,
        source=source,
    )


def _advise(is_talk: bool, value: float, low: float | None, high: float | None) -> str:
    """A pad where it is too loud, a booster where it is too faint."""
    if value >= 0.0:
        over_db = max(value - (high if high is not None else 0.0), 1.0)
        if is_talk:
            return f"Put a pad of {over_db:.0f} dB into the line."
        # What comes back from the line goes through the pad twice.
        return (
            f"Put a pad of {max(over_db / 2.0, 1.0):.0f} dB into the line, or fit a balance made "
            "for this line; a pad makes speech as much fainter both ways."
        )
    short_db = max((low if low is not None else 0.0) - value, 1.0)
    if is_talk:
        return f"Put a booster of {short_db:.0f} dB into the line, or feed it more current."
    return "Nothing need be done unless the line sounds dead to who talks."


def _tell_polarity(spoken: Spoken, profile: LineProfile) -> FitFinding:
    is_carbon = spoken.transmitter == "carbon"
    sentence = "A carbon set with a dial talks with either polarity"
    if not is_carbon:
        sentence = "An electronic element may want one polarity, and nobody has tried both"
    advice = "" if is_carbon else "If it is mute on the line, swap the two wires."
    if profile.ringing_offset_v:
        advice = f"{advice} If its bell taps while dialling, swap the two wires.".strip()
    return FitFinding(
        part="polarity",
        quantity="polarity",
        value=None,
        unit="",
        verdict="within" if is_carbon else "not tested",
        sentence=f"{sentence} (common practice, no source).",
        advice=advice,
        source="common practice, no source",
    )
