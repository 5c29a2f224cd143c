"""How a dial would have to be set for all of its pulses to fit a line."""

from __future__ import annotations

from dataclasses import dataclass

Extent = tuple[float, float]
"""Shortest and longest, ms."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """
    What to change: speed by `speed_pps` (above 0 is faster), break by `break_ms`, or both.

    The make changes as much the other way where the break alone is moved. `is_possible` is false
    where the pulses differ among themselves by more than the line's windows are wide.
    """

    speed_pps: float = 0.0
    break_ms: float = 0.0
    is_possible: bool = True


def find_setting(
    breaks: Extent, makes: Extent, break_window: Extent, make_window: Extent, mean_pps: float
) -> Setting:
    """
    The smaller of two changes that brings every pulse inside: the governor's, or the springs'.

    Parameters
    ----------
    breaks, makes : tuple of float
        Shortest and longest that the dial made, ms.
    break_window, make_window : tuple of float
        What the line takes, ms.
    mean_pps : float
        Speed of the dial, pulses/s.

    Returns
    -------
    Setting
        To the middle of what fits. One step where one is enough, else both.

    Examples
    --------
    >>> slow = find_setting((75.0, 85.0), (45.0, 56.0), (47.0, 80.0), (30.0, 55.0), 8.5)
    >>> slow.speed_pps > 0.0, slow.break_ms
    (True, 0.0)
    >>> either = find_setting((75.0, 82.0), (38.0, 42.0), (47.0, 80.0), (30.0, 55.0), 8.5)
    >>> either.speed_pps, either.break_ms
    (0.0, -7.5)
    >>> find_setting((40.0, 90.0), (38.0, 42.0), (47.0, 80.0), (30.0, 55.0), 9.0).is_possible
    False
    """
    pairs = ((breaks, break_window), (makes, make_window))
    stretch = (
        max(window[0] / extent[0] for extent, window in pairs),
        min(window[1] / extent[1] for extent, window in pairs),
    )
    shift = (
        max(break_window[0] - breaks[0], makes[1] - make_window[1]),
        min(break_window[1] - breaks[1], makes[0] - make_window[0]),
    )
    middle_ms = (breaks[0] + breaks[1]) / 2.0
    choices = []
    if stretch[0] <= stretch[1]:
        factor = (stretch[0] + stretch[1]) / 2.0
        choices.append((abs(factor - 1.0), Setting(speed_pps=mean_pps * (1.0 / factor - 1.0))))
    if shift[0] <= shift[1]:
        moved_ms = (shift[0] + shift[1]) / 2.0
        choices.append((abs(moved_ms) / middle_ms, Setting(break_ms=moved_ms)))
    if choices:
        return min(choices, key=lambda one: one[0])[1]
    return _find_both(breaks, makes, break_window, make_window, mean_pps)


def _find_both(
    breaks: Extent, makes: Extent, break_window: Extent, make_window: Extent, mean_pps: float
) -> Setting:
    """Both middles into the middles of their windows: the speed first, then the break."""
    middles = [sum(each) / 2.0 for each in (breaks, makes, break_window, make_window)]
    factor = (middles[2] + middles[3]) / (middles[0] + middles[1])
    moved_ms = middles[2] - factor * middles[0]
    is_possible = all(
        factor * (extent[1] - extent[0]) <= window[1] - window[0]
        for extent, window in ((breaks, break_window), (makes, make_window))
    )
    speed_pps = mean_pps * (1.0 / factor - 1.0)
    return Setting(speed_pps=speed_pps, break_ms=moved_ms, is_possible=is_possible)
