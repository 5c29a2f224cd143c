"""Pictures of checks against time: dial pulses digit by digit, and spans of anything else."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from voicecheck.charts.style import (
    FAINT_INK,
    FONT,
    GRID,
    INK,
    MM,
    PALETTE,
    make_figure,
    write_text,
)
from voicecheck.errors import InputError
from voicecheck.records import DialCheck, DialDigit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

OPEN_FACE, BOUNCE_FACE = PALETTE["2"], PALETTE["1"]
ROW_MM, HEAD_MM, FOOT_MM, WIDTH_MM = 8.0, 15.0, 14.0, 180.0
WORDS_LETTERS = 46
"""Letters of a line beside a row; two lines fit it."""
MOST_ROWS = 24
THIN_SHARE = 0.004
"""Of the axis: as wide as a mark without length is drawn, 0.3 mm on paper."""
LETTER_SHARE = 0.009
"""Of the picture's width, for each letter of a row's name beyond three."""
NO_BREAK_MS = 4.0
"""Width of a click, whose break is not known."""


def draw_timing(check: DialCheck) -> Figure:
    """
    When the contact was open, digit by digit, with speed, break and pause beside each row.

    Parameters
    ----------
    check : DialCheck
        Of a recording of clicks, each opening is a thin mark.

    Returns
    -------
    Figure
        180 mm wide, 8 mm a digit; the first 24 digits.

    Raises
    ------
    InputError
        There is no digit.
    """
    rows = check.digits[:MOST_ROWS]
    if not rows:
        raise InputError("timing picture: this dial check has no digit")
    figure, axes = _make_rows([digit.digit for digit in rows], [_describe(digit) for digit in rows])
    for row, digit in enumerate(reversed(rows)):
        _draw_digit(axes, row, digit)
    longest_ms = max(_measure_length(digit) for digit in rows)
    axes.set_xlim(-0.02 * longest_ms, 1.02 * longest_ms)
    return _label(
        figure, axes, "ms from the first opening", f"Dialled: {check.number}", _summarise(check)
    )


def draw_spans(
    title: str,
    axis: str,
    rows: Sequence[tuple[str, Sequence[tuple[float, float]], str]],
) -> Figure:
    """
    Rows of spans on one axis: when something was heard, or from where to where it reaches.

    Parameters
    ----------
    title, axis : str
        What is shown; what the axis counts, with its unit.
    rows : sequence of (name, spans, words)
        Spans as (start, end) in the axis's unit; one without length is a thin mark. The first 24.

    Returns
    -------
    Figure
        180 mm wide, 8 mm a row.

    Raises
    ------
    InputError
        There is nothing to be drawn.
    """
    shown = [row for row in rows if row[1]][:MOST_ROWS]
    if not shown:
        raise InputError(f"picture of {title.lower()}: there is nothing to be drawn")
    ends = [end for _, spans, _ in shown for span in spans for end in span]
    low, high = min(0.0, *ends), max(0.0, *ends)
    width = (high - low) or 1.0
    figure, axes = _make_rows([name for name, _, _ in shown], [told for _, _, told in shown])
    for row, (_, spans, _) in enumerate(reversed(shown)):
        bars = [(start, max(end - start, THIN_SHARE * width)) for start, end in spans]
        axes.broken_barh(bars, (row - 0.32, 0.64), facecolors=OPEN_FACE)
    axes.set_xlim(low - 0.02 * width, high + 0.02 * width)
    left_out = len(rows) - len(shown)
    told = f"the first {MOST_ROWS} of {len(rows)}" if left_out and len(shown) == MOST_ROWS else ""
    return _label(figure, axes, axis, title, told)


def _make_rows(names: Sequence[str], told: Sequence[str]) -> tuple[Figure, Axes]:
    """A figure and its axes, with a named row for each, the first on top, its words beside it."""
    height_mm = HEAD_MM + FOOT_MM + ROW_MM * len(names)
    figure = make_figure(WIDTH_MM, height_mm)
    left = 0.06 + LETTER_SHARE * max(0, max(map(len, names)) - 3)
    place = (left, FOOT_MM / height_mm, 0.5 - left, 1.0 - (HEAD_MM + FOOT_MM) / height_mm)
    axes: Axes = figure.add_axes(place)
    for row, words in enumerate(reversed(told)):
        axes.annotate(
            "\n".join(textwrap.wrap(words, WORDS_LETTERS)[:2]),
            (1.02, row),
            xycoords=("axes fraction", "data"),
            va="center",
            fontsize=8,
            family=FONT,
            color=INK,
        )
    axes.set_ylim(-0.6, len(names) - 0.4)
    axes.set_yticks(range(len(names)), list(reversed(names)))
    axes.tick_params(labelsize=9, labelfontfamily=FONT, colors=INK)
    axes.grid(visible=True, axis="x", color=GRID, linewidth=0.5)
    axes.set_axisbelow(True)
    axes.spines[["top", "right", "left"]].set_visible(False)
    return figure, axes


def _label(figure: Figure, axes: Axes, axis: str, title: str, told: str) -> Figure:
    height_mm = figure.get_figheight() / MM
    axes.set_xlabel(axis, fontsize=8.5, family=FONT, color=INK)
    write_text(figure, 0.06, 1.0 - 6.0 / height_mm, title, fontsize=11, weight="bold")
    write_text(figure, 0.06, 1.0 - 11.0 / height_mm, told, fontsize=8.5, color=FAINT_INK)
    return figure


def _measure_length(digit: DialDigit) -> float:
    """From the first opening to the last closure, ms; a click has no length."""
    return max(
        sum(digit.break_ms or ()) + sum(digit.make_ms or ()), 1e3 * _list_openings(digit)[-1]
    )


def _list_openings(digit: DialDigit) -> list[float]:
    """Openings in seconds from the first."""
    if digit.break_ms is None or digit.make_ms is None:
        period_s = 1.0 / digit.pulses_per_s if digit.pulses_per_s else 0.1
        return [index * period_s for index in range(digit.pulses)]
    starts, now_s = [], 0.0
    for index, break_ms in enumerate(digit.break_ms):
        starts.append(now_s)
        if index < len(digit.make_ms):
            now_s += 1e-3 * (break_ms + digit.make_ms[index])
    return starts


def _draw_digit(axes: Axes, row: int, digit: DialDigit) -> None:
    starts_ms = [1e3 * at_s for at_s in _list_openings(digit)]
    lengths_ms = digit.break_ms or (NO_BREAK_MS,) * digit.pulses
    axes.hlines(row, 0.0, _measure_length(digit), color=FAINT_INK, linewidth=0.6)
    bars = list(zip(starts_ms, lengths_ms, strict=True))
    axes.broken_barh(bars, (row - 0.32, 0.64), facecolors=OPEN_FACE)
    if digit.bounce_ms:
        bounces = [(start + length, digit.bounce_ms) for start, length in bars]
        axes.broken_barh(bounces, (row - 0.32, 0.64), facecolors=BOUNCE_FACE)


def _describe(digit: DialDigit) -> str:
    parts = [f"{digit.pulses} pulses" if digit.pulses > 1 else "1 pulse"]
    if digit.pulses_per_s is not None:
        parts.append(f"{digit.pulses_per_s:.2f}/s")
    if digit.break_percent is not None:
        parts.append(f"{digit.break_percent:.1f} % break")
    if digit.bounce_ms is not None:
        parts.append(f"bounce {digit.bounce_ms:.1f} ms")
    if digit.pause_before_s is not None:
        parts.append(f"after {digit.pause_before_s:.2f} s")
    return ", ".join(parts)


def _summarise(check: DialCheck) -> str:
    parts = []
    if check.pulses_per_s is not None:
        parts.append(f"{check.pulses_per_s:.2f} pulses/s")
    if check.break_percent is not None:
        parts.append(f"{check.break_percent:.1f} % break")
    parts.append("dark: contact open; orange: bounce" if check.break_percent else "marks: openings")
    if len(check.digits) > MOST_ROWS:
        parts.append(f"the first {MOST_ROWS} of {len(check.digits)} digits")
    return "; ".join(parts)
