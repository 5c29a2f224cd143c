"""A set over the years: its level at each stay, beside what the bench alone would show."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from voicecheck.budgets import COVERAGE_95
from voicecheck.charts.captions import say_stage
from voicecheck.charts.style import (
    BAND_EDGE,
    BAND_FACE,
    FAINT_INK,
    OTHER_STYLES,
    STAGE_STYLES,
    dress_axes,
    make_figure,
    write_foot,
    write_text,
)
from voicecheck.errors import InputError
from voicecheck.records.sets import LevelPoint
from voicecheck.words import Words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_MM, HEIGHT_MM, MORE_MM = 180.0, 84.0, 52.0
HEAD_MM, FOOT_MM, NAME_MM = 9.0, 21.0, 12.0
"""Height of the title, of the foot with the dates, and of a path's name with what is under it."""
ROOM_DB = 1.5
MARGIN = timedelta(days=20)


def draw_years(points: Sequence[LevelPoint], title: str, words: Words) -> Figure:
    """
    Levels of a set over its jobs, relative to the first of each path.

    Parameters
    ----------
    points : sequence of LevelPoint
        In the order of time; of a path those in the unit of the newest are drawn.
    title : str
        The set.
    words : Words

    Returns
    -------
    Figure
        One row a path. The bar of a point is its 95 % interval; the grey band holds what a set that
        does not change shows in 95 of 100 measurements because mouth and ear are set anew each day.

    Raises
    ------
    InputError
        Fewer than two points of every path.
    """
    rows = choose_rows(points)
    if not rows:
        raise InputError(
            "picture of the years: need one path that was swept twice; sweep the set when it "
            "comes back"
        )
    height_mm = HEIGHT_MM + MORE_MM * (len(rows) - 1)
    figure = make_figure(WIDTH_MM, height_mm)
    shown = [one for row in rows.values() for one in row]
    shout = any(one.is_simulated for one in shown)
    head = words.say("years", "title", set=title)
    head = words.say("chart", "simulated_title", title=head) if shout else head
    write_text(figure, 0.017, 0.975, head, va="top", fontsize=11.5, weight="bold")
    row_mm = (height_mm - HEAD_MM - FOOT_MM) / len(rows)
    for place, (path, row) in enumerate(rows.items()):
        bottom_mm = FOOT_MM + (len(rows) - 1 - place) * row_mm
        extent = (0.1, bottom_mm / height_mm, 0.87, (row_mm - NAME_MM) / height_mm)
        axes = figure.add_axes(extent)
        _draw_row(axes, row, words.say("path", path), words)
    foot = [words.say("years", "foot", unit=", ".join({one.unit for one in shown}))]
    if any(one.is_stated for one in shown):
        foot.append(words.say("years", "stated"))
    write_foot(figure, foot)
    return figure


def choose_rows(points: Sequence[LevelPoint]) -> dict[str, list[LevelPoint]]:
    """Points by path, in the unit of the newest; paths of one point alone are left out."""
    rows: dict[str, list[LevelPoint]] = {}
    for path in dict.fromkeys(one.path for one in points):
        of_path = [one for one in points if one.path == path]
        row = [one for one in of_path if one.unit == of_path[-1].unit]
        if len(row) > 1:
            rows[path] = row
    return rows


def read_time(text: str) -> datetime:
    """
    Moment of an ISO 8601 text; one without a zone is UTC.

    Examples
    --------
    >>> read_time("2031-05-04T10:20:30Z").year
    2031
    """
    moment = datetime.fromisoformat(text)
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def find_unchanged_db(row: Sequence[LevelPoint]) -> float:
    """What the bench alone may show between two points: two days' settings stand in it."""
    return COVERAGE_95 * math.sqrt(2.0) * max(one.bench_db for one in row)


def _draw_row(axes: Axes, row: Sequence[LevelPoint], name: str, words: Words) -> None:
    first = row[0]
    half_db = find_unchanged_db(row)
    times: list[Any] = [read_time(one.taken_utc) for one in row]
    levels = [one.level_db - first.level_db for one in row]
    axes.axhspan(-half_db, half_db, facecolor=BAND_FACE, edgecolor=BAND_EDGE, linewidth=0.6)
    axes.plot(times, levels, color=FAINT_INK, linewidth=0.7, zorder=2)
    styles = {**STAGE_STYLES}
    for stage in dict.fromkeys(one.stage for one in row):
        style = styles.setdefault(stage, OTHER_STYLES[len(styles) % len(OTHER_STYLES)])
        some = [index for index, one in enumerate(row) if one.stage == stage]
        axes.errorbar(
            [times[index] for index in some],
            [levels[index] for index in some],
            yerr=[row[index].uncertainty_db for index in some],
            fmt=style.marker,
            color=style.colour,
            markerfacecolor="white" if style.hollow else style.colour,
            capsize=2.5,
            linewidth=1.0,
            markersize=6,
            zorder=3,
            label=say_stage(stage, words),
        )
    largest = max(abs(level) + one.uncertainty_db for level, one in zip(levels, row, strict=True))
    most = max(half_db, largest) + ROOM_DB
    axes.set_ylim(-most, most)
    axes.set_xlim(min(times) - MARGIN, max(times) + MARGIN)
    dress_axes(axes)
    axes.set_ylabel("dB", fontsize=8)
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=4, fontsize=7.5, frameon=False)
    write_text(axes, 0.0, 1.04, name, transform=axes.transAxes, fontsize=9, weight="bold")
    _date_axis(axes)


def _date_axis(axes: Axes) -> None:
    from matplotlib import dates

    # Untyped in the library.
    locator = dates.AutoDateLocator(minticks=2, maxticks=7)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    formatter = dates.ConciseDateFormatter(locator)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_formatter(formatter)
    axes.tick_params(labelsize=8)
