"""The impedance of a part along the band, with its interval."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from voicecheck.charts.style import (
    FAINT_INK,
    FONT,
    GRID,
    INK,
    PALETTE,
    make_figure,
    write_text,
)
from voicecheck.errors import InputError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from voicecheck.records.parts import PartsCheck

ENDS = {"reference": "known resistor"}
WIDTH_MM, HEIGHT_MM = 180.0, 120.0
UPPER, LOWER = (0.13, 0.43, 0.83, 0.42), (0.13, 0.12, 0.83, 0.24)


def has_curve(check: PartsCheck) -> bool:
    """Whether there is an impedance to be drawn."""
    return len(check.frequency_hz) > 1


def draw_impedance(check: PartsCheck) -> Figure:
    """
    Magnitude with its 95 % interval above, angle below, against frequency.

    Parameters
    ----------
    check : PartsCheck

    Returns
    -------
    Figure
        180 by 120 mm.

    Raises
    ------
    InputError
        There is no curve.
    """
    if not has_curve(check):
        raise InputError(f"picture of {check.part}: there is no curve to be drawn")
    figure = make_figure(WIDTH_MM, HEIGHT_MM)
    hz = np.array(check.frequency_hz)
    ohm = np.array([complex(*one) for one in check.impedance_ohm])
    width = np.array([np.nan if one is None else one for one in check.uncertainty_ohm])
    size = np.abs(ohm)
    upper = _make_axes(figure, UPPER, "ohm")
    upper.fill_between(
        hz, np.maximum(size - width, 0.05 * size), size + width, color=PALETTE["1"], alpha=0.3,
        linewidth=0.0,
    )  # fmt: skip
    upper.plot(hz, size, color=PALETTE["2"], linewidth=1.4)
    upper.set_yscale("log")
    upper.set_yticks(*_choose_ticks(upper.get_ylim()))
    upper.minorticks_off()
    upper.set_xticks(_choose_ticks(upper.get_xlim())[0], [])
    lower = _make_axes(figure, LOWER, "degrees")
    lower.plot(hz, np.degrees(np.angle(ohm)), color=PALETTE["2"], linewidth=1.4)
    lower.set_ylim(-95.0, 95.0)
    lower.set_yticks([-90.0, -45.0, 0.0, 45.0, 90.0])
    lower.set_xticks(*_choose_ticks(lower.get_xlim()))
    lower.minorticks_off()
    lower.set_xlabel("Hz", fontsize=8.5, family=FONT, color=INK)
    resistor = "" if check.resistor_ohm is None else f" through {check.resistor_ohm:g} ohm"
    named = (ENDS.get(one, one) for one in check.corrections)
    corrected = ", ".join(named) or "none: the inputs are taken as they are"
    write_text(
        figure, 0.06, 1.0 - 6.0 / HEIGHT_MM, f"Impedance of the {check.part}", fontsize=11,
        weight="bold",
    )  # fmt: skip
    told = f"shaded: 95 % interval; measured{resistor}; known ends: {corrected}"
    write_text(figure, 0.06, 1.0 - 11.5 / HEIGHT_MM, told, fontsize=8.5, color=FAINT_INK)
    loss = check.figures.get("return_loss_db")
    if loss is not None and loss.value is not None:
        against = f"return loss against {check.line_impedance}: {loss.value:.1f} dB"
        write_text(figure, 0.06, 1.0 - 15.5 / HEIGHT_MM, against, fontsize=8.5, color=FAINT_INK)
    return figure


def _choose_ticks(limits: tuple[float, float]) -> tuple[list[float], list[str]]:
    """Round numbers between two, with their words: the more of a decade the fewer there are."""
    low, high = limits
    lead: tuple[float, ...] = (
        (1.0, 2.0, 5.0) if high > 8.0 * low else (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0)
    )
    lead = (1.0,) if high > 2000.0 * low else lead
    every = (one * 10.0**power for power in range(-4, 8) for one in lead)
    ticks = [one for one in every if low <= one <= high]
    return ticks, [f"{one:.6g}" if one < 1e5 else f"{one / 1e6:g} M" for one in ticks]


def _make_axes(figure: Figure, place: tuple[float, float, float, float], unit: str) -> Axes:
    axes: Axes = figure.add_axes(place)
    axes.set_xscale("log")
    axes.set_ylabel(unit, fontsize=8.5, family=FONT, color=INK)
    axes.tick_params(which="both", labelsize=8, labelfontfamily=FONT, colors=INK)
    axes.grid(visible=True, which="major", color=GRID, linewidth=0.5)
    axes.spines[["top", "right"]].set_visible(False)
    return axes
