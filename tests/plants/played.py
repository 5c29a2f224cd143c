"""What was played: samples and the published description of their blocks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Part:
    """One block; `from_hz` and `to_hz` are None where nothing is played."""

    kind: str
    start_s: float
    end_s: float
    peak: float
    from_hz: float | None
    to_hz: float | None


@dataclass(frozen=True)
class Played:
    """A programme as its file and its JSON document show it."""

    samples: np.ndarray
    rate_hz: int
    parts: tuple[Part, ...]

    @classmethod
    def from_document(cls, samples: Any, document: Any) -> Any:
        names = ("kind", "start_s", "end_s", "peak", "from_hz", "to_hz")
        parts = tuple(Part(**{name: block.get(name) for name in names})
                      for block in document["blocks"])  # fmt: skip
        return cls(np.asarray(samples, float), int(document["rate_hz"]), parts)

    def of(self, kind: Any) -> Any:
        return tuple(part for part in self.parts if part.kind == kind)

    @property
    def amplitude(self) -> Any:
        """Amplitude of the sweep."""
        return self.of("sweep")[0].peak

    def sweep_instants_s(self, frequency_hz: Any) -> Any:
        """When each sweep passes a frequency, shape (sweeps, n): its pace is even in log f."""
        f = np.asarray(frequency_hz, float)
        return np.array([
            p.start_s + (p.end_s - p.start_s) * np.log(f / p.from_hz) / np.log(p.to_hz / p.from_hz)
            for p in self.of("sweep")
        ])  # fmt: skip

    def stretch(self, part: Any, extra_s: Any = 0.0) -> Any:
        """Slice of samples that a block takes, and `extra_s` after it."""
        first = round(part.start_s * self.rate_hz)
        return slice(first, round((part.end_s + extra_s) * self.rate_hz))

    def block_at(self, time_s: Any) -> Any:
        """Kind of the block that holds an instant, `gap` between them."""
        for part in self.parts:
            if part.start_s <= time_s < part.end_s:
                return part.kind
        return "gap"
