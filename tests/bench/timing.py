"""What all tables of speed share: a figure beside its floor, timed so that the machine cancels."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass

Job = Callable[[], object]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratio:
    """
    What something takes over its floor, the least that any program would need for it.

    Parameters
    ----------
    name : str
        The same from version to version: the stored table is found by it.
    value, floor : float
        Both in `unit`.
    against : str
        What the floor is.
    unit : str
    """

    name: str
    value: float
    floor: float
    against: str
    unit: str = "ms"

    @property
    def ratio(self) -> float:
        return self.value / self.floor


def clock_ms(job: Job, *, by_clock: bool = False) -> float:
    """Milliseconds of this process's processor, or of the clock."""
    read = time.perf_counter if by_clock else time.process_time
    begun = read()
    job()
    return 1000.0 * (read() - begun)


def hold(name: str, job: Job, floor: Job, against: str, *, rounds: int) -> Ratio:
    """
    Time both in turn, after a first time that does not count; medians.

    In turn, so that a machine whose speed drifts does not spoil the ratio; the processor's time,
    so that what else runs there spoils it little.
    """
    job()
    floor()
    pairs = [(clock_ms(job), clock_ms(floor)) for _ in range(rounds)]
    job_ms, floor_ms = (statistics.median(one) for one in zip(*pairs, strict=True))
    return Ratio(name=name, value=job_ms, floor=floor_ms, against=against)
