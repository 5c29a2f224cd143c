"""A baseline as clubs pass it on: one small document for all paths of a type."""

from __future__ import annotations

from dataclasses import dataclass

from voicecheck.records.jobs import Baseline, SetType


@dataclass(frozen=True, slots=True, kw_only=True)
class ClubRecording:
    """A recording of a reference set that travels with the document; sets count from 1."""

    path: str
    set_number: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ClubBaseline:
    """
    The baselines of one type from one bench, with who made them, on what, and how.

    `bench` and `calibration` are as their maker told them, `simulated` says that no telephone was
    measured. `fingerprint` is that of everything else in the document, to be read out to whoever
    sent it.
    """

    type_name: str
    transmitter: str
    feed_ma: float
    region: str = ""
    made_by: str = ""
    bench: str = ""
    simulated: bool = False
    calibration: str = ""
    made_utc: str = ""
    version: str = ""
    baselines: tuple[Baseline, ...]
    recordings: tuple[ClubRecording, ...] = ()
    fingerprint: str = ""

    @property
    def set_type(self) -> SetType:
        """The type as a book files it."""
        return SetType(
            name=self.type_name, transmitter=self.transmitter, feed_ma=self.feed_ma,
            region=self.region,
        )  # fmt: skip

    @property
    def maker(self) -> str:
        """Who and where, in words; what is not told is said."""
        bench = f"bench {self.bench}" if self.bench else "a bench without a name"
        made = " (simulated)" if self.simulated else ""
        return f"{self.made_by or 'a maker without a name'}, {bench}{made}"
