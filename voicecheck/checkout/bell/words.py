"""What was heard of a bell, in a line, in a table and as a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

from voicecheck.checkout.kinds import NOT_KNOWN, Shown, Span, Spans, Table, say, say_cadence

if TYPE_CHECKING:
    from voicecheck.records import BellCheck


def describe_bell(check: BellCheck) -> str:
    """In one line."""
    if not check.rings:
        blows = f"{check.taps} single blow{'s' if check.taps > 1 else ''}"
        return f"no ringing, {blows}" if check.taps else "no ringing heard"
    gongs = " and ".join(f"{hz:.0f}" for hz in check.gongs_hz)
    strikes = check.strikes_per_s
    parts = ["rings" if strikes is None else f"{strikes:.1f} strikes/s"]
    if gongs:
        parts.append(f"gongs {gongs} Hz")
    if check.ringing_hz is not None:
        parts.append(f"ringing at {check.ringing_hz:.1f} Hz")
    if check.gap_percent is not None and check.gong_difference_db is not None:
        parts.append(
            f"gaps {check.gap_percent:.0f} to {100.0 - check.gap_percent:.0f} %, "
            f"higher gong {check.gong_difference_db:+.1f} dB"
        )
    if check.level_dbfs is not None:
        parts.append(f"level {check.level_dbfs:.1f} dBFS (for before and after only)")
    if check.decay_s is not None:
        parts.append(f"dies away in {check.decay_s:.1f} s")
    return ", ".join(parts)


def tabulate_bell(check: BellCheck) -> tuple[Shown, ...]:
    """Its figures."""
    gongs = " and ".join(f"{hz:.0f}" for hz in check.gongs_hz)
    rings = "; ".join(f"{one.start_s:.2f} to {one.end_s:.2f} s" for one in check.rings)
    rows = (
        ("strikes", say(check.strikes_per_s, 2, "per s")),
        ("the blows repeat", say(check.pattern_hz, 2, "per s")),
        ("ringing frequency", say(check.ringing_hz, 2, "Hz")),
        ("from the lower to the higher gong, of a period", say(check.gap_percent, 1, "%")),
        ("higher gong re lower", say(check.gong_difference_db, 1, "dB")),
        ("gongs", f"{gongs} Hz" if gongs else NOT_KNOWN),
        ("level, to compare before and after only", say(check.level_dbfs, 1, "dBFS")),
        ("decay by 60 dB", say(check.decay_s, 2, "s")),
        ("rings", rings or "none"),
        ("cadence", say_cadence(check.cadence_s, NOT_KNOWN)),
        ("single blows", str(check.taps)),
    )
    return (Table(name="readings", rows=rows),)


def picture_bell(check: BellCheck) -> Spans:
    """When it rang."""
    parts = tuple((one.start_s, one.end_s) for one in check.rings)
    told = say(check.strikes_per_s, 1, "strikes/s")
    rows = (Span(name="rings", parts=parts, told=told),) if parts else ()
    return Spans(title="Bell", axis="s from the start", rows=rows)
