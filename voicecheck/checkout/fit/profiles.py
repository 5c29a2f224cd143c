"""Line profiles that come with the program: those of a table, and an exchange for each region."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from functools import cache
from typing import Any

from voicecheck.checkout.limits import list_regions, load_rows, name_source, read_number
from voicecheck.checkout.line.impedances import load_impedance
from voicecheck.checkout.line.loops import list_loops
from voicecheck.errors import InputError
from voicecheck.records.bounds import check_bounds
from voicecheck.records.lines import LineProfile

TABLE, DIAL = "line_profiles.csv", "dial_limits.csv"
ANY, BASE = "any exchange", "base"
WINDOWS = (
    ("break", "break_low_ms", "break_high_ms"),
    ("make", "make_low_ms", "make_high_ms"),
)
USES = ("line", "judge")
"""Rows of a region's dial limits in the order in which they say what a line takes."""


@cache
def load_profiles() -> Mapping[str, LineProfile]:
    """
    Every line that comes with the program, by name.

    Examples
    --------
    >>> profiles = load_profiles()
    >>> profiles["adapter, 45 V 25 Hz, narrow pulses"].break_high_ms
    80.0
    >>> "exchange, Sweden" in profiles
    True
    """
    by_line: dict[str, list[dict[str, str]]] = {}
    for row in load_rows(TABLE):
        by_line.setdefault(row["line"], []).append(row)
    made: dict[str, LineProfile] = {}
    shared = by_line.pop(ANY)
    for region in list_regions(DIAL):
        name = f"exchange, {region}"
        made[name] = _add_pulses(_make(name, [*shared, *by_line.pop(name, [])]), region)
    for name, rows in by_line.items():
        base = next((row["value"] for row in rows if row["quantity"] == BASE), "")
        own = [row for row in rows if row["quantity"] != BASE]
        made[name] = _make(name, own, made[base] if base else None)
    return {name: check_profile(profile) for name, profile in made.items()}


def _make(name: str, rows: list[dict[str, str]], base: LineProfile | None = None) -> LineProfile:
    """A profile out of its rows, over those of another one; later rows count."""
    values: dict[str, Any] = {}
    sources = dict(base.sources) if base else {}
    for row in rows:
        quantity = row["quantity"]
        values[quantity] = _read_value(quantity, row["value"])
        sources[quantity] = name_source(row) if row["source"] != "-" else ""
    values |= {"name": name, "sources": {of: told for of, told in sources.items() if told}}
    return dataclasses.replace(base, **values) if base else LineProfile(**values)


def _read_value(quantity: str, text: str) -> bool | float | str | None:
    """A cell as the profile's field takes it; an empty number is not stated."""
    if quantity == "takes_pulses":
        return text == "yes"
    is_word = isinstance(getattr(LineProfile(name="-"), quantity), str)
    return text if is_word else read_number(text)


def _add_pulses(profile: LineProfile, region: str) -> LineProfile:
    """
    Windows of a region's dial limits: every break and make that its speeds and ratios allow.

    A line's own limits count where there are any, else those a set is set to.
    """
    rows = [row for row in load_rows(DIAL) if row["region"] == region]
    speed, ratio = _choose(rows, "pulses_per_s"), _choose(rows, "break_percent")
    if speed is None or ratio is None:
        return profile
    slow, fast = float(speed["min"]), float(speed["max"])
    least, most = float(ratio["min"]) / 100.0, float(ratio["max"]) / 100.0
    limits: dict[str, Any] = {
        "break_low_ms": 1e3 * least / fast,
        "break_high_ms": 1e3 * most / slow,
        "make_low_ms": 1e3 * (1.0 - most) / fast,
        "make_high_ms": 1e3 * (1.0 - least) / slow,
    }
    told = f"worked out from speed {name_source(speed)} and break {name_source(ratio)}"
    return dataclasses.replace(
        profile,
        **{name: round(value, 1) for name, value in limits.items()},
        region=region,
        tones=region,
        sources={**profile.sources, **dict.fromkeys(limits, told)},
    )


def _choose(rows: list[dict[str, str]], quantity: str) -> dict[str, str] | None:
    """The row that says what a line takes; `None` without one that has both limits."""
    for use in USES:
        for row in rows:
            has_both = read_number(row["min"]) is not None and read_number(row["max"]) is not None
            if row["quantity"] == quantity and row["use"] == use and has_both:
                return row
    return None


def check_profile(profile: LineProfile) -> LineProfile:
    """
    Hold a profile against itself and against the tables that it names.

    Returns
    -------
    LineProfile
        The same.

    Raises
    ------
    InputError
        A lower limit is not below the upper one, a window has one side only, or an impedance or a
        loop is none of ours.

    Examples
    --------
    >>> check_profile(LineProfile(name="x", break_low_ms=80.0, break_high_ms=47.0))
    Traceback (most recent call last):
        ...
    voicecheck.errors.InputError: line 'x': break from 80 to 47 ms; need the lower one first
    """
    check_bounds(profile)
    for told, low_name, high_name in WINDOWS:
        low, high = getattr(profile, low_name), getattr(profile, high_name)
        if (low is None) != (high is None):
            raise InputError(f"line {profile.name!r}: {told} needs a shortest and a longest one")
        if low is not None and low >= high:
            raise InputError(
                f"line {profile.name!r}: {told} from {low:g} to {high:g} ms; "
                "need the lower one first"
            )
    low_ma, high_ma = profile.feed_low_ma, profile.feed_high_ma
    if low_ma is not None and high_ma is not None and low_ma > high_ma:
        raise InputError(f"line {profile.name!r}: feed from {low_ma:g} to {high_ma:g} mA")
    for name in (profile.impedance, profile.balance):
        if name:
            load_impedance(name)
    if profile.loop and profile.loop not in list_loops():
        raise InputError(f"loop {profile.loop!r}: known: {', '.join(list_loops())}")
    return profile
