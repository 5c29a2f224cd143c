"""
Which figures a problem touches, and what becomes of them: the one place that decides it.

A figure rests on what it was read from and on an assumption about the chain. Where a problem says
that the assumption does not hold, the figure is withheld, or its interval is widened until it
holds the truth; what does not rest on it keeps its number.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from voicecheck.records import Problem

FIGURES = frozenset({"curve", "distortion", "steps", "four-tone", "sinad", "noise"})
SINGLE = FIGURES - {"curve"}


@dataclass(frozen=True, slots=True)
class Touch:
    """Figures that a problem withholds, and those whose interval is widened for it."""

    withheld: frozenset[str] = frozenset()
    widened: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        """Refuse names of figures that there are none of, and both at once."""
        if not self.withheld | self.widened <= FIGURES or self.withheld & self.widened:
            message = f"no such touch: {sorted(self.withheld)}, {sorted(self.widened)}"
            raise ValueError(message)


def _touch(*withheld: str, widened: Iterable[str] = ()) -> Touch:
    return Touch(frozenset(withheld), frozenset(widened))


NOTHING = _touch()
TOUCHED: Mapping[str, Touch] = MappingProxyType(
    {
        # The gain is not the set's, in any block; what was lost of the curve the steps tell.
        "level-control": _touch(*SINGLE, widened=("curve",)),
        "overload": _touch(*SINGLE, widened=("curve",)),
        # A coder's error is another one in every block, and no noise.
        "lossy-coding": _touch(*SINGLE, widened=("curve",)),
        # The echo of one block lies over the next ones; of the curve it reaches little.
        "echo": _touch(*SINGLE, widened=("curve",)),
        # It was taken out: what may be left of it is known.
        "reflection": _touch(widened=FIGURES),
        # The tone lies over every block that comes later.
        "howl": _touch("noise", "sinad"),
        "muted": _touch("noise"),
        "unsteady": _touch(widened=("curve",)),
        # Told, and taken out or kept out: what is left is the set's.
        "burst": NOTHING,
        "drift": NOTHING,
        "lost-samples": NOTHING,
        "repeated-samples": NOTHING,
        "mains": NOTHING,
        "noise": NOTHING,
        "short-silence": NOTHING,
        "too-quiet": NOTHING,
        # Rows of the recorder's steps are in every budget.
        "too-few-steps": NOTHING,
        # What the recorder or its file missed is looked for where it lies, block by block.
        "truncated": NOTHING,
        "unsized": NOTHING,
        "long": NOTHING,
        "no-signal": NOTHING,
        # About what was recorded; the figures are those of what was heard.
        "several-takes": NOTHING,
        "other-channel": NOTHING,
        "other-programme": NOTHING,
        "not-identified": NOTHING,
        "no-handset": NOTHING,
        # Withheld by block alone.
        "clipping": NOTHING,
        "dropout": NOTHING,
        "sound-in-pause": NOTHING,
    }
)
"""By the kind of a problem, wherever it lies."""

IN_BLOCK: Mapping[tuple[str, str], Touch] = MappingProxyType(
    {
        ("sound-in-pause", "silence"): _touch("noise"),
        ("sound-in-pause", "steps"): _touch("steps", "sinad"),
        ("sound-in-pause", "four-tone"): _touch("four-tone"),
        ("unsteady", "steps"): _touch("steps", "sinad"),
        ("dropout", "steps"): _touch("steps", "sinad"),
        ("dropout", "four-tone"): _touch("four-tone"),
        ("clipping", "sweep"): _touch("distortion"),
        ("clipping", "steps"): _touch("steps", "sinad"),
        ("clipping", "four-tone"): _touch("four-tone"),
    }
)
"""What it touches beside that where it lies in a block of some kind."""

CLEANED_UP = _touch(*SINGLE, widened=("curve",))
"""A gate or a suppressor: all silences at once, and whatever is as weak as they are."""


def find_touch(problem: Problem) -> Touch:
    """
    What one problem touches.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    Touch
        Nothing where the kind says nothing of the chain.

    Examples
    --------
    >>> sorted(find_touch(Problem(kind="sound-in-pause", block="silence 2")).withheld)
    ['noise']
    """
    block = problem.block or ""
    if problem.kind == "muted" and block == "silence":
        return CLEANED_UP
    own = TOUCHED.get(problem.kind, NOTHING)
    here = IN_BLOCK.get((problem.kind, block.split(" ")[0]), NOTHING)
    withheld = own.withheld | here.withheld
    return Touch(withheld, (own.widened | here.widened) - withheld)


def list_withheld(problems: Iterable[Problem]) -> frozenset[str]:
    """
    Figures that some problems withhold.

    Parameters
    ----------
    problems : iterable of Problem

    Returns
    -------
    frozenset of str
        Some of `FIGURES`.

    Examples
    --------
    >>> sorted(list_withheld([Problem(kind="howl"), Problem(kind="mains")]))
    ['noise', 'sinad']
    """
    return frozenset().union(*(find_touch(problem).withheld for problem in problems))
