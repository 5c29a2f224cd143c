"""Pictures of single checks."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from voicecheck.charts import render_figure, save_figure
from voicecheck.workflow.checks.kinds import draw_check, get_kind
from voicecheck.writing import DOOR, Door


def write_picture(kind: str, check: Any, path: str | Path, door: Door = DOOR) -> Path:
    """
    Draw a check and write its picture.

    Parameters
    ----------
    kind : str
    check : record
        Of that kind.
    path : path
        Ends in .png, .svg or .pdf.
    door : Door

    Returns
    -------
    Path

    Raises
    ------
    InputError
        Another ending, nothing to be drawn, or the place cannot be written.
    """
    return save_figure(draw_check(get_kind(kind), check), path, door)


def render_picture(kind: str, check: Any, file_format: str) -> bytes:
    """
    A check as the bytes of a picture.

    Parameters
    ----------
    kind : str
    check : record
        Of that kind.
    file_format : str
        "png", "svg" or "pdf".

    Raises
    ------
    InputError
        Another format, or nothing to be drawn.
    """
    return render_figure(draw_check(get_kind(kind), check), file_format)
