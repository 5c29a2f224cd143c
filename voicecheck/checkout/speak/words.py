"""What was heard of speech, in a line, in a table and as a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

from voicecheck.checkout.kinds import Shown, Span, Spans, Table, say

if TYPE_CHECKING:
    from voicecheck.records import SpeechCheck

BOTTOM_DBFS = -90.0
"""Where a bar of level begins: quieter counts as silent (`SILENT_DBFS`)."""


def describe_speech(check: SpeechCheck) -> str:
    """In one line."""
    if check.active_level_dbfs is None:
        return "no speech heard"
    parts = [
        f"active speech level {check.active_level_dbfs:.1f} dBFS (P.56)",
        f"active {check.activity_percent:.0f} %",
    ]
    if check.noise_dbfs is not None:
        parts.append(f"noise in pauses {check.noise_dbfs:.1f} dBFS")
    return ", ".join(parts)


def tabulate_speech(check: SpeechCheck) -> tuple[Shown, ...]:
    """Its figures."""
    full = say(check.full_transmit_percent, 0, "% of the active time")
    rows = (
        ("active speech level (P.56)", say(check.active_level_dbfs, 1, "dBFS")),
        ("activity", say(check.activity_percent, 0, "%")),
        ("peak", say(check.peak_dbfs, 1, "dBFS")),
        ("crest factor", say(check.crest_db, 1, "dB")),
        ("noise in pauses", say(check.noise_dbfs, 1, "dBFS")),
        ("at full transmit level", full),
    )
    return (Table(name="readings", rows=rows),)


def picture_speech(check: SpeechCheck) -> Spans:
    """Levels of peak, speech and pauses under each other."""
    levels = {
        "peak": check.peak_dbfs,
        "speech": check.active_level_dbfs,
        "pauses": check.noise_dbfs,
    }
    rows = tuple(
        Span(name=name, parts=((BOTTOM_DBFS, level),), told=say(level, 1, "dBFS"))
        for name, level in levels.items()
        if level is not None and level > BOTTOM_DBFS
    )
    return Spans(title="Speech", axis="dBFS", rows=rows)
