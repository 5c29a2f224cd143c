"""
The checks that there are: each one's face, with its made scene and its picture, if it has its own.

A new check is its package in `voicecheck.checkout`, its scene in `voicecheck.bench.simulated`, and
its entry here; command line, page, job book, check list and report ask this list.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from voicecheck.checkout.bell import BELL
from voicecheck.checkout.dial import DIAL
from voicecheck.checkout.flex import FLEX
from voicecheck.checkout.kinds import Check, CheckKind, Guide, Shown, Table
from voicecheck.checkout.line import LINE
from voicecheck.checkout.parts import PARTS
from voicecheck.checkout.speak import SPEAK
from voicecheck.checkout.tones import TONES
from voicecheck.errors import InputError
from voicecheck.records.terms import check_word

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from voicecheck.bench.simulated.scene import SceneKind
    from voicecheck.jobbook import JobBook
    from voicecheck.workflow.checks.source import Source

__all__ = [
    "CHECKS",
    "Check",
    "CheckEntry",
    "CheckKind",
    "Guide",
    "Shown",
    "Table",
    "draw_check",
    "fit_region",
    "get_kind",
    "has_picture",
    "list_kinds",
    "list_regions_of",
    "load_files",
    "load_scene",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckEntry:
    """
    One check with what the tiers above its own add to it.

    Parameters
    ----------
    kind : CheckKind
    load_scene : callable or None
        Gives its made scenes; `None` where readings are typed in.
    draw : callable or None
        Record -> figure, where its picture is more than rows of spans.
    can_draw : callable or None
        Whether such a record holds anything that `draw` draws; `None`: always.
    load_files : callable or None
        Options, source and book (if any) -> options with what further files and the bench hold,
        and the source with the bench's own channels.
    """

    kind: CheckKind
    load_scene: Callable[[], SceneKind] | None = None
    draw: Callable[[Any], Figure] | None = None
    can_draw: Callable[[Any], bool] | None = None
    load_files: Callable[[Any, Source, JobBook | None], tuple[Any, Source]] | None = None


def _load_dial() -> SceneKind:
    from voicecheck.bench.simulated.dial import SCENE

    return SCENE


def _load_tones() -> SceneKind:
    from voicecheck.bench.simulated.tones import SCENE

    return SCENE


def _load_flex() -> SceneKind:
    from voicecheck.bench.simulated.flex import SCENE

    return SCENE


def _load_bell() -> SceneKind:
    from voicecheck.bench.simulated.bell import SCENE

    return SCENE


def _load_voice() -> SceneKind:
    from voicecheck.bench.simulated.voice import SCENE

    return SCENE


def _load_parts() -> SceneKind:
    from voicecheck.bench.simulated.parts import SCENE

    return SCENE


def _load_parts_files(options: Any, source: Source, book: JobBook | None) -> tuple[Any, Source]:
    from voicecheck.workflow.checks.partsfiles import load_parts_files

    return load_parts_files(options, source, book)


def _draw_parts(check: Any) -> Figure:
    from voicecheck.charts.impedance import draw_impedance

    return draw_impedance(check)


def _draw_dial(check: Any) -> Figure:
    from voicecheck.charts import draw_timing

    return draw_timing(check)


CHECKS: list[CheckEntry] = [
    CheckEntry(kind=DIAL, load_scene=_load_dial, draw=_draw_dial),
    CheckEntry(kind=TONES, load_scene=_load_tones),
    CheckEntry(kind=FLEX, load_scene=_load_flex),
    CheckEntry(kind=BELL, load_scene=_load_bell),
    CheckEntry(kind=SPEAK, load_scene=_load_voice),
    CheckEntry(
        kind=PARTS,
        load_scene=_load_parts,
        draw=_draw_parts,
        can_draw=lambda check: len(check.frequency_hz) > 1,
        load_files=_load_parts_files,
    ),
    CheckEntry(kind=LINE),
]
"""In the order in which they are offered."""


def list_kinds() -> tuple[CheckKind, ...]:
    """Every check that there is."""
    return tuple(entry.kind for entry in CHECKS)


def _get_entry(name: str) -> CheckEntry:
    check_word(name, (entry.kind.name for entry in CHECKS), "check")
    return next(entry for entry in CHECKS if entry.kind.name == name)


def get_kind(name: str) -> CheckKind:
    """
    A check by its name.

    Raises
    ------
    InputError
        There is no such check.
    """
    return _get_entry(name).kind


def load_scene(name: str) -> SceneKind:
    """
    Made scenes of a check, by the check's name.

    Raises
    ------
    InputError
        It has none: its readings are typed in.
    """
    load = _get_entry(name).load_scene
    if load is None:
        raise InputError(f"{name}: there is nothing to be heard; type in its readings")
    return load()


def load_files(
    kind: CheckKind, options: Any, source: Source, book: JobBook | None
) -> tuple[Any, Source]:
    """
    Options with what the files that they name hold, and source with the channels of its bench.

    Raises
    ------
    InputError, RecordingError
        A file cannot be used, or is missing.
    """
    load = _get_entry(kind.name).load_files
    return (options, source) if load is None else load(options, source, book)


def draw_check(kind: CheckKind, check: Any) -> Figure:
    """
    The picture of a check.

    Raises
    ------
    InputError
        It has none.
    """
    from voicecheck.charts.timing import draw_spans

    if (draw := _get_entry(kind.name).draw) is not None:
        return draw(check)
    if kind.picture is None:
        raise InputError(f"{kind.name}: has no picture")
    spans = kind.picture(check)
    return draw_spans(spans.title, spans.axis, [(r.name, r.parts, r.told) for r in spans.rows])


def has_picture(kind: CheckKind, check: Any = None) -> bool:
    """Whether `draw_check` draws such a check, and finds anything to be drawn in this one."""
    entry = _get_entry(kind.name)
    if entry.draw is not None:
        return check is None or entry.can_draw is None or entry.can_draw(check)
    if kind.picture is None:
        return False
    return check is None or any(row.parts for row in kind.picture(check).rows)


def fit_region(kind: CheckKind, options: Any, of_type: str = "") -> Any:
    """
    Options with a region that there are limits for: the one asked for, else that of the set type.

    A type may name a region of the user's own, for which no limits are known.

    Parameters
    ----------
    kind : CheckKind
    options : record
        Of that kind.
    of_type : str

    Raises
    ------
    InputError
        The region that is asked for is not known.
    """
    if not hasattr(options, "region"):
        return options
    if not kind.limits:
        return dataclasses.replace(options, region=options.region or of_type)
    from voicecheck.checkout.limits import find_region

    if options.region:
        return dataclasses.replace(options, region=find_region(kind.limits, options.region))
    try:
        return dataclasses.replace(options, region=find_region(kind.limits, of_type))
    except InputError:
        return options


def list_regions_of(kind: CheckKind) -> tuple[str, ...]:
    """
    Regions that there are limits for; none for a check without limits.

    Examples
    --------
    >>> "Sweden" in list_regions_of(DIAL), list_regions_of(BELL)
    (True, ())
    """
    from voicecheck.checkout.limits import list_regions

    return list_regions(kind.limits) if kind.limits else ()
