"""The order of verdicts, once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from voicecheck.records.terms import Verdict

SEVERITY: tuple[Verdict, ...] = ("outside", "doubtful", "not comparable", "within")
"""From what matters most to what matters least; what could not be compared is not passed over."""
TELLING: tuple[Verdict, ...] = ("outside", "doubtful")
"""Verdicts that somebody must be told of."""
HELD_AGAINST = ("baseline", "mask", "stand-in")
"""Kinds of reference whose verdicts say how good a set is; against others they say what changed."""
CHANGES: Mapping[str, str] = {
    "outside": "changed", "doubtful": "perhaps changed", "within": "unchanged",
}  # fmt: skip
"""What a verdict says between two stages, where `outside` is no fault."""


def rank_verdict(verdict: str) -> int:
    """
    Place of a verdict in that order, 0 the gravest; a word that is none comes last.

    Examples
    --------
    >>> sorted(["within", "outside", "doubtful"], key=rank_verdict)
    ['outside', 'doubtful', 'within']
    """
    return SEVERITY.index(verdict) if verdict in SEVERITY else len(SEVERITY)


def find_gravest(verdicts: Iterable[Verdict]) -> Verdict:
    """
    The verdict of a whole: the gravest of its parts.

    Examples
    --------
    >>> find_gravest(["within", "doubtful", "not comparable"]), find_gravest([])
    ('doubtful', 'not comparable')
    """
    return min(verdicts, key=rank_verdict, default="not comparable")
