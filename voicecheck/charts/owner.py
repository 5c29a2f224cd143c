"""The owner's picture of one path: louder is higher, and no figure on it."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from voicecheck.charts.captions import find_refused, say_unit
from voicecheck.charts.labels import write_key
from voicecheck.charts.panel import Band, draw_band, find_band, order_runs
from voicecheck.charts.style import (
    FAINT_INK,
    GRID,
    INK,
    SHOWN_HZ,
    VOICE_BAND_HZ,
    LineStyle,
    choose_styles,
    line_look,
    make_figure,
    mark_points,
    write_text,
)
from voicecheck.errors import InputError
from voicecheck.records import Baseline, Comparison, Run
from voicecheck.records.arrays import Array
from voicecheck.words import Words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_MM, HEIGHT_MM = 88.0, 56.0
LOW_DB, HIGH_DB = -32.0, 17.0
LINES_DB = ((10.0, "twice"), (-10.0, "half"), (-20.0, "quarter"))
"""Where the loudness is double, half, a quarter: 10 dB each (Stevens' rule, ISO 131)."""
TONES_HZ = ((320.0, "low_tones"), (2800.0, "high_tones"))


def draw_owner_picture(
    runs: Sequence[Run], baseline: Baseline | None, comparison: Comparison | None, words: Words
) -> Figure:
    """
    How one path sounds: before and after, against good sets of the type where there are any.

    Parameters
    ----------
    runs : sequence of Run
        All of one path.
    baseline : Baseline or None
    comparison : Comparison or None
        Says whether levels compare with the type.
    words : Words

    Returns
    -------
    Figure
        88 mm by 56 mm, so that two stand side by side on paper and one fills a telephone.

    Raises
    ------
    InputError
        No run.
    """
    if not runs:
        raise InputError("owner's picture: need at least one run, got none; sweep first")
    ordered = order_runs(runs)
    unit = next((say_unit(run) for run in reversed(ordered) if say_unit(run)), "")
    shown = [run for run in ordered if say_unit(run) == unit and unit]
    refused = find_refused(ordered[-1].path, comparison)
    band = find_band(shown, baseline, words, refused=refused)
    usual = _Usual(band, 0.0 if band else _find_middle(shown))
    figure = make_figure(WIDTH_MM, HEIGHT_MM)
    axes = figure.add_axes((0.235, 0.135, 0.745, 0.62))
    _dress(axes, words, is_usual_known=band is not None and not band.is_shape_only)
    if band is not None:
        half_db = (band.high_db - band.low_db) / 2.0
        draw_band(axes, dataclasses.replace(band, low_db=-half_db, high_db=half_db))
    styles = choose_styles(tuple(run.stage for run in shown))
    for run in shown:
        _draw_curve(axes, run, styles[run.stage], usual)
    name = words.say("path", ordered[0].path)
    write_text(figure, 0.015, 0.96, name, va="center", fontsize=9.5, weight="bold")
    higher = words.say("owner_page", "higher")
    write_text(figure, 0.985, 0.96, higher, va="center", ha="right", fontsize=8.5)
    names = {
        run.stage: words.say_own("owner_stage", run.stage, run.stage.replace("_", " "))
        for run in shown
    }
    label = words.say("owner_page", "band") if band is not None else None
    write_key(figure, (0.015, 0.84), names, band=label)
    return figure


@dataclass(frozen=True, slots=True)
class _Usual:
    """What is drawn as the level line: the middle of the type's limits, or one level."""

    band: Band | None
    level_db: float

    def at(self, frequency_hz: Array) -> Array:
        """At each frequency, dB; NaN where the type has no limits."""
        if self.band is None:
            return np.full(frequency_hz.shape, self.level_db)
        middle_db = (self.band.low_db + self.band.high_db) / 2.0
        return np.interp(frequency_hz, self.band.frequency_hz, middle_db, np.nan, np.nan)


def _find_middle(runs: Sequence[Run]) -> float:
    """Middle level of the first run that has any inside the voice band, dB."""
    for run in runs:
        level_db = _cut_voice_band(run)
        if level_db.size:
            return float(np.median(level_db))
    return 0.0


def _cut_voice_band(run: Run) -> Array:
    response = run.pooled.response
    if response is None:
        return np.empty(0)
    hz = response.frequency_hz
    inside = (hz >= VOICE_BAND_HZ[0]) & (hz <= VOICE_BAND_HZ[1]) & np.isfinite(response.level_db)
    return response.level_db[inside]


def _draw_curve(axes: Axes, run: Run, style: LineStyle, usual: _Usual) -> None:
    response = run.pooled.response
    if response is None:
        return
    # A curve that leaves the picture runs along its edge: hardly to be heard is still told.
    off_db = response.level_db - usual.at(response.frequency_hz)
    level_db = np.clip(off_db, LOW_DB + 1.0, HIGH_DB - 1.0)
    axes.plot(
        response.frequency_hz,
        level_db,
        **line_look(style),
        markevery=mark_points(level_db, 6),
        zorder=3,
        gid=f"owner-{run.path}-{run.stage}",
    )


def _dress(axes: Axes, words: Words, *, is_usual_known: bool) -> None:
    from matplotlib.ticker import FixedFormatter, FixedLocator, NullFormatter, NullLocator

    axes.set_xscale("log")
    axes.set_xlim(*SHOWN_HZ)
    axes.set_ylim(LOW_DB, HIGH_DB)
    middle = words.say("owner_page", "usual" if is_usual_known else "middle")
    lines = [(0.0, middle), *((db, words.say("owner_page", key)) for db, key in LINES_DB)]
    axes.yaxis.set_major_locator(FixedLocator([db for db, _ in lines]))
    axes.yaxis.set_major_formatter(FixedFormatter([name for _, name in lines]))
    axes.xaxis.set_major_locator(FixedLocator([hz for hz, _ in TONES_HZ]))
    tones = [words.say("owner_page", key) for _, key in TONES_HZ]
    axes.xaxis.set_major_formatter(FixedFormatter(tones))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.grid(visible=True, axis="y", color=GRID, linewidth=0.6, zorder=0.5)
    axes.axhline(0.0, color=FAINT_INK, linewidth=0.8, zorder=1)
    axes.tick_params(labelsize=8, labelfontfamily="DejaVu Sans", colors=INK, length=0)
    axes.tick_params(axis="x", length=3, width=0.7)
    axes.spines[["top", "right"]].set_visible(False)
