"""The job sheet: everything measured on one set, small, on fixed scales."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from voicecheck.charts.captions import list_conditions, say_conclusion, say_stage, say_version
from voicecheck.charts.labels import write_key
from voicecheck.charts.panel import draw_panel, order_runs
from voicecheck.charts.response import list_confessions
from voicecheck.charts.style import (
    FAINT_INK,
    INK,
    choose_styles,
    clean_text,
    dress_axes,
    dress_frequency_axis,
    label_axes,
    line_look,
    make_figure,
    mark_points,
    write_foot,
    write_text,
)
from voicecheck.errors import InputError
from voicecheck.records import Baseline, Comparison, Job, Run, SetType
from voicecheck.records.arrays import Array
from voicecheck.words import Words, load_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

RESPONSE_PATHS = ("transmit", "receive", "sidetone")
THD_PERCENT = (0.1, 100.0)
DRIVE_DB = (-33.0, 9.0)
OUTPUT_SPAN_DB = 70.0
NOISE_DBFS = (-120.0, -40.0)

_LEFT, _WIDTH, _GAP = 0.052, 0.262, 0.06
_BOTTOMS, _HEIGHT = (0.555, 0.165), 0.275


def draw_job_sheet(
    job: Job,
    set_type: SetType | None,
    runs: Sequence[Run],
    baselines: Mapping[str, Baseline],
    comparison: Comparison | None,
    *,
    language: str = "en",
) -> Figure:
    """
    Small multiples of a job: three responses, distortion, level steps, noise.

    Parameters
    ----------
    job : Job
    set_type : SetType or None
    runs : sequence of Run
        All paths and stages.
    baselines : mapping of str to Baseline
        By path.
    comparison : Comparison or None
        Gives the overall verdict in the title.
    language : str

    Returns
    -------
    Figure
        270 mm by 185 mm: A4 or Letter, landscape, with margins. The lower row is of the first
        path that was measured.

    Raises
    ------
    InputError
        No run, or an unknown language.
    """
    words = load_words(language)
    ordered = order_runs([run for run in runs if run.path in RESPONSE_PATHS])
    if not ordered:
        raise InputError("runs: need a run of transmit, receive or sidetone, got none; sweep first")
    figure = make_figure(270, 185)
    notes = []
    for column, path in enumerate(RESPONSE_PATHS):
        axes = figure.add_axes(_place(0, column))
        shown = [run for run in ordered if run.path == path]
        _write_name(figure, axes, f"{words.say('path', path)} ({words.say('path_term', path)})")
        if shown:
            baseline = baselines.get(path)
            notes.append(
                draw_panel(axes, shown, baseline, words, comparison=comparison, is_small=True)
            )
        else:
            write_missing(axes, words)
    main = [run for path in RESPONSE_PATHS for run in ordered if run.path == path]
    main = [run for run in main if run.path == main[0].path]
    lower: tuple[Callable[[Axes, Sequence[Run], Words], str], ...] = (
        draw_distortion,
        draw_ladder,
        draw_noise,
    )
    for column, draw in enumerate(lower):
        axes = figure.add_axes(_place(1, column))
        name = f"{draw(axes, main, words)} ({words.say('path_term', main[0].path)})"
        _write_name(figure, axes, name)
    simulated = any(run.is_simulated for run in ordered)
    _write_title(figure, job, set_type, comparison, words, is_simulated=simulated)
    stages = {run.stage: say_stage(run.stage, words) for run in ordered}
    band = words.say("chart", "band_any") if any(note.has_band for note in notes) else None
    write_key(figure, (0.4, 0.94), stages, band=band)
    foot = list(list_conditions(ordered, words, with_path=True))
    foot.append(" ".join([list_confessions(notes, words), say_version(ordered, words)]))
    write_foot(figure, foot, width=205, top_lines=7)
    return figure


def _place(row: int, column: int) -> tuple[float, float, float, float]:
    return (_LEFT + column * (_WIDTH + _GAP), _BOTTOMS[row], _WIDTH, _HEIGHT)


def _write_name(figure: Figure, axes: Axes, name: str) -> None:
    box = axes.get_position()
    write_text(figure, box.x0, box.y1 + 0.032, name, va="bottom", fontsize=9, weight="bold")


def write_missing(axes: Axes, words: Words) -> None:
    """An empty panel that says that nothing was measured."""
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set(color="#BBBBBB", linestyle=(0, (3, 3)))
    middle = {"transform": axes.transAxes, "ha": "center", "va": "center", "fontsize": 9}
    write_text(axes, 0.5, 0.5, words.say("chart", "not_measured"), color=FAINT_INK, **middle)


def _write_title(
    figure: Figure,
    job: Job,
    set_type: SetType | None,
    comparison: Comparison | None,
    words: Words,
    *,
    is_simulated: bool,
) -> None:
    label = clean_text(job.label, 55 if is_simulated else 70)
    if comparison is None:
        title = words.say("chart", "sheet_title", label=label)
    else:
        verdict = say_conclusion(comparison, words)
        stage = say_stage(comparison.stage, words)
        title = words.say("chart", "sheet_overall", label=label, verdict=verdict, stage=stage)
    if is_simulated:
        title = words.say("chart", "simulated_title", title=title)
    write_text(figure, 0.012, 0.985, clean_text(title, 140), va="top", fontsize=12, weight="bold")
    parts = [words.say("chart", "simulated")] if is_simulated else []
    parts.append(words.say("chart", "foot_job", job=job.job))
    if set_type is not None:
        parts.append(clean_text(set_type.name, 60))
    subtitle = " \u00b7 ".join(parts)
    write_text(figure, 0.012, 0.95, subtitle, va="top", fontsize=8.5, color=FAINT_INK)


def draw_distortion(axes: Axes, runs: Sequence[Run], words: Words) -> str:
    """
    THD against frequency, 0.1 to 100 %; a triangle downwards is "less than".

    Returns
    -------
    str
        The panel's name.
    """
    name = words.say("chart", "distortion")
    drawn = [run for run in runs if run.pooled.distortion is not None]
    if not drawn:
        write_missing(axes, words)
        return name
    from matplotlib.ticker import FixedFormatter, FixedLocator, NullFormatter

    dress_frequency_axis(axes, words, few=True)
    axes.set_yscale("log")
    axes.set_ylim(*THD_PERCENT)
    decades = (0.1, 1.0, 10.0, 100.0)
    axes.yaxis.set_major_locator(FixedLocator(decades))
    ticks = [words.number(decade, 1 if decade < 1 else 0) for decade in decades]
    axes.yaxis.set_major_formatter(FixedFormatter(ticks))
    axes.yaxis.set_minor_formatter(NullFormatter())
    label_axes(axes, words.say("chart", "thd"), words.say("chart", "frequency"), is_small=True)
    styles = choose_styles(tuple(run.stage for run in runs))
    for run in drawn:
        distortion = run.pooled.distortion
        if distortion is None:
            continue
        thd, below = distortion.thd_percent, distortion.thd_below_percent
        look = line_look(styles[run.stage])
        axes.plot(distortion.frequency_hz, thd, **look, markevery=mark_points(thd), zorder=3)
        less = {**look, "linestyle": "none", "marker": "v", "markerfacecolor": "white"}
        hidden = np.flatnonzero(np.isfinite(below))[::2]
        axes.plot(distortion.frequency_hz[hidden], below[hidden], **less, zorder=3)
    note = {"transform": axes.transAxes, "ha": "right", "va": "bottom", "fontsize": 7}
    write_text(axes, 0.91, 0.02, words.say("chart", "less_than"), color=FAINT_INK, **note)
    return name


def draw_ladder(axes: Axes, runs: Sequence[Run], words: Words) -> str:
    """
    Output against drive, with the straight line through the nominal step.

    Returns
    -------
    str
        The panel's name.
    """
    drawn = [run for run in runs if run.pooled.linearity is not None]
    ladders = [run.pooled.linearity for run in drawn if run.pooled.linearity is not None]
    hz = words.number(ladders[0].frequency_hz if ladders else 1000.0, 0)
    name = words.say("chart", "ladder", hz=hz)
    if not ladders:
        write_missing(axes, words)
        return name
    dress_axes(axes)
    axes.set_xlim(*DRIVE_DB)
    axes.set_xticks([-30, -20, -10, 0])
    last = ladders[-1]
    nominal_db = _at_nominal(last.input_db, last.output_db)
    top = 10.0 * round(nominal_db / 10.0) + 20.0
    axes.set_ylim(top - OUTPUT_SPAN_DB, top)
    _write_numbers(axes, words)
    output, drive = words.say("chart", "ladder_output"), words.say("chart", "ladder_input")
    label_axes(axes, output, drive, is_small=True)
    styles = choose_styles(tuple(run.stage for run in runs))
    for run, ladder in zip(drawn, ladders, strict=True):
        straight = _at_nominal(ladder.input_db, ladder.output_db) + np.array(DRIVE_DB)
        axes.plot(DRIVE_DB, straight, color=FAINT_INK, linewidth=0.7, linestyle=(0, (1, 2)))
        axes.plot(ladder.input_db, ladder.output_db, **line_look(styles[run.stage]), zorder=3)
    note = {"transform": axes.transAxes, "ha": "right", "va": "bottom", "fontsize": 7}
    write_text(axes, 0.98, 0.02, words.say("chart", "straight"), color=FAINT_INK, **note)
    return name


def _at_nominal(input_db: Array, output_db: Array) -> float:
    finite = np.isfinite(output_db)
    if not finite.any():
        return 0.0
    place = int(np.argmin(np.abs(input_db[finite])))
    return float(output_db[finite][place] - input_db[finite][place])


def _write_numbers(axes: Axes, words: Words) -> None:
    from matplotlib.ticker import FuncFormatter

    write = FuncFormatter(lambda value, _: words.number(value, 0))
    axes.xaxis.set_major_formatter(write)
    axes.yaxis.set_major_formatter(write)


def draw_noise(axes: Axes, runs: Sequence[Run], words: Words) -> str:
    """
    Idle noise by band, -120 to -40 dBFS, with the psophometric figure beside it.

    Returns
    -------
    str
        The panel's name.
    """
    name = words.say("chart", "noise")
    drawn = [run for run in runs if run.pooled.noise.band_dbfs is not None]
    if not drawn:
        write_missing(axes, words)
        return name
    from matplotlib.ticker import FuncFormatter

    dress_frequency_axis(axes, words, few=True)
    axes.set_ylim(*NOISE_DBFS)
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: words.number(value, 0)))
    noise_level = words.say("chart", "noise_level")
    label_axes(axes, noise_level, words.say("chart", "frequency"), is_small=True)
    styles = choose_styles(tuple(run.stage for run in runs))
    for i, run in enumerate(drawn):
        noise = run.pooled.noise
        band_hz, band_dbfs = noise.band_hz, noise.band_dbfs
        if band_hz is not None and band_dbfs is not None:
            clipped = np.clip(band_dbfs, *NOISE_DBFS)
            every = max(1, len(band_hz) // 12)
            look = line_look(styles[run.stage])
            axes.plot(band_hz, clipped, **look, markevery=every, zorder=3)
        weighted = words.number(noise.psophometric_dbfs, 0)
        stage = clean_text(say_stage(run.stage, words), 16)
        line = words.say("chart", "noise_weighted", stage=stage, weighted=weighted)
        note = {"transform": axes.transAxes, "ha": "right", "va": "top", "fontsize": 7}
        write_text(axes, 0.93, 0.98 - 0.07 * i, line, color=INK, **note)
    return name
