"""Picture of dial pulses: every digit a row, open and closed against time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from voicecheck.charts.style import FAINT_INK, FONT, GRID, INK, PALETTE, make_figure, write_text
from voicecheck.records import DialCheck, DialDigit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

OPEN_FACE, BOUNCE_FACE = PALETTE["2"], PALETTE["1"]
ROW_MM, HEAD_MM, FOOT_MM, WIDTH_MM = 9.0, 16.0, 18.0, 180.0
MOST_ROWS = 24
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
        180 mm wide, 9 mm a digit; the first 24 digits.
    """
    rows = check.digits[:MOST_ROWS]
    height_mm = HEAD_MM + FOOT_MM + ROW_MM * len(rows)
    figure = make_figure(WIDTH_MM, height_mm)
    axes = figure.add_axes((0.06, FOOT_MM / height_mm, 0.44, 1.0 - (HEAD_MM + FOOT_MM) / height_mm))
    longest_ms = max(_measure_length(digit) for digit in rows)
    for row, digit in enumerate(rows):
        _draw_digit(axes, len(rows) - 1 - row, digit)
        axes.annotate(
            _describe(digit),
            (1.02, len(rows) - 1 - row),
            xycoords=("axes fraction", "data"),
            va="center",
            fontsize=6.5,
            family=FONT,
            color=INK,
        )
    axes.set_xlim(-0.02 * longest_ms, 1.02 * longest_ms)
    axes.set_ylim(-0.6, len(rows) - 0.4)
    axes.set_yticks(range(len(rows)), [digit.digit for digit in reversed(rows)])
    axes.set_xlabel("ms from the first opening", fontsize=7, family=FONT, color=INK)
    axes.tick_params(labelsize=8, colors=INK)
    axes.grid(visible=True, axis="x", color=GRID, linewidth=0.5)
    axes.set_axisbelow(True)
    axes.spines[["top", "right", "left"]].set_visible(False)
    write_text(figure, 0.06, 1.0 - 6.0 / height_mm, f"Dialled: {check.number}", fontsize=10)
    told = _summarise(check)
    write_text(figure, 0.06, 1.0 - 11.0 / height_mm, told, fontsize=7, color=FAINT_INK)
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
