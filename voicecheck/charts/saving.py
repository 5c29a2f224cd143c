"""Figures to files: PNG, SVG and PDF whose bytes repeat."""

from __future__ import annotations

import html
import io
import re
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

from voicecheck.records.terms import check_word
from voicecheck.writing import DOOR, Door

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FORMATS = ("png", "svg", "pdf")
_SETTINGS: Any = {"svg.hashsalt": "voicecheck", "svg.fonttype": "none", "pdf.fonttype": 42}
# No dates: they would make every file differ from the last.
_METADATA: dict[str, dict[str, Any]] = {
    "png": {"Software": "voicecheck"},
    "svg": {"Date": None, "Creator": "voicecheck"},
    "pdf": {"CreationDate": None, "Creator": "voicecheck", "Producer": "voicecheck"},
}
# matplotlib's settings are one table for the whole process: two threads that save at the same
# time would undo each other's.
_SETTINGS_LOCK = threading.Lock()


def render_figure(figure: Figure, file_format: str) -> bytes:
    """
    A figure as the bytes of a file; the same figure gives the same bytes.

    Parameters
    ----------
    figure : Figure
    file_format : str
        "png" (200 dots per inch), "svg" (live text) or "pdf".

    Returns
    -------
    bytes

    Raises
    ------
    InputError
        Another format.
    """
    check_word(file_format, FORMATS, "chart format")
    import matplotlib as mpl

    buffer = io.BytesIO()
    with _SETTINGS_LOCK, mpl.rc_context(_SETTINGS):
        figure.savefig(
            buffer, format=file_format, metadata=_METADATA[file_format], facecolor="white"
        )
    if threading.current_thread() is not threading.main_thread():
        _let_fonts_go()
    return buffer.getvalue()


def _let_fonts_go() -> None:
    """
    Close the files of fonts.

    matplotlib holds a set of them open for each thread that ever drew, and those of a page come
    and go. It has no public word for it; where the name is another one the files stay open.
    """
    from matplotlib import font_manager

    let_go = getattr(getattr(font_manager, "_get_font", None), "cache_clear", None)
    if let_go is not None:
        let_go()


def save_figure(figure: Figure, path: Path | str, door: Door = DOOR) -> Path:
    """
    Write a figure; its name's ending says the format.

    Parameters
    ----------
    figure : Figure
    path : path
        Ends in .png, .svg or .pdf. Its folder is made.
    door : Door

    Returns
    -------
    Path

    Raises
    ------
    InputError
        Another ending, or the place cannot be written.
    """
    target = Path(path)
    content = render_figure(figure, target.suffix.removeprefix(".").lower())
    return door.write_all(target.parent, {target.name: content})[0]


def inline_svg(svg: bytes, prefix: str, title: str = "") -> str:
    """
    An SVG file as markup for the inside of a page.

    Parameters
    ----------
    svg : bytes
        As `render_figure` makes it.
    prefix : str
        Put before every id that is used, so that two charts on a page do not share one; the
        others are left out.
    title : str
        What it shows, for those who cannot see it; a tagged PDF has it, too.

    Returns
    -------
    str
        From `<svg` on, without declaration, size in the page's hands.
    """
    text = svg.decode("utf-8")
    text = text[text.index("<svg") :]
    named = f"<title>{html.escape(title)}</title>" if title else ""
    text = re.sub(r"<metadata>.*?</metadata>", lambda _: named, text, flags=re.DOTALL)
    used = set(re.findall(r'url\(#([^)"]+)\)|xlink:href="#([^"]+)"', text))
    names = {name for pair in used for name in pair if name}
    text = re.sub(
        r' id="([^"]*)"', lambda m: f' id="{prefix}-{m[1]}"' if m[1] in names else "", text
    )
    text = re.sub(r"url\(#", f"url(#{prefix}-", text)
    return re.sub(r'xlink:href="#', f'xlink:href="#{prefix}-', text)
