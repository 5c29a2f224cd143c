"""Records that show themselves in a notebook."""

from __future__ import annotations

import importlib
from typing import Any


def _notebook() -> Any:
    # Looked up by name when asked for: records know nothing of charts, and a program that draws
    # nothing loads nothing.
    return importlib.import_module("voicecheck.charts.notebook")


class Shown:
    """What a notebook asks of an object, done by the charts."""

    __slots__ = ()

    def _repr_html_(self) -> str:
        html: str = _notebook().render_record(self)
        return html

    def plot(self, **options: Any) -> Any:
        """
        Chart of this record.

        Parameters
        ----------
        **options : object
            As the chart takes them: `baseline`, `comparison`, `title`, `language`.

        Returns
        -------
        matplotlib.figure.Figure
            Shows itself in a notebook; `voicecheck.charts.save_figure` writes it.

        Raises
        ------
        InputError
            There is nothing to draw.
        """
        return _notebook().plot_record(self, **options)

    def to_frame(self) -> Any:
        """
        Table of this record.

        Returns
        -------
        pandas.DataFrame
            One row a frequency, or one row a finding; withheld is NaN.

        Raises
        ------
        InputError
            pandas is not installed, or there is nothing to tabulate.
        """
        return _notebook().tabulate_record(self)
