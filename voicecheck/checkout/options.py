"""Options of checks: what all have in common, and what several have."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from msgspec import Meta

from voicecheck.records.bounds import check_bounds


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckOptions:
    """What a check may be told beside its source; refused before anything is recorded."""

    def __post_init__(self) -> None:
        """Refuse what is out of bounds."""
        check_bounds(self)


ToneHz = Annotated[
    float,
    Meta(
        ge=200,
        le=4000,
        description="Tone that runs through the set.",
        extra={"label": "Tone through the set, Hz", "unit": "Hz"},
    ),
]
"""The band of the measurements: a tone beyond it tells nothing of a telephone."""
Region = Annotated[
    str,
    Meta(
        max_length=200,
        description="Region of the limits. Default: the set type's.",
        extra={"label": "Limits of"},
    ),
]
