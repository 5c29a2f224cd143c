"""The response chart of one path: before, after and the type's limits on one fixed scale."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from voicecheck.charts.captions import (
    conclude_path,
    list_conditions,
    say_stage,
    say_unit,
    say_version,
)
from voicecheck.charts.panel import SPAN_DB, PanelNotes, draw_panel, order_runs
from voicecheck.charts.style import FAINT_INK, clean_text, make_figure, write_foot, write_text
from voicecheck.errors import InputError
from voicecheck.records import Baseline, Comparison, Run, SetType
from voicecheck.words import Words, load_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def list_confessions(notes: Sequence[PanelNotes], words: Words) -> str:
    """What the reader must know of the drawing, for the foot: shade, band, gaps, scale."""
    parts = [words.say("chart", "foot_shade")]
    if any(note.has_band for note in notes):
        parts.append(words.say("chart", "foot_band"))
    if any(note.is_shape_only for note in notes):
        parts.append(words.say("chart", "foot_shape"))
    n_withheld = sum(note.n_withheld for note in notes)
    if n_withheld:
        key = "foot_gap_one" if n_withheld == 1 else "foot_gaps"
        parts.append(words.say("chart", key, n=n_withheld))
    widest = max((note.scale.span_db for note in notes), default=SPAN_DB)
    if widest > SPAN_DB:
        parts.append(words.say("chart", "foot_extended", span=words.number(widest, 0)))
    if any(note.is_cut for note in notes):
        parts.append(words.say("chart", "foot_edge"))
    for run in (run for note in notes for run in note.left_out):
        stage, unit = say_stage(run.stage, words), say_unit(run)
        parts.append(words.say("chart", "foot_unit_differs", stage=stage, unit=unit))
    return " ".join(parts)


def draw_response(
    runs: Sequence[Run],
    *,
    baseline: Baseline | None,
    comparison: Comparison | None,
    set_type: SetType | None,
    title: str | None = None,
    language: str = "en",
) -> Figure:
    """
    Chart of one path, fit to be attached to a job.

    Parameters
    ----------
    runs : sequence of Run
        Any mix of stages of one path.
    baseline : Baseline or None
        The type's; its limits are hatched.
    comparison : Comparison or None
        Gives the one-line conclusion.
    set_type : SetType or None
        Named under the title.
    title : str, optional
        In place of the conclusion.
    language : str
        A language file's name.

    Returns
    -------
    Figure
        180 mm by 118 mm, for `save_figure`.

    Raises
    ------
    InputError
        No run, runs of different paths, or an unknown language.
    """
    words = load_words(language)
    check_one_path(runs)
    ordered = order_runs(runs)
    figure = make_figure(180, 118)
    axes = figure.add_axes((0.083, 0.24, 0.722, 0.545))
    notes = draw_panel(axes, ordered, baseline, words, comparison=comparison)
    write_head(figure, title or conclude_path(ordered, comparison, words), ordered, set_type, words)
    foot = list(list_conditions(ordered, words))
    foot.append(" ".join([list_confessions([notes], words), say_version(ordered, words)]))
    write_foot(figure, foot)
    return figure


def check_one_path(runs: Sequence[Run]) -> None:
    """
    Refuse what cannot share one chart.

    Raises
    ------
    InputError
        No run, or runs of different paths.
    """
    paths = sorted({run.path for run in runs})
    if len(paths) != 1:
        raise InputError(
            f"runs: need runs of one path, got {', '.join(paths) or 'none'}; draw one chart a path"
        )


def write_head(
    figure: Figure, title: str, runs: Sequence[Run], set_type: SetType | None, words: Words
) -> None:
    """
    Conclusion as the title, and under it the path, the set type and the job.

    Parameters
    ----------
    figure : Figure
    title : str
        Two lines at most.
    runs : sequence of Run
    set_type : SetType or None
    words : Words
    """
    is_simulated = any(run.is_simulated for run in runs)
    lines = textwrap.wrap(clean_text(title, 150), 76)[:2]
    write_text(
        figure,
        0.017,
        0.975,
        "\n".join(lines),
        va="top",
        fontsize=11.5,
        weight="bold",
        linespacing=1.1,
    )
    paths = dict.fromkeys(run.path for run in runs)
    parts = [words.say("path_term", path) for path in paths] if len(paths) == 1 else []
    if set_type is not None:
        parts.append(set_type.name)
    job = next((run.job for run in runs if run.job is not None), None)
    if job is not None:
        parts.append(words.say("chart", "foot_job", job=job))
    top = 0.97 - 5.9 * len(lines) / (figure.get_figheight() * 25.4)
    subtitle = clean_text(" \u00b7 ".join(parts), 60 if is_simulated else 100)
    write_text(figure, 0.017, top, subtitle, va="top", fontsize=8.5, color=FAINT_INK)
    if is_simulated:
        told = words.say("chart", "simulated")
        write_text(figure, 0.983, top, told, va="top", ha="right", fontsize=8.5, weight="bold")
