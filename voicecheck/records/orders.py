"""
A sweep as it is asked for, whoever asks: command line, page or a script.

An order that exists can be carried out: what does not fit is refused as it is made, with the same
sentence everywhere.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from msgspec import Meta

from voicecheck.errors import InputError
from voicecheck.records.benches import FIRST_RECEIVE_DBM, AngleDeg, Channel, FeedMa
from voicecheck.records.bounds import check_bounds
from voicecheck.records.terms import BenchEnd, Ear, PathName, RateHz, SweepPath, check_stage

DEFAULT_SEATS = 3
Seats = Annotated[int, Meta(ge=1, le=50, title="seats")]
Seed = Annotated[int, Meta(ge=0)]
TakeNumber = Annotated[int, Meta(ge=1, title="take")]
ReceiveDbm = Annotated[float, Meta(ge=-60.0, le=0.0, title="level", extra={"unit": "dBm"})]


@dataclass(frozen=True, slots=True, kw_only=True)
class FileSource:
    """
    Recordings that exist already, one for each seat.

    Parameters
    ----------
    files : tuple of path
    channel : int or None
        Of the files, from 1; the one that holds the programme if not given.
    take : int or None
        Of several takes in a file, from 1; the strongest if not given.
    """

    files: tuple[Path, ...]
    channel: Channel | None = None
    take: TakeNumber | None = None

    def __post_init__(self) -> None:
        """Refuse what does not fit."""
        check_bounds(self)
        if not self.files:
            raise InputError("recordings: choose at least one")


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedSource:
    """
    A handset of the simulated bench.

    Parameters
    ----------
    handset : str
        Kind and faults, as "carbon+packed".
    seed : int
        Which individual of it.
    specimen : int
        Another number is another element fitted to the same telephone.
    """

    handset: str
    seed: Seed = 1
    specimen: Seed = 1

    def __post_init__(self) -> None:
        """Refuse what does not fit."""
        check_bounds(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceSource:
    """
    A real bench.

    Parameters
    ----------
    name : str
        Of a bench that was set up in the book, else of a sound device.
    out_channel, channel : int
        Played and recorded channel of a bare sound device, from 1.
    """

    name: str
    out_channel: Channel = 1
    channel: Channel = 1

    def __post_init__(self) -> None:
        """Refuse what does not fit."""
        check_bounds(self)
        if not self.name.strip():
            raise InputError("device: name the sound device; `voicecheck devices` lists them")


Source = FileSource | SimulatedSource | DeviceSource


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """
    Conditions that the user states; `None` leaves them as the bench says.

    Parameters
    ----------
    conditioned : bool or None
        Before each recording (ITU-T P.75).
    feed_ma, angle_deg : float or None
    ear : str or None
    """

    conditioned: bool | None = None
    feed_ma: FeedMa | None = None
    ear: Ear | None = None
    angle_deg: AngleDeg | None = None

    def __post_init__(self) -> None:
        """Refuse what does not fit."""
        check_bounds(self)

    def list_given(self) -> dict[str, Any]:
        """What was stated, by the names that `Conditions` has for it."""
        every = {one.name: getattr(self, one.name) for one in dataclasses.fields(self)}
        return {name: value for name, value in every.items() if value is not None}


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepOrder:
    """
    Everything that one sweep needs to be told.

    Parameters
    ----------
    job : int
    stage : str
        "before", "after", "reference", or a label such as the element fitted.
    path : str
    source : FileSource, SimulatedSource or DeviceSource
    n_seats : int or None
        How often the handset is seated anew; 3 when left out, with files their number.
    signal : path or None
        Programme file; needed with files, the default programme otherwise.
    level_dbm : float or None
        Nominal level to a receiver, and the most that is allowed.
    is_on_coupler : bool
        Somebody says that the receiver is on its coupler and at nobody's ear.
    stated : Stated

    Raises
    ------
    InputError
        A part of it is missing or does not fit.
    """

    job: int
    stage: str
    path: SweepPath
    source: Source
    n_seats: Seats | None = None
    signal: Path | None = None
    level_dbm: ReceiveDbm | None = None
    is_on_coupler: bool = False
    stated: Stated = field(default_factory=Stated)

    def __post_init__(self) -> None:
        """Refuse what does not fit, or cannot go together."""
        check_bounds(self)
        check_stage(self.stage)
        self._check_level()
        if self.path == "all" and isinstance(self.source, FileSource):
            raise InputError("path all: recordings are of one path; name it")
        if not isinstance(self.source, FileSource):
            return
        if self.signal is None:
            raise InputError(
                "signal: recordings need the programme file that they are of (--signal OUT.wav)"
            )
        n_files = len(self.source.files)
        if self.n_seats not in {None, n_files}:
            raise InputError(f"seats: {n_files} recordings given for {self.n_seats} seats")

    @property
    def first_path(self) -> PathName:
        """The path whose numbers are told; that of "both" and "all" is transmit."""
        return "transmit" if self.path == "both" or self.path == "all" else self.path  # noqa: PLR1714

    @property
    def is_real(self) -> bool:
        """Whether somebody sits at a real bench."""
        return isinstance(self.source, DeviceSource)

    @property
    def seats(self) -> int:
        """How many seats there will be."""
        if isinstance(self.source, FileSource):
            return len(self.source.files)
        return DEFAULT_SEATS if self.n_seats is None else self.n_seats

    def replace(self, **changes: Any) -> SweepOrder:
        """Copy with some fields changed."""
        return dataclasses.replace(self, **changes)

    def _check_level(self) -> None:
        if self.level_dbm is None:
            return
        if self.path not in ("receive", "all"):
            raise InputError(f"level: is for path receive, got path {self.path}")
        if is_loud(self.level_dbm) and not self.is_on_coupler:
            raise InputError(
                f"level: {self.level_dbm:g} dBm is louder than the {FIRST_RECEIVE_DBM:g} dBm that "
                "sweeps begin with and can reach 104 to 110 dB SPL and more; without somebody who "
                "says that the receiver is on its coupler and at nobody's ear it is not played "
                "(the tick on the page, needs --yes where nobody can be asked)"
            )


def is_loud(level_dbm: float | None) -> bool:
    """Whether a level to a receiver is more than sweeps begin with."""
    return level_dbm is not None and level_dbm > FIRST_RECEIVE_DBM


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchOrder:
    """
    An input to be watched.

    Parameters
    ----------
    bench : str or None
        That was set up; its channels and calibration are used.
    device : str or None
        Else a sound device; the system's default if neither is given.
    end : str
        Of a bench.
    channel, rate_hz : int
        Of a device.
    talk_dbfs : float or None
        Where the talk mark lights, if not where the calibration says.
    region : str
        Whose dial tone; all if empty.

    Raises
    ------
    InputError
        Both are named, or a part does not fit.
    """

    bench: str | None = None
    device: str | None = None
    end: BenchEnd = "line-tap"
    channel: Channel = 1
    rate_hz: RateHz = 48000
    talk_dbfs: Annotated[float, Meta(ge=-100.0, le=0.0, extra={"unit": "dBFS"})] | None = None
    region: str = ""

    def __post_init__(self) -> None:
        """Refuse what does not fit."""
        check_bounds(self)
        if self.bench is not None and self.device is not None:
            raise InputError("watch: name a bench or a device, not both")
