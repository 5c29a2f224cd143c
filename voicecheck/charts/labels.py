"""Names beside the curves' ends, so that no key has to be looked up."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from voicecheck.charts.style import BAND_EDGE, BAND_FACE, LineStyle, clean_text, write_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

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
    texts = ["\n".join(textwrap.wrap(clean_text(label.text, 60), 17)[:3]) for label in rising]
    heights = [LINE_HEIGHT * (1 + text.count("\n")) for text in texts]
    places = spread_apart([label.place for label in rising], heights)
    for place, text, label in zip(places, texts, rising, strict=True):
        _draw_label(axes, place, text, label.style)


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
        sample = Line2D(
            [1.015, 1.04, 1.065],
            [place] * 3,
            color=style.colour,
            linestyle=style.dashes,
            linewidth=1.7,
            marker=style.marker,
            markersize=4.2,
            markevery=[1],
            markerfacecolor="white" if style.hollow else style.colour,
            markeredgewidth=1.1,
            transform=axes.transAxes,
            clip_on=False,
        )
    axes.add_artist(sample)
    weight = "normal" if style is None else "bold"
    write_text(
        axes,
        1.078,
        place,
        text,
        transform=axes.transAxes,
        va="center",
        fontsize=8,
        weight=weight,
        linespacing=1.05,
    )
