"""
How curves look: colour, line, marker and text, so that they are told apart without colour.

Each stage differs from the next in lightness, line pattern and marker, so a grey copy and a
colour-blind reader lose nothing. Contrast of every line with the paper is at least 4.5 to 1
(tests hold the palette against the WCAG 2 formula).
"""

from __future__ import annotations

import functools
import re
import textwrap
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from voicecheck.words import Words

PALETTE_FILE = Path(__file__).parents[1] / "data" / "web" / "palette.css"


def read_palette(css: str) -> dict[str, str]:
    """
    Colours of the first block of the palette, by name: paper, and a light screen.

    Examples
    --------
    >>> read_palette(":root { --curve-limits: #abcdef; } @media x { --curve-limits: #000000; }")
    {'limits': '#abcdef'}
    """
    return dict(re.findall(r"--curve-([\w-]+): (#[0-9a-f]{6});", css.partition("}")[0]))


PALETTE = read_palette(PALETTE_FILE.read_text(encoding="utf-8"))
INK = "#1C1C1C"
FAINT_INK = "#555555"
GRID, OUT_OF_BAND = PALETTE["grid"], PALETTE["outside"]
BAND_FACE, BAND_EDGE = PALETTE["limits"], PALETTE["limits-edge"]
FONT = "DejaVu Sans"
MM = 1 / 25.4

VOICE_BAND_HZ = (300.0, 3400.0)
SHOWN_HZ = (190.0, 4200.0)
TICKS_HZ = (200, 300, 500, 700, 1000, 2000, 3400, 4000)
FEW_TICKS_HZ = (300, 500, 1000, 2000, 3400)

LONGEST_TEXT = 400
_BIDI_CONTROLS = dict.fromkeys([*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x200E, 0x200F])


@dataclass(frozen=True, slots=True)
class LineStyle:
    """How one stage is drawn."""

    colour: str
    dashes: Any
    marker: str
    hollow: bool


STAGE_STYLES = {
    "before": LineStyle(PALETTE["1"], (0, (4.5, 1.8)), "s", hollow=True),
    "after": LineStyle(PALETTE["2"], "solid", "o", hollow=False),
    "reference": LineStyle(PALETTE["3"], (0, (7, 1.6, 1.2, 1.6)), "^", hollow=True),
}
OTHER_STYLES = (
    LineStyle(PALETTE["4"], (0, (1.2, 1.3)), "^", hollow=False),
    LineStyle(PALETTE["5"], (0, (8, 1.6, 1.2, 1.6)), "D", hollow=True),
    LineStyle(PALETTE["6"], (0, (3, 1.2, 1, 1.2, 1, 1.2)), "v", hollow=False),
)


def choose_styles(stages: tuple[str, ...]) -> dict[str, LineStyle]:
    """
    A style for each stage: the known ones their own, other labels the next free one.

    Parameters
    ----------
    stages : tuple of str
        In the order of drawing.

    Returns
    -------
    dict of str to LineStyle
    """
    others = [stage for stage in dict.fromkeys(stages) if stage not in STAGE_STYLES]
    chosen = {stage: OTHER_STYLES[i % len(OTHER_STYLES)] for i, stage in enumerate(others)}
    return {stage: STAGE_STYLES.get(stage) or chosen[stage] for stage in dict.fromkeys(stages)}


@functools.cache
def _drawable() -> frozenset[int]:
    from matplotlib import font_manager, ft2font

    path = font_manager.findfont(FONT)
    return frozenset(ft2font.FT2Font(path).get_charmap())


def clean_text(text: str, longest: int = LONGEST_TEXT) -> str:
    r"""
    Text that is safe to draw: one line, no control characters, only what the font can show.

    Parameters
    ----------
    text : str
        Anything a user may have typed.
    longest : int
        Characters kept; an ellipsis takes the place of the rest.

    Returns
    -------
    str
        A character that the font lacks is shown as an empty box.

    Examples
    --------
    >>> clean_text("left\u202eright\n", 8)
    'leftrig…'
    """
    plain = unicodedata.normalize("NFC", text).translate(_BIDI_CONTROLS)
    flat = " ".join("".join(c for c in plain if c.isspace() or _is_visible(c)).split())
    if len(flat) > longest:
        flat = flat[: longest - 1].rstrip() + "\u2026"
    known = _drawable()
    return "".join(c if ord(c) in known else "\u25a1" for c in flat)


def _is_visible(character: str) -> bool:
    # Marks that NFC could not join to a letter are left out: piled up, they cover other lines.
    return unicodedata.category(character) not in ("Cc", "Cf", "Cs", "Cn", "Co", "Mn", "Me")


def line_look(style: LineStyle) -> dict[str, Any]:
    """Keywords that make a matplotlib line look like a stage."""
    return {
        "color": style.colour,
        "linestyle": style.dashes,
        "linewidth": 1.4,
        "marker": style.marker,
        "markersize": 3.8,
        "markerfacecolor": "white" if style.hollow else style.colour,
        "markeredgewidth": 1.0,
    }


