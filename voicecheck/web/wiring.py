"""How the wires of a step go, as a drawing."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.resources import files
from typing import Any

from markupsafe import Markup

from voicecheck.errors import InputError

WIDTH, HEIGHT, LINE = 660, 210, 17


@cache
def _load() -> dict[str, dict[str, list[list[Any]]]]:
    text = files("voicecheck").joinpath("data", "bench", "wiring.toml").read_text("utf-8")
    return tomllib.loads(text)


def draw_wiring(picture: str, labels: Mapping[str, str], about: str) -> Markup:
    """
    A drawing as part of a page; its colours and lines are those of the style sheet.

    Parameters
    ----------
    picture : str
        As the guide of a step names it.
    labels : mapping of str to str
        Channels and values of the bench, by the names in braces.
    about : str
        What it shows, for who does not see it.

    Returns
    -------
    Markup

    Raises
    ------
    InputError
        There is no such drawing.
    """
    shapes = _load().get(picture)
    if shapes is None:
        raise InputError(f"picture: there is no drawing {picture!r}")
    drawn = [
        *(_draw_wire(points) for points in shapes.get("wires", ())),
        *(_draw_sound(ends) for ends in shapes.get("sounds", ())),
        *(_draw_box(box, labels) for box in shapes.get("boxes", ())),
        *(_draw_text(x, y, text, labels) for x, y, text in shapes.get("notes", ())),
    ]
    ((width, height),) = shapes.get("size", [[WIDTH, HEIGHT]])
    head = Markup('<svg class="wiring{}" viewBox="0 0 {} {}" role="img" aria-label="{}">').format(
        "" if width == WIDTH else " narrow", width, height, about
    )
    return head + Markup("").join(drawn) + Markup("</svg>")


def _draw_box(box: Iterable[Any], labels: Mapping[str, str]) -> Markup:
    x, y, width, height, text = box
    frame = Markup('<rect x="{}" y="{}" width="{}" height="{}" rx="5"/>').format(
        x, y, width, height
    )
    return frame + _draw_text(x + width / 2, y + height / 2, text, labels)


def _draw_text(x: float, y: float, text: str, labels: Mapping[str, str]) -> Markup:
    """Lines of text about a point."""
    lines = text.format(**labels).split("|")
    first = y - (len(lines) - 1) * LINE / 2 + LINE * 0.3
    return Markup("").join(
        Markup('<text x="{:g}" y="{:g}">{}</text>').format(x, first + LINE * number, line)
        for number, line in enumerate(lines)
    )


def _draw_wire(points: list[float]) -> Markup:
    return Markup('<polyline points="{}"/>').format(" ".join(f"{one:g}" for one in points))


def _draw_sound(ends: list[float]) -> Markup:
    """Three arcs of air, from the mouth on."""
    x, y, to_x, _ = ends
    step = (to_x - x) / 3
    return Markup("").join(
        Markup('<path d="M{:g} {:g}q{:g} 12 0 24"/>').format(x + step * n, y - 12, step * 0.9)
        for n in range(3)
    )
