"""A self-test on one page of HTML that needs nothing else."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from voicecheck.records.selftest import SelfTest, SelfTestGroup, SelfTestLine
from voicecheck.report.printing import TEMPLATE_FOLDER, make_environment, mark_up

MARKS = {"passes": "✓", "fails": "✗", "not tried": "○"}
"""Verdicts differ in word, weight and frame, never in colour alone."""


def render_selftest(
    test: SelfTest, titles: Mapping[SelfTestGroup, str], *, what_sight_is: str, whole: str
) -> str:
    """
    A self-test as one HTML file.

    Parameters
    ----------
    test : SelfTest
    titles : mapping of str to str
        Of the groups, in their order.
    what_sight_is : str
        Heading over what the bench can tell.
    whole : str
        How many pass and fail, in words.

    Returns
    -------
    str
        No script and no outside request; prints on one page, and with much that fails on two.
    """
    groups = [
        (titles[group], [one for one in test.lines if one.group == group])
        for group in titles
        if any(one.group == group for one in test.lines)
    ]
    environment = make_environment()
    environment.filters["commands"] = mark_commands
    html = environment.get_template("selftest.html.j2").render(
        test=test,
        groups=groups,
        todo=gather_advice(test),
        whole=whole,
        marks=MARKS,
        what_sight_is=what_sight_is,
        style=mark_up((TEMPLATE_FOLDER / "selftest.css").read_text(encoding="utf-8")),
    )
    return str(html).encode("utf-8", "replace").decode("utf-8")


def gather_advice(test: SelfTest) -> dict[str, list[SelfTestLine]]:
    """Lines that fail by what is to be done, so that it is said once."""
    found: dict[str, list[SelfTestLine]] = {}
    for line in test.list_failed():
        found.setdefault(line.advice, []).append(line)
    return found


def mark_commands(text: str) -> Any:
    """
    Escaped text whose commands, in backticks, are set as such.

    Examples
    --------
    >>> str(mark_commands("see `voicecheck devices` <now>"))
    'see <code>voicecheck devices</code> &lt;now&gt;'
    """
    from markupsafe import escape

    return mark_up(re.sub(r"`([^`]+)`", r"<code>\1</code>", str(escape(text))))
