"""Records that show themselves in a notebook: how they do is for the charts to say."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from voicecheck.errors import InputError


class Display(Protocol):
    """What shows a record; `voicecheck.charts.notebook` is one."""

    def render_record(self, record: Any) -> str:
        """Markup for a notebook's cell."""

    def plot_record(self, record: Any, **options: Any) -> Any:
        """Figure."""

    def tabulate_record(self, record: Any) -> Any:
        """Table."""


_displays: list[Callable[[], Display]] = []


def show_by(find: Callable[[], Display]) -> None:
    """
    Let records be shown from now on.

    Parameters
    ----------
    find : callable
        Asked when a record is first shown, so that a program that draws nothing loads nothing.
    """
    _displays[:] = [find]


def _find_display() -> Display:
    if not _displays:
        raise InputError("show: nothing here can draw yet; `import voicecheck.charts` first")
    return _displays[0]()


class Tabled:
    """What becomes a table, made by the charts."""

    __slots__ = ()

    def to_frame(self) -> Any:
        """
        Table of this record.

        Returns
        -------
        pandas.DataFrame
            One row a frequency, a band, a figure or a finding; withheld is NaN.

        Raises
        ------
        InputError
            pandas is not installed, there is nothing to tabulate, or neither charts nor workflow
            have been imported.
        """
        return _find_display().tabulate_record(self)


class Shown(Tabled):
    """What a notebook asks of an object, done by the charts."""

    __slots__ = ()

    def _repr_html_(self) -> str:
        return _find_display().render_record(self)

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
            There is nothing to draw, or neither charts nor workflow have been imported.
        """
        return _find_display().plot_record(self, **options)
