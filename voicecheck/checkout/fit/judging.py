"""The verdict of a line on one value, and what is said beside it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from voicecheck.checkout.limits import MEMORY
from voicecheck.records.lines import FitFinding, FitPart, LineProfile
from voicecheck.records.terms import MarkState

GRAVEST: tuple[MarkState, ...] = ("outside", "doubtful", "not comparable", "not tested", "within")
"""A set whose dial nobody tried does not fit a line yet, however well it speaks."""


def judge_value(
    value: float, uncertainty: float, low: float | None, high: float | None
) -> MarkState:
    """
    Hold a value against what a line takes.

    Sharper than a service limit is: within only where the whole interval is, for a set that is
    sent home on a line has to work there every time.

    Examples
    --------
    >>> [judge_value(value, 1.0, 47.0, 80.0) for value in (60.0, 79.5, 80.5, 82.0)]
    ['within', 'doubtful', 'doubtful', 'outside']
    """
    margins = [value - low] if low is not None else []
    margins += [high - value] if high is not None else []
    if not margins:
        return "not comparable"
    least = min(margins)
    return "outside" if least < -uncertainty else "within" if least >= uncertainty else "doubtful"


UNTESTED: Mapping[FitPart, tuple[str, str, str]] = {
    "dial": ("The dial", "worst_pulse", "ms"),
    "bell": ("The bell", "ringing_v", "V"),
    "level": ("How loudly it talks", "talk_level_db", "dB"),
    "sidetone": ("One's own voice", "sidetone_change_db", "dB"),
}
"""Of a part that may stay untested: as a sentence calls it, its quantity, the unit."""


def leave_untested(part: FitPart, why: str, advice: str) -> FitFinding:
    """
    A part of the set that cannot be held against a line yet.

    Parameters
    ----------
    part : str
        Of `UNTESTED`.
    why : str
        As the end of a sentence.
    advice : str
        A sentence.

    Examples
    --------
    >>> leave_untested("dial", "nobody has dialled yet", "Dial all ten digits.").sentence
    'The dial is not tested on this line: nobody has dialled yet.'
    """
    what, quantity, unit = UNTESTED[part]
    return FitFinding(
        part=part,
        quantity=quantity,
        value=None,
        unit=unit,
        verdict="not tested",
        sentence=f"{what} is not tested on this line: {why}.",
        advice=advice,
    )


def find_gravest(findings: Iterable[FitFinding]) -> MarkState:
    """
    Verdict of the whole.

    Examples
    --------
    >>> find_gravest([])
    'not tested'
    """
    verdicts = [one.verdict for one in findings]
    return min(verdicts, key=GRAVEST.index, default="not tested")


def name_sources(profile: LineProfile, *names: str) -> str:
    """Where values of a profile are from, each source once."""
    told = (profile.sources.get(name, "") for name in names)
    return "; ".join(dict.fromkeys(one for one in told if one))


def say_memory(source: str) -> str:
    """
    What is added to a sentence whose limit nobody has seen in print.

    Examples
    --------
    >>> say_memory("least current (from memory)"), say_memory("1 % of calls: ours (PROP)")
    (' (the limit is from memory)', ' (our own limit)')
    """
    if MEMORY in source:
        return " (the limit is from memory)"
    return " (our own limit)" if "(PROP)" in source else ""
