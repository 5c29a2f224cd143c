"""Which groups of quantities may be compared under which conditions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from voicecheck.records import Conditions

TALKING = ("transmit", "sidetone")
HEARING = ("receive", "sidetone")
ALL_PATHS = ("transmit", "receive", "sidetone", "loop")
UNCALIBRATED = "dB relative"
DBFS = "dbfs"
"""Group of the absolute levels that rest on the full scale of one bench."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """
    One condition and what a difference in it forbids.

    `tolerance` is in the field's unit (`None`: must be equal); `forbids` names groups among
    "level", "shape", "distortion", "noise", "linearity".
    """

    field: str
    text: str
    paths: tuple[str, ...]
    tolerance: float | None
    forbids: frozenset[str]
    why: str


GROUP_OF = {"response": "level", "crackle": "noise", "hum": "noise"}
"""Families whose comparison hangs on the same conditions as that of another."""

RULES: tuple[Rule, ...] = (
    Rule(
        field="feed_ma", text="feed current (mA)", paths=TALKING, tolerance=2.0,
        forbids=frozenset({"level", "distortion", "noise", "linearity"}),
        why="a carbon element's level, distortion and hiss follow the current",
    ),
    Rule(
        field="level_dbfs", text="drive level (dBFS)", paths=ALL_PATHS, tolerance=0.3,
        forbids=frozenset({"level", "distortion", "linearity"}),
        why="level and distortion depend on how loud the test signal is",
    ),
    Rule(
        field="mouth_mm", text="mouth distance (mm)", paths=TALKING, tolerance=1.0,
        forbids=frozenset({"level", "distortion", "linearity"}),
        why="sound pressure at the transmitter falls with distance",
    ),
    Rule(
        field="ear", text="ear", paths=HEARING, tolerance=None,
        forbids=frozenset({"level", "shape", "distortion", "noise", "linearity"}),
        why="a coupler hears sound, a coil hears the magnetic field: their curves differ",
    ),
    Rule(
        field="load_ohm", text="load (ohm)", paths=TALKING, tolerance=30.0,
        forbids=frozenset({"level", "noise"}), why="level on the line follows its load",
    ),
    Rule(
        field="angle_deg", text="handset angle (degrees)", paths=TALKING, tolerance=20.0,
        forbids=frozenset({"level", "noise", "linearity"}),
        why="granules settle differently at another angle",
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparability:
    """
    What may be compared.

    `refused` maps a group to the reason it may not; `remarks` are conditions stated on one side
    only and taken as the same.
    """

    refused: Mapping[str, str]
    remarks: tuple[str, ...] = ()


def check_conditions(
    path: str, this: Conditions, this_unit: str, that: Conditions, that_unit: str
) -> Comparability:
    """
    Hold the conditions of two runs of one path against each other.

    Parameters
    ----------
    path : str
    this, that : Conditions
    this_unit, that_unit : str
        Units of the two responses.

    Returns
    -------
    Comparability
    """
    refused: dict[str, list[str]] = {}
    remarks: list[str] = []
    if this_unit != that_unit:
        why = f"one curve is in {this_unit}, the other in {that_unit}"
        for group in ("level", DBFS):
            refused.setdefault(group, []).append(why)
    elif this_unit == UNCALIBRATED and this.bench != that.bench and this.bench and that.bench:
        why = f"uncalibrated and on different benches ({this.bench}; {that.bench})"
        for group in ("level", DBFS):
            refused.setdefault(group, []).append(why)
    for rule in RULES:
        if path not in rule.paths:
            continue
        first, second = getattr(this, rule.field), getattr(that, rule.field)
        if first is None and second is None:
            continue
        if first is None or second is None:
            remarks.append(f"{rule.text} is stated on one side only and taken as the same")
            continue
        if _differs(first, second, rule.tolerance):
            why = f"{rule.text} is {_show(first)} here and {_show(second)} there: {rule.why}"
            for group in rule.forbids:
                refused.setdefault(group, []).append(why)
    return Comparability(
        refused={group: "; ".join(why) for group, why in refused.items()}, remarks=tuple(remarks)
    )


def _differs(first: object, second: object, tolerance: float | None) -> bool:
    if (
        tolerance is None
        or not isinstance(first, int | float)
        or not isinstance(second, int | float)
    ):
        return first != second
    return abs(first - second) > tolerance


def _show(value: object) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def find_refusal(refused: Mapping[str, str], group: str, unit: str) -> str:
    """Why a scalar of a group may not be compared; "" where it may."""
    why = refused.get(GROUP_OF.get(group, group), "")
    return why or (refused.get(DBFS, "") if unit == "dBFS" else "")
