"""All findings of a comparison in one picture: each where it lies between its limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

from voicecheck.charts.captions import is_held_against_limits, say_conclusion, say_stage, say_value
from voicecheck.charts.style import (
    BAND_FACE,
    FAINT_INK,
    GRID,
    STAGE_STYLES,
    clean_text,
    make_figure,
    write_text,
)
from voicecheck.errors import InputError
from voicecheck.records import Comparison, Finding
from voicecheck.records.verdicts import TELLING
from voicecheck.words import Words, load_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

EDGE = 2.5
"""Where a finding far beyond its limit is drawn; the limits are at -1 and +1."""
GOOD_SIDE = 0.9
MARKERS = {"within": "o", "doubtful": "D", "outside": "s", "not comparable": "x"}


def place_finding(finding: Finding) -> float | None:
    """
    Where a value lies between its limits: -1 at the lower, +1 at the upper.

    Parameters
    ----------
    finding : Finding

    Returns
    -------
    float or None
        With one limit the reference is 0, and the side without a limit stays inside the band;
        `None` where the value or both limits are missing.

    Examples
    --------
    >>> from voicecheck.records import Finding
    >>> place_finding(Finding(path="transmit", quantity="mid_db", value=4.0, unit="dB",
    ...     uncertainty=0.5, low=-2.0, high=2.0, verdict="outside"))
    2.0
    """
    if finding.value is None:
        return None
    if finding.low is not None and finding.high is not None:
        half = (finding.high - finding.low) / 2.0
        return (finding.value - finding.low) / half - 1.0 if half > 0.0 else None
    limit = finding.high if finding.high is not None else finding.low
    if limit is None or finding.reference is None or limit == finding.reference:
        return None
    share = (finding.value - finding.reference) / (limit - finding.reference)
    share = max(share, -GOOD_SIDE)
    return share if finding.high is not None else -share


def draw_findings(comparison: Comparison, *, language: str = "en") -> Figure:
    """
    One row a finding: where it lies between its limits, and the verdict in words.

    Parameters
    ----------
    comparison : Comparison
    language : str

    Returns
    -------
    Figure
        180 mm wide, 5 mm a finding.

    Raises
    ------
    InputError
        No findings, or an unknown language.
    """
    words = load_words(language)
    findings = comparison.findings
    if not findings:
        raise InputError("comparison: has no findings to draw; compare the job first")
    height_mm = 21.0 + 5.0 * len(findings)
    figure = make_figure(180, height_mm)
    axes = figure.add_axes((0.38, 10.0 / height_mm, 0.36, 5.0 * len(findings) / height_mm))
    _dress(axes, len(findings), words)
    for row, finding in enumerate(findings):
        _draw_finding(axes, row, finding, words)
    verdict = words.say("chart", "findings_change")
    if is_held_against_limits(comparison):
        verdict = say_conclusion(comparison, words)
    against = f"{comparison.against.kind} {comparison.against.name}".strip()
    stage = say_stage(comparison.stage, words)
    title = words.say("chart", "findings_title", stage=stage, against=against, verdict=verdict)
    top = 1.0 - 3.0 / height_mm
    write_text(figure, 0.017, top, clean_text(title, 90), va="top", fontsize=10.5, weight="bold")
    return figure


def _dress(axes: Axes, n_rows: int, words: Words) -> None:
    axes.set_xlim(-EDGE - 0.2, EDGE + 0.2)
    axes.set_ylim(n_rows - 0.5, -0.5)
    axes.axvspan(-1.0, 1.0, facecolor=BAND_FACE, edgecolor="none", zorder=0)
    for limit in (-1.0, 1.0):
        axes.axvline(limit, color=FAINT_INK, linewidth=0.8, zorder=1)
    axes.set_yticks([])
    axes.set_xticks([])
    for spine in axes.spines.values():
        spine.set_visible(False)
    for row in range(n_rows):
        axes.axhline(row, color=GRID, linewidth=0.5, zorder=0.5)
    look = {"va": "top", "ha": "center", "fontsize": 7.5, "color": FAINT_INK}
    for place, key in ((-1.0, "lower_limit"), (1.0, "upper_limit")):
        write_text(axes, place, n_rows - 0.4, words.say("chart", key), **look)


def _draw_finding(axes: Axes, row: int, finding: Finding, words: Words) -> None:
    verdict = finding.verdict
    colour = STAGE_STYLES["before" if verdict in TELLING else "after"].colour
    place = place_finding(finding)
    if place is not None:
        shown = min(max(place, -EDGE), EDGE)
        marker = MARKERS.get(verdict, "x")
        if shown != place:
            marker = ">" if place > 0.0 else "<"
        hollow = verdict == "doubtful"
        face = "white" if hollow else colour
        axes.plot([shown], [row], marker=marker, color=colour, markerfacecolor=face, markersize=5)
    name = f"{words.say('path_term', finding.path)}: {words.say('quantity', finding.quantity)}"
    value = ""
    if finding.value is not None:
        value = say_value(finding.value, finding.unit, words, quantity=finding.quantity)
    text = ", ".join(part for part in (value, words.say("verdict", verdict)) if part)
    look = {"transform": axes.get_yaxis_transform(), "va": "center", "fontsize": 7.5}
    weight = "bold" if verdict in TELLING else "normal"
    write_text(axes, -0.02, row, clean_text(name, 52), ha="right", **look)
    write_text(axes, 1.02, row, clean_text(text, 44), ha="left", weight=weight, **look)