def make_figure(width_mm: float, height_mm: float) -> Figure:
    """An empty white figure of a size in millimetres; not known to pyplot."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_mm * MM, height_mm * MM), dpi=200)
    figure.set_facecolor("white")
    return figure


def write_text(target: Any, x: float, y: float, text: str, **style: Any) -> Any:
    """
    Put text on a figure or axes; never read as mathematics, so a dollar sign stays one.

    Parameters
    ----------
    target : Figure or Axes
    x, y : float
        As the target's `text` takes them.
    text : str
        Lines parted by newlines; each is cleaned.
    **style : object
        Passed on.
    """
    cleaned = "\n".join(clean_text(line) for line in text.split("\n"))
    style = {"family": FONT, "color": INK, "parse_math": False, **style}
    return target.text(x, y, cleaned, **style)


def write_foot(
    figure: Figure, lines: Sequence[str], *, width: int = 138, top_lines: int = 6
) -> None:
    """
    Conditions in small print at the foot, wrapped.

    Parameters
    ----------
    figure : Figure
    lines : sequence of str
    width : int
        Characters a line.
    top_lines : int
        Most lines written; an ellipsis says that there was more.
    """
    wrapped = [part for line in lines for part in textwrap.wrap(clean_text(line), width)]
    if len(wrapped) > top_lines:
        wrapped = [*wrapped[: top_lines - 1], f"{wrapped[top_lines - 1][: width - 1]}\u2026"]
    write_text(
        figure, 0.017, 0.018, "\n".join(wrapped), va="bottom", fontsize=6.3, linespacing=1.25
    )


def dress_frequency_axis(axes: Axes, words: Words, *, few: bool = False) -> None:
    """
    Logarithmic frequency axis over the voice band, with the ticks of the trade.

    Parameters
    ----------
    axes : Axes
    words : Words
    few : bool
        Fewer ticks, for a small panel.
    """
    from matplotlib.ticker import FixedFormatter, FixedLocator, NullFormatter

    ticks = FEW_TICKS_HZ if few else TICKS_HZ
    axes.set_xscale("log")
    axes.set_xlim(*SHOWN_HZ)
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_major_formatter(FixedFormatter([say_hz(tick, words) for tick in ticks]))
    axes.xaxis.set_minor_locator(FixedLocator([200, 400, 500, 600, 700, 800, 900, 2000, 3000]))
    axes.xaxis.set_minor_formatter(NullFormatter())
    for left, right in ((SHOWN_HZ[0], VOICE_BAND_HZ[0]), (VOICE_BAND_HZ[1], SHOWN_HZ[1])):
        axes.axvspan(left, right, facecolor=OUT_OF_BAND, edgecolor="none", zorder=0)
    for edge in VOICE_BAND_HZ:
        axes.axvline(edge, color=FAINT_INK, linewidth=0.7, zorder=1)
    dress_axes(axes)


def label_axes(axes: Axes, upper: str, lower: str, *, is_small: bool = False) -> None:
    """
    Names of the axes: the upright one's lies above it, where it is read without turning the sheet.

    Parameters
    ----------
    axes : Axes
    upper, lower : str
    is_small : bool
    """
    size = 7.0 if is_small else 8.0
    style = {"transform": axes.transAxes, "fontsize": size, "color": FAINT_INK}
    write_text(axes, 0.0, 1.015, upper, va="bottom", **style)
    axes.set_xlabel(
        clean_text(lower), family=FONT, fontsize=size, color=FAINT_INK, parse_math=False
    )


def dress_axes(axes: Axes) -> None:
    """Grid, frame and tick text as everywhere on the sheets."""
    axes.grid(visible=True, which="major", color=GRID, linewidth=0.6, zorder=0.5)
    axes.set_axisbelow(True)
    axes.tick_params(labelsize=8.5, labelfontfamily=FONT, colors=INK, length=3, width=0.7)
    axes.tick_params(which="minor", length=1.8, width=0.5)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set(color=INK, linewidth=0.8)


def say_hz(frequency_hz: float, words: Words) -> str:
    """
    A frequency as an axis tick: 300, 1k, 3.4k.

    Parameters
    ----------
    frequency_hz : float
    words : Words
    """
    if frequency_hz < 1000:
        return f"{frequency_hz:.0f}"
    text = f"{frequency_hz / 1000:.1f}".removesuffix(".0")
    return text.replace(".", words.say("language", "decimal")) + words.say("chart", "kilo")


def mark_points(level: np.ndarray, every: int = 4) -> list[int]:
    """
    Indices that get a marker: one in `every`, and each point that stands alone between gaps.

    Parameters
    ----------
    level : ndarray, shape (n_points,)
        NaN is a gap.
    every : int

    Returns
    -------
    list of int
    """
    finite = np.isfinite(level)
    padded = np.concatenate([[False], finite, [False]])
    alone = finite & ~padded[:-2] & ~padded[2:]
    return [i for i in range(len(level)) if finite[i] and (i % every == every // 2 or alone[i])]
