"""The hardware side: devices, how a bench is set up, how it was calibrated and checked."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, field
from typing import Annotated

from msgspec import Meta

from voicecheck.records.arrays import Array, freeze_arrays, is_same
from voicecheck.records.signals import Problem, SourceDistortion
from voicecheck.records.terms import Ear, RateHz

FIRST_RECEIVE_DBM = -30.0
"""Nominal level that the first sweep to a receiver is driven with; more only on request."""
Channel = Annotated[int, Meta(ge=1, le=256, extra={"remedy": "; channels count from 1"})]
FeedMa = Annotated[
    float, Meta(ge=1.0, le=200.0, extra={"unit": "mA", "remedy": "; was it amperes?"})
]
AngleDeg = Annotated[float, Meta(ge=-360.0, le=360.0, extra={"unit": "degrees"})]
CapDbfs = Annotated[
    float,
    Meta(le=-0.1, extra={"unit": "dBFS", "remedy": "; caps stay below full scale"}),
]
"""What is outside of these ranges was mistyped (PROP)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """
    A sound device as the system lists it; `index` is good until the next re-plugging only.

    Parameters
    ----------
    name, host_api : str
        Together they name the device across re-plugging.
    n_inputs, n_outputs : int
        Channels.
    default_rate_hz : float
    index : int
    """

    name: str
    host_api: str
    n_inputs: int
    n_outputs: int
    default_rate_hz: float
    index: int = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class MicrophoneCurve:
    """
    How much more a microphone reads than at 1 kHz.

    Parameters
    ----------
    label : str
        What the file was called.
    frequency_hz, level_db : tuple of float
        Rising; dB that the microphone reads too much.
    tolerance_db : tuple of float
        Half-width of a 95 % interval; empty where none was stated.
    """

    label: str
    frequency_hz: tuple[float, ...]
    level_db: tuple[float, ...]
    tolerance_db: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchSetup:
    """
    Which wire goes where, and how far each output may be driven.

    Parameters
    ----------
    name : str
        What the user calls the bench.
    device, host_api : str
        Output device, and input device unless `input_device` names another; by name, since an
        index changes with every re-plugging.
    mouth_channel, line_drive_channel : int
        Outputs, counted from 1. The same number for both: one output, re-plugged between paths.
    line_tap_channel, ear_channel : int
        Inputs, likewise.
    feed_ma : float, optional
    feed_reading : str
        How the feed current is read, in the user's words.
    ear : str
        "coupler" or "coil"; a coil gives relative levels only.
    mouth_mm : float, optional
        From the mouth to the mouthpiece.
    mouth_cap_dbfs, line_drive_cap_dbfs : float
        Highest peak that may go out, dB re full scale.
    meter_percent : float
        Accuracy of the volt meter used to calibrate, at the frequencies it is specified for.
    microphone_curve : MicrophoneCurve, optional
        Of the ear's microphone, which the mouth is calibrated with too.
    """

    name: str
    device: str
    host_api: str = ""
    input_device: str | None = None
    rate_hz: RateHz = 48000
    mouth_channel: Channel = 1
    line_drive_channel: Channel = 2
    line_tap_channel: Channel = 1
    ear_channel: Channel = 2
    feed_ma: FeedMa | None = None
    feed_reading: str = ""
    load_ohm: Annotated[float, Meta(ge=10.0, le=1e5, extra={"unit": "ohm"})] = 600.0
    ear: Ear = "coupler"
    mouth_mm: (
        Annotated[
            float, Meta(ge=0.1, le=1000.0, extra={"unit": "mm", "remedy": "; was it metres?"})
        ]
        | None
    ) = None
    angle_deg: AngleDeg | None = None
    mouth_cap_dbfs: CapDbfs = -3.0
    line_drive_cap_dbfs: CapDbfs = -3.0
    meter_percent: Annotated[float, Meta(ge=0.01, le=20.0, extra={"unit": "percent"})] = 1.5
    notes: str = ""
    microphone_curve: MicrophoneCurve | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StepResult:
    """
    Outcome of one step of a calibration.

    Parameters
    ----------
    bench, step : str
        The step by its name.
    done_utc : str
        ISO 8601.
    value : float, optional
        What the step was made for, in `unit`.
    uncertainty_db : float
        Half-width of a 95 % interval.
    valid_days : float
        After that many days it no longer counts.
    method : str
        How it was got, in words for the report.
    is_fallback : bool
        Got by a lesser way than the step asks for.
    frequency_hz, level_db : ndarray, shape (n_points,), optional
        A curve, where the step gives one.
    figures : dict
        Further numbers, each with its unit in its name.
    source : SourceDistortion, optional
        Harmonics of what was played, where the step measures them.
    budget_db : dict
        Half-width of a 95 % interval of the value by each part alone, where they were told apart.
    ends : ndarray, shape (9, n_points), optional
        Real part, imaginary part and standard deviation of what stood across a part's place re
        what stood before the resistor: open, short, and with a known resistor.
    """

    bench: str
    step: str
    done_utc: str
    value: float | None = None
    unit: str = ""
    uncertainty_db: float = 0.0
    valid_days: float = 365.0
    method: str = ""
    is_fallback: bool = False
    temperature_c: float | None = None
    frequency_hz: Array | None = None
    level_db: Array | None = None
    figures: dict[str, float] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()
    source: SourceDistortion | None = None
    budget_db: dict[str, float] = field(default_factory=dict)
    ends: Array | None = None

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        freeze_arrays(self)

    def same_as(self, other: StepResult) -> bool:
        """Whether both hold the same values, NaN equal to NaN."""
        return is_same(self, other)

    def get_days_left(self, now_utc: str) -> float:
        """Days until it expires; below 0 when it has."""
        age = datetime.datetime.fromisoformat(now_utc) - datetime.datetime.fromisoformat(
            self.done_utc
        )
        return self.valid_days - age.total_seconds() / 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckItem:
    """
    One line of a daily check.

    `verdict` is "pass", "moved" or "not done"; `limit` is the most that `value` may differ from
    `stored`, or the most that it may be where nothing is stored.
    """

    quantity: str
    value: float | None
    stored: float | None
    limit: float
    unit: str
    verdict: str
    message: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchCheck:
    """The daily check of a bench: what was looked at and what moved."""

    bench: str
    time_utc: str
    items: tuple[CheckItem, ...]

    @property
    def is_passed(self) -> bool:
        """Whether something was checked and nothing moved."""
        verdicts = [item.verdict for item in self.items]
        return "pass" in verdicts and "moved" not in verdicts
