# mypy: disable-error-code="operator,type-arg,var-annotated"
"""What a spoiler is, and what it says that it did."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

SEVERITIES = ("light", "medium", "heavy")
SPOILERS = {}
"""Every kind by name, filled by `spoiler` as the modules load."""


def grade(level: float, *sizes: float) -> float:
    """Size of a spoiling: light is 0, medium 1, heavy 2, and between them a straight line."""
    return float(np.interp(level, range(len(sizes)), sizes))


@dataclass(frozen=True)
class Done:
    """
    The truth of one spoiling.

    `at_s` are instants in the recording that is handed back, `block` the kind of block that was
    touched (`all` for the whole take), `affects` what is no longer the set's own.
    """

    kind: str
    severity: str | float
    at_s: tuple[float, ...]
    block: str
    rate_hz: int
    affects: tuple[str, ...]
    size: dict = field(default_factory=dict)


@dataclass(frozen=True)
class Spoiler:
    """`stage`: `drive` works on what is played, `plant` in the set's place, else on the take."""

    kind: str
    stage: str
    affects: tuple[str, ...]
    why: str
    work: object

    def __call__(self, samples: Any, played: Any, severity: Any, rng: Any) -> Any:
        level = SEVERITIES.index(severity) if severity in SEVERITIES else float(severity)
        made, told = self.work(samples, played, level, rng)
        at_s = tuple(float(t) for t in told.pop("at_s", ()))
        block = told.pop("block", "all")
        rate_hz = told.pop("rate_hz", played.rate_hz)
        return made, Done(self.kind, severity, at_s, block, rate_hz, self.affects, told)


def spoiler(kind: Any, why: Any, *, stage: Any = "recording", affects: Any = ("response",)) -> Any:
    """Register a function (samples, played, level from 0 to 2, rng) -> (samples, what was done)."""

    def keep(work: Any) -> Any:
        SPOILERS[kind] = Spoiler(kind, stage, affects, why, work)
        return work

    return keep
