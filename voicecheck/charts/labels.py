"""Names beside the curves' ends, so that no key has to be looked up."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from voicecheck.charts.style import (
    BAND_EDGE,
    BAND_FACE,
    LineStyle,
    choose_styles,
    clean_text,
    line_look,
    write_text,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

CHARACTER_WIDTH = 0.19
"""Of bold text in a key, as a part of a line sample's width."""
LABEL_CHARACTERS, LABEL_LINES = 13, 3
LINE_HEIGHT = 0.05
"""Room of one line of a label, as a part of the axes' height."""


@dataclass(frozen=True, slots=True)
class CurveLabel:
    """
    A name with a sample of its line.

    `place` is the height where the curve ends, 0 to 1 of the axes; without a style it is the
    hatched band that is named.
    """

    place: float
    text: str
    style: LineStyle | None


def draw_labels(axes: Axes, labels: Sequence[CurveLabel]) -> None:
    """
    Write names to the right of an axes, each beside its curve's end, pushed apart.

    Parameters
    ----------
    axes : Axes
    labels : sequence of CurveLabel
    """
    rising = sorted(labels, key=lambda label: label.place)
    texts = [_wrap_label(label.text) for label in rising]
    heights = [LINE_HEIGHT * (1 + text.count("\n")) for text in texts]
    places = spread_apart([label.place for label in rising], heights)
    for place, text, label in zip(places, texts, rising, strict=True):
        _draw_label(axes, place, text, label.style)


def _wrap_label(text: str) -> str:
    lines = textwrap.wrap(clean_text(text), LABEL_CHARACTERS) or [""]
    if len(lines) > LABEL_LINES:
        lines = [
            *lines[: LABEL_LINES - 1],
            f"{lines[LABEL_LINES - 1][: LABEL_CHARACTERS - 1]}\u2026",
        ]
    return "\n".join(lines)


def spread_apart(wanted: Sequence[float], heights: Sequence[float]) -> list[float]:
    """
    Move labels so that none covers another and all stay between 0 and 1.

    Parameters
    ----------
    wanted : sequence of float
        Where each would like its middle, rising.
    heights : sequence of float
        Room that each needs.

    Returns
    -------
    list of float

    Examples
    --------
    >>> [round(place, 2) for place in spread_apart([0.5, 0.5], [0.1, 0.1])]
    [0.5, 0.6]
    """
    places: list[float] = []
    floor = 0.0
    for want, height in zip(wanted, heights, strict=True):
        places.append(max(want, floor + height / 2.0))
        floor = places[-1] + height / 2.0
    ceiling = 1.0
    for i in reversed(range(len(places))):
        places[i] = min(places[i], ceiling - heights[i] / 2.0)
        ceiling = places[i] - heights[i] / 2.0
    return places


def _draw_label(axes: Axes, place: float, text: str, style: LineStyle | None) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Rectangle

    if style is None:
        sample: Line2D | Rectangle = Rectangle(
            (1.015, place - 0.022),
            0.05,
            0.044,
            facecolor=BAND_FACE,
            edgecolor=BAND_EDGE,
            hatch="//////",
            hatch_linewidth=0.4,
            linewidth=0.6,
            transform=axes.transAxes,
            clip_on=False,
        )
    else:
        ends = [1.015, 1.04, 1.065]
        sample = Line2D(ends, [place] * 3, **line_look(style), markevery=[1])
        sample.set(transform=axes.transAxes, clip_on=False)
    axes.add_artist(sample)
    weight = "normal" if style is None else "bold"
    write_text(
        axes,
        1.078,
        place,
        text,
        transform=axes.transAxes,
        va="center",
        fontsize=7.6,
        weight=weight,
        linespacing=1.05,
    )


def write_key(
    figure: Figure, place: tuple[float, float], names: Mapping[str, str], *, band: str | None
) -> None:
    """
    A row of line samples with their names, for several panels that share them.

    Parameters
    ----------
    figure : Figure
    place : tuple of float
        Left end and middle height, parts of the figure.
    names : mapping of str to str
        Stage to the name shown.
    band : str or None
        Name of the hatched band; none drawn without it.
    """
    from matplotlib.lines import Line2D
    from matplotlib.patches import Rectangle

    x, y = place
    width = 10.0 / (figure.get_figwidth() * 25.4)
    shown, gap = _fit_names(names, band or "", (0.985 - x) / width)
    for stage, style in choose_styles(tuple(names)).items():
        ends = [x, x + width / 2.0, x + width]
        figure.add_artist(Line2D(ends, [y] * 3, **line_look(style), markevery=[1]))
        name = shown[stage]
        write_text(figure, x + 1.2 * width, y, name, va="center", fontsize=8, weight="bold")
        x += (1.2 + gap + CHARACTER_WIDTH * len(name)) * width
    if band is not None:
        height = 3.2 / (figure.get_figheight() * 25.4)
        patch = Rectangle((x, y - height / 2.0), width, height, hatch="//////", linewidth=0.6)
        patch.set(facecolor=BAND_FACE, edgecolor=BAND_EDGE, hatch_linewidth=0.4)
        figure.add_artist(patch)
        write_text(figure, x + 1.2 * width, y, clean_text(band, 60), va="center", fontsize=8)


def _fit_names(names: Mapping[str, str], band: str, room: float) -> tuple[dict[str, str], float]:
    """Names shortened, and the gap between them narrowed, until the row fits its room."""
    shown: dict[str, str] = {}
    gap = 0.8
    for longest, gap in ((24, 0.8), (18, 0.6), (14, 0.4), (10, 0.3), (7, 0.2)):
        shown = {stage: clean_text(name, longest) for stage, name in names.items()}
        lengths = [len(name) for name in [*shown.values(), *([band] if band else [])]]
        if sum(1.2 + gap + CHARACTER_WIDTH * length for length in lengths) <= room:
            break
    return shown, gap
