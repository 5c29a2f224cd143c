"""What is typed about a set type, held against what there is before it is kept."""

from __future__ import annotations

import dataclasses

from voicecheck.checkout.limits import OTHER_NAMES, list_regions
from voicecheck.errors import InputError
from voicecheck.records import SetType

TABLES = ("dial_limits.csv", "standards/itu_t_e180_tones.csv")
LEAST_FEED_MA = 1.0
"""Less feeds no set; it is what is typed when the reading was in amperes (PROP)."""


def list_known_regions() -> tuple[str, ...]:
    """Regions with limits for dials or with tones of their own, in alphabetical order."""
    return tuple(sorted({name for table in TABLES for name in list_regions(table)}))


def check_region(region: str) -> str:
    """
    Region as the tables call it; "" where none is named.

    Raises
    ------
    InputError
        There is none of that name; the nearest names are given.

    Examples
    --------
    >>> check_region("north america"), check_region("")
    ('North America', '')
    """
    import difflib

    typed = region.strip().casefold()
    typed = OTHER_NAMES.get(typed, typed).casefold()
    known = {name.casefold(): name for name in list_known_regions()}
    if not typed or typed in known:
        return known.get(typed, "")
    near = [known[one] for one in difflib.get_close_matches(typed, known, n=3)]
    told = f"near it: {', '.join(near)}" if near else f"known: {', '.join(known.values())}"
    raise InputError(f"region: nothing is known of {region[:40]!r}; {told}; leave it out if unsure")


def check_typed(set_type: SetType) -> SetType:
    """
    A set type as it was typed, its region as the tables call it.

    Raises
    ------
    InputError
        The region is not known, or the feed is none.
    """
    feed_ma = set_type.feed_ma
    if 0.0 < feed_ma < LEAST_FEED_MA:
        raise InputError(
            f"feed: {feed_ma:g} mA feeds no set; was it read in amperes? Then type "
            f"{1e3 * feed_ma:g}; nothing was kept"
        )
    return dataclasses.replace(set_type, region=check_region(set_type.region))
