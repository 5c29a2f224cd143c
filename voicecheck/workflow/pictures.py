"""Pictures of single checks."""

from __future__ import annotations

from pathlib import Path

from voicecheck.charts import draw_timing, render_figure, save_figure
from voicecheck.errors import InputError
from voicecheck.records import DialCheck
from voicecheck.writing import DOOR, Door


def write_timing(check: DialCheck, path: str | Path, door: Door = DOOR) -> Path:
    """
    Draw dial pulses against time and write the picture.

    Parameters
    ----------
    check : DialCheck
    path : path
        Ends in .png, .svg or .pdf.
    door : Door

    Returns
    -------
    Path

    Raises
    ------
    InputError
        Another ending, or the place cannot be written.
    """
    return save_figure(draw_timing(check), path, door)


def render_timing(check: DialCheck, file_format: str) -> bytes:
    """
    Dial pulses against time as the bytes of a picture.

    Parameters
    ----------
    check : DialCheck
    file_format : str
        "png", "svg" or "pdf".

    Raises
    ------
    InputError
        Another format, or no digit to be drawn.
    """
    if not check.digits:
        raise InputError("timing picture: this dial check has no digit")
    return render_figure(draw_timing(check), file_format)
