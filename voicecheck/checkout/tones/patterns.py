"""Call-progress tones as the table has them: what each region's exchanges send, or once sent."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

from voicecheck.checkout.limits import load_rows

TABLE = "standards/itu_t_e180_tones.csv"
KINDS = {
    "dial": "dial-tone",
    "ringback": "ringing",
    "ringback A": "ringing",
    "ringback B": "ringing",
    "busy": "busy",
    "busy (engaged)": "busy",
    "reorder": "reorder",
    "reorder (congestion)": "reorder",
    "congestion": "reorder",
    "number unobtainable": "number-unobtainable",
}
AUDIBLE_HZ = 20.0
"""What a row adds below that is a beat to the ear, and no component of its own."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """
    One row of the tone table.

    `carriers` and `peaks` have the components of each burst of a cadence in turn, hertz; `peaks`
    as a spectrum shows them, modulation included. `cadence_s` is on, off, ...; empty where steady.
    """

    region: str
    period: str
    kind: str
    carriers: tuple[tuple[float, ...], ...]
    peaks: tuple[tuple[float, ...], ...]
    cadence_s: tuple[float, ...]
    source: str


@cache
def load_patterns(region: str = "") -> tuple[Pattern, ...]:
    """
    Tones of a region, or of all.

    Parameters
    ----------
    region : str
        As the table names it; "" for all.

    Returns
    -------
    tuple of Pattern

    Examples
    --------
    >>> [p.kind for p in load_patterns("Germany")][:4]
    ['dial-tone', 'ringing', 'busy', 'reorder']
    """
    return tuple(
        _read_row(row)
        for row in load_rows(TABLE)
        if row["tone"] in KINDS
        and region in ("", row["region"])
        and not row["region"].startswith("any")
    )


def _read_row(row: dict[str, str]) -> Pattern:
    bursts = [_read_burst(text) for text in row["frequency_hz"].split(" then ")]
    found = re.findall(r"([0-9.]+) o(?:n|ff)", row["cadence_on_off_s"])
    cadence_s = tuple(map(float, found))
    # A single frequency is that of every burst.
    bursts *= max(1, len(cadence_s) // 2 // len(bursts))
    region, _, period = row["region"].partition(" before ")
    return Pattern(
        region=region,
        period=row["period"] or (f"before {period}" if period else ""),
        kind=KINDS[row["tone"]],
        carriers=tuple(carriers for carriers, _ in bursts),
        peaks=tuple(peaks for _, peaks in bursts),
        cadence_s=cadence_s,
        source=f"{row['cites'] or 'tone table'} ({row['provenance']})",
    )


def _read_burst(text: str) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Carriers and peaks of "350+440", added, or of "425*25", modulated."""
    terms = [term.partition("*") for term in text.split("+")]
    carriers = tuple(hz for term in terms if (hz := float(term[0])) > AUDIBLE_HZ)
    sides = [
        float(carrier) + sign * float(by) for carrier, _, by in terms if by for sign in (-1.0, 1.0)
    ]
    return carriers, tuple(sorted((*carriers, *sides)))
