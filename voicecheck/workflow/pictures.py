"""Pictures of single checks."""

from __future__ import annotations

from pathlib import Path

from voicecheck.charts import draw_timing, save_figure
from voicecheck.records import DialCheck


def write_timing(check: DialCheck, path: str | Path) -> Path:
    """
    Draw dial pulses against time and write the picture.

    Parameters
    ----------
    check : DialCheck
    path : path
        Ends in .png, .svg or .pdf.

    Returns
    -------
    Path

    Raises
    ------
    InputError
        Another ending, or the place cannot be written.
    """
    return save_figure(draw_timing(check), path)
