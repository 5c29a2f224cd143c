"""The one chart for the owner: how the set talks and how it hears, side by side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from voicecheck.charts.captions import (
    conclude_job,
    list_conditions,
    say_stage,
    say_version,
)
from voicecheck.charts.labels import write_key
from voicecheck.charts.panel import PanelNotes, draw_panel, order_runs
from voicecheck.charts.response import draw_response, list_confessions, write_head
from voicecheck.charts.style import MM, make_figure, write_foot, write_text
from voicecheck.errors import InputError
from voicecheck.records import Baseline, Comparison, Run, SetType
from voicecheck.words import Words, load_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure

OWNER_PATHS = ("transmit", "receive")


def draw_summary(
    runs: Sequence[Run],
    *,
    baselines: Mapping[str, Baseline],
    comparison: Comparison | None,
    set_type: SetType | None,
    language: str = "en",
    bare_height_mm: float | None = None,
) -> Figure:
    """
    Talking and hearing side by side on their fixed scales.

    Parameters
    ----------
    runs : sequence of Run
        All paths; where only one of transmit and receive was measured, or neither, it is the
        response chart of the first path there is.
    baselines : mapping of str to Baseline
        By path.
    comparison : Comparison or None
        Gives the conclusion.
    set_type : SetType or None
    language : str
    bare_height_mm : float, optional
        Of this height and without title and conditions, for a page that states them itself.

    Returns
    -------
    Figure
        180 mm by 102 mm; 118 mm with one path.

    Raises
    ------
    InputError
        No run, or an unknown language.
    """
    words = load_words(language)
    if not runs:
        raise InputError("runs: need at least one run, got none; sweep first")
    ordered = order_runs(runs)
    measured = [path for path in OWNER_PATHS if any(run.path == path for run in ordered)]
    if len(measured) < len(OWNER_PATHS):
        path = (measured or [ordered[0].path])[0]
        return draw_response(
            [run for run in ordered if run.path == path],
            baseline=baselines.get(path),
            comparison=comparison,
            set_type=set_type,
            language=language,
        )
    shown = [run for run in ordered if run.path in OWNER_PATHS]
    shared = _Shared(shown, baselines, comparison, words)
    if bare_height_mm is not None:
        return _draw_bare(shared, bare_height_mm)
    figure = make_figure(180, 102)
    notes = _draw_pair(figure, shared, (0.265, 0.465))
    write_head(figure, conclude_job(shown, comparison, words), shown, set_type, words)
    _write_stage_key(figure, (0.058, 0.84), shared, notes)
    foot = list(list_conditions(shown, words, with_path=True))
    foot.append(" ".join([list_confessions(notes, words), say_version(shown, words)]))
    write_foot(figure, foot)
    return figure


@dataclass(frozen=True, slots=True)
class _Shared:
    """What both panels are drawn from."""

    runs: Sequence[Run]
    baselines: Mapping[str, Baseline]
    comparison: Comparison | None
    words: Words


def _draw_bare(shared: _Shared, height_mm: float) -> Figure:
    figure = make_figure(180, height_mm)
    extent = (14.2 / height_mm, 1.0 - 28.0 / height_mm)
    notes = _draw_pair(figure, shared, extent)
    _write_stage_key(figure, (0.058, 1.0 - 3.3 / height_mm), shared, notes)
    write_foot(figure, [list_confessions(notes, shared.words)])
    return figure


def _draw_pair(figure: Figure, shared: _Shared, extent: tuple[float, float]) -> list[PanelNotes]:
    """Two panels side by side; `extent` is their bottom and height as parts of the figure."""
    words, notes = shared.words, []
    name_height = extent[0] + extent[1] + 4.3 * MM / figure.get_figheight()
    for column, path in enumerate(OWNER_PATHS):
        left = 0.058 + 0.5 * column
        axes = figure.add_axes((left, extent[0], 0.43, extent[1]))
        runs = [run for run in shared.runs if run.path == path]
        baseline = shared.baselines.get(path)
        comparison = shared.comparison
        notes.append(draw_panel(axes, runs, baseline, words, comparison=comparison, is_small=True))
        name = f"{words.say('path', path)} ({words.say('path_term', path)})"
        write_text(figure, left, name_height, name, fontsize=9, weight="bold")
    return notes


def _write_stage_key(
    figure: Figure, place: tuple[float, float], shared: _Shared, notes: Sequence[PanelNotes]
) -> None:
    words = shared.words
    stages = {run.stage: say_stage(run.stage, words) for run in shared.runs}
    band = words.say("chart", "band_any") if any(note.has_band for note in notes) else None
    write_key(figure, place, stages, band=band)
