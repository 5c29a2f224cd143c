"""Responses of one path in one panel: curves, shades, gaps and the type's limits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from voicecheck.charts.captions import RELATIVE, find_refused, say_stage, say_unit
from voicecheck.charts.labels import CurveLabel, draw_labels
from voicecheck.charts.style import (
    BAND_EDGE,
    BAND_FACE,
    FAINT_INK,
    SHOWN_HZ,
    VOICE_BAND_HZ,
    LineStyle,
    choose_styles,
    dress_frequency_axis,
    label_axes,
    line_look,
    mark_points,
    write_text,
)
from voicecheck.records import Baseline, Comparison, Run
from voicecheck.records.arrays import Array
from voicecheck.words import Words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SPAN_DB = 50.0
"""Height of every response chart, so that sheets can be laid side by side."""
WIDEST_SPAN_DB = 120.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """Lowest and highest level drawn, dB."""

    low_db: float
    high_db: float

    @property
    def span_db(self) -> float:
        """Height in dB."""
        return self.high_db - self.low_db


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelNotes:
    """What a panel has to confess in the foot of its sheet."""

    scale: Scale
    n_withheld: int = 0
    has_band: bool = False
    is_shape_only: bool = False
    is_cut: bool = False
    left_out: tuple[Run, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """Limits as drawn, dB; arrays of shape (n_points,)."""

    frequency_hz: Array
    low_db: Array
    high_db: Array
    centre_db: float
    label: str
    is_shape_only: bool = False


def order_runs(runs: Sequence[Run]) -> list[Run]:
    """Runs in the order of drawing: reference, before, other labels, after on top."""

    def place(run: Run) -> int:
        return {"reference": 0, "before": 1, "after": 3}.get(run.stage, 2)

    return sorted(runs, key=place)


def choose_scale(runs: Sequence[Run], centre_db: float | None) -> Scale:
    """
    The fixed scale, placed by the baseline where there is one.

    Parameters
    ----------
    runs : sequence of Run
    centre_db : float or None
        Middle of the type's limits; without it the first run's median places the scale, in
        coarser steps so that most sheets still fit side by side.

    Returns
    -------
    Scale
        50 dB high; widened in steps of 10 dB only where a curve leaves it inside the voice band.
    """
    levels = [_inside_voice_band(run) for run in runs]
    finite = np.concatenate([level[np.isfinite(level)] for level in levels] or [np.empty(0)])
    if centre_db is None:
        first = next((level for level in levels if np.isfinite(level).any()), np.zeros(1))
        centre_db = 10.0 * round(float(np.nanmedian(first)) / 10.0)
    centre_db = 5.0 * round(centre_db / 5.0)
    low, high = centre_db - 0.6 * SPAN_DB, centre_db + 0.4 * SPAN_DB
    while finite.size and finite.min() < low and high - low < WIDEST_SPAN_DB:
        low -= 10.0
    while finite.size and finite.max() > high and high - low < WIDEST_SPAN_DB:
        high += 10.0
    return Scale(low_db=low, high_db=high)


def _inside_voice_band(run: Run) -> Array:
    response = run.pooled.response
    if response is None:
        return np.empty(0)
    inside = (response.frequency_hz >= VOICE_BAND_HZ[0]) & (
        response.frequency_hz <= VOICE_BAND_HZ[1]
    )
    return response.level_db[inside]


def find_band(
    runs: Sequence[Run],
    baseline: Baseline | None,
    words: Words,
    *,
    refused: Sequence[str] = (),
) -> Band | None:
    """
    The type's limits as they can honestly be drawn beside these runs.

    Parameters
    ----------
    runs : sequence of Run
        All in one unit.
    baseline : Baseline or None
    words : Words
    refused : sequence of str
        "response" and "shape" where the comparison found them not comparable.

    Returns
    -------
    Band or None
        Where the level does not compare, or the units differ, the limits of the shape, moved to
        the level of the last run, and the label says so; none where the shape does not either.
    """
    if baseline is None or not runs or "shape" in refused:
        return None
    if baseline.unit == say_unit(runs[-1]) and "response" not in refused:
        label = words.say("chart", "band_label", n=baseline.n)
        return Band(
            frequency_hz=baseline.frequency_hz,
            low_db=baseline.low_db,
            high_db=baseline.high_db,
            centre_db=_median(baseline.mean_db),
            label=label,
        )
    response = runs[-1].pooled.response
    if response is None:
        return None
    at_type_hz = np.interp(
        baseline.frequency_hz, response.frequency_hz, response.level_db, np.nan, np.nan
    )
    shift_db = _median(at_type_hz - baseline.shape_mean_db)
    return Band(
        frequency_hz=baseline.frequency_hz,
        low_db=baseline.shape_low_db + shift_db,
        high_db=baseline.shape_high_db + shift_db,
        centre_db=_median(baseline.shape_mean_db) + shift_db,
        label=words.say("chart", "shape_band_label"),
        is_shape_only=True,
    )


def _median(level_db: Array) -> float:
    finite = level_db[np.isfinite(level_db)]
    return float(np.median(finite)) if finite.size else 0.0


def draw_panel(
    axes: Axes,
    runs: Sequence[Run],
    baseline: Baseline | None,
    words: Words,
    *,
    comparison: Comparison | None = None,
    is_small: bool = False,
) -> PanelNotes:
    """
    Draw the responses of one path into an axes.

    Parameters
    ----------
    axes : Axes
    runs : sequence of Run
        One path, drawn in this order.
    baseline : Baseline or None
    words : Words
    comparison : Comparison or None
        Says what of the baseline may be drawn.
    is_small : bool
        One of several on a sheet: fewer ticks and no labels beside the curves.

    Returns
    -------
    PanelNotes
    """
    unit = next((say_unit(run) for run in reversed(runs) if say_unit(run)), "")
    shown = [run for run in runs if say_unit(run) == unit and unit]
    left_out = tuple(run for run in runs if say_unit(run) not in (unit, ""))
    refused = find_refused(shown[-1].path, comparison) if shown else ()
    band = find_band(shown, baseline, words, refused=refused)
    scale = choose_scale(shown, band.centre_db if band else None)
    dress_frequency_axis(axes, words, few=is_small)
    axes.set_ylim(scale.low_db, scale.high_db)
    _dress_level_axis(axes, words, unit, is_small=is_small)
    if band is not None:
        draw_band(axes, band)
    styles = choose_styles(tuple(run.stage for run in runs))
    is_cut = False
    for run in shown:
        is_cut = draw_curve(axes, run, styles[run.stage], scale) or is_cut
    if not shown:
        _write_empty(axes, words.say("chart", "no_response"))
    if not is_small:
        draw_labels(axes, _label_curves(shown, band, words, scale))
        _label_voice_band(axes, words)
    return PanelNotes(
        scale=scale,
        n_withheld=sum(_count_withheld(run) for run in shown),
        has_band=band is not None,
        is_shape_only=band is not None and band.is_shape_only,
        is_cut=is_cut,
        left_out=left_out,
    )


def _dress_level_axis(axes: Axes, words: Words, unit: str, *, is_small: bool) -> None:
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    axes.yaxis.set_major_locator(MultipleLocator(10.0))
    axes.yaxis.set_minor_locator(MultipleLocator(5.0))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda level, _: words.number(level, 0)))
    if unit == RELATIVE:
        label = words.say("chart", "level_relative_short" if is_small else "level_relative")
    else:
        label = unit if is_small else words.say("chart", "level_in", unit=unit)
    label_axes(axes, label, words.say("chart", "frequency"), is_small=is_small)


def draw_band(axes: Axes, band: Band) -> None:
    """Hatched region between the limits; open where a limit is not stated."""
    axes.fill_between(
        band.frequency_hz,
        band.low_db,
        band.high_db,
        facecolor=BAND_FACE,
        edgecolor=BAND_EDGE,
        hatch="////",
        linewidth=0.6,
        hatch_linewidth=0.4,
        zorder=1.5,
        gid="type-band",
    )


def draw_curve(axes: Axes, run: Run, style: LineStyle, scale: Scale) -> bool:
    """
    One run with its uncertainty as a shade; withheld points are gaps.

    Returns
    -------
    bool
        Whether the curve leaves the scale somewhere; the place carries an arrow.
    """
    response = run.pooled.response
    if response is None:
        return False
    frequency_hz, level_db = response.frequency_hz, response.level_db
    half_db = np.nan_to_num(response.uncertainty_db, nan=0.0)
    axes.fill_between(
        frequency_hz,
        level_db - half_db,
        level_db + half_db,
        facecolor=style.colour,
        alpha=0.22,
        linewidth=0,
        zorder=2.5,
    )
    axes.plot(
        frequency_hz,
        level_db,
        **line_look(style),
        markevery=mark_points(level_db),
        zorder=3,
        gid=f"curve-{run.path}",
    )
    return _mark_cut_points(axes, frequency_hz, level_db, style, scale)


def _mark_cut_points(
    axes: Axes, frequency_hz: Array, level_db: Array, style: LineStyle, scale: Scale
) -> bool:
    shown = (frequency_hz >= SHOWN_HZ[0]) & (frequency_hz <= SHOWN_HZ[1])
    low, high = shown & (level_db < scale.low_db), shown & (level_db > scale.high_db)
    for outside, edge, marker in ((low, scale.low_db, "v"), (high, scale.high_db, "^")):
        if outside.any():
            places = frequency_hz[outside][::3]
            axes.plot(
                places,
                np.full(len(places), edge),
                linestyle="none",
                marker=marker,
                color=style.colour,
                markersize=5,
                clip_on=False,
                zorder=4,
            )
    return bool(low.any() or high.any())


def _count_withheld(run: Run) -> int:
    response = run.pooled.response
    return 0 if response is None else int(np.isnan(response.level_db).sum())


def _write_empty(axes: Axes, text: str) -> None:
    write_text(
        axes, 0.5, 0.5, text, transform=axes.transAxes, ha="center", va="center", fontsize=8.5
    )


def _label_voice_band(axes: Axes, words: Words) -> None:
    middle = math.sqrt(VOICE_BAND_HZ[0] * VOICE_BAND_HZ[1])
    label = write_text(
        axes,
        middle,
        0.02,
        f"\u2190 {words.say('chart', 'voice_band')} \u2192",
        transform=axes.get_xaxis_transform(),
        ha="center",
        va="bottom",
        fontsize=7.5,
        color=FAINT_INK,
    )
    label.set_bbox({"facecolor": "white", "edgecolor": "none", "pad": 1.0})


def _label_curves(
    runs: Sequence[Run], band: Band | None, words: Words, scale: Scale
) -> list[CurveLabel]:
    labels = []
    if band is not None:
        middle = _last_place((band.low_db + band.high_db) / 2.0, scale)
        labels.append(CurveLabel(middle, band.label, None))
    styles = choose_styles(tuple(run.stage for run in runs))
    for run in runs:
        response = run.pooled.response
        if response is not None:
            place = _last_place(response.level_db, scale)
            labels.append(CurveLabel(place, say_stage(run.stage, words), styles[run.stage]))
    return labels


def _last_place(level_db: Array, scale: Scale) -> float:
    """Height of a curve's last point, 0 to 1 of the axes."""
    finite = level_db[np.isfinite(level_db)]
    end = float(finite[-1]) if finite.size else scale.low_db
    return min(max((end - scale.low_db) / scale.span_db, 0.0), 1.0)
