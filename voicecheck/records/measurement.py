"""The one result type and its parts. The parts are the keys of the JSON document."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from typing import Any

from voicecheck.records.arrays import Array, freeze_arrays, is_same
from voicecheck.records.budgets import Budget, Budgets, CurveBudget, CurveBudgets
from voicecheck.records.shown import Shown, Tabled
from voicecheck.records.signals import SIMULATED, Conditions, Problem


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingInfo:
    """
    Which recording the numbers are from.

    `fingerprint` tells it by its noise, also where the file is another one.
    """

    sha256: str | None = None
    rate_hz: int | None = None
    duration_s: float | None = None
    channel: int | None = None
    file: str | None = None
    fingerprint: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """
    Arrival of the opening mark and difference of the two clocks.

    `drift_ppm` is positive where the recorder's clock runs fast against the player's.
    """

    latency_s: float
    drift_ppm: float
    drift_uncertainty_ppm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Response:
    """
    Linear response at 1/12-octave points.

    All arrays have shape (n_points,): level in `unit`, `uncertainty_db` the half-width of a
    95 % interval for this recording, `phase_rad` with the latency taken out.

    Where the parts of the uncertainty are known they stand beside it, each the half-width of a
    95 % interval of shape (n_points,): `noise_uncertainty_db` (recording noise and window),
    `seat_uncertainty_db` (re-seating or re-conditioning), `calibration_uncertainty_db`. `budget`
    has all of them, with their degrees of freedom; it is empty in older documents.
    """

    unit: str
    frequency_hz: Array
    level_db: Array
    uncertainty_db: Array
    snr_db: Array
    phase_rad: Array
    group_delay_s: Array
    noise_uncertainty_db: Array | None = None
    seat_uncertainty_db: Array | None = None
    calibration_uncertainty_db: Array | None = None
    budget: CurveBudget = ()

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        freeze_arrays(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FineResponse:
    """Linear response on a finer grid, for drawing; shape (n_fine,)."""

    frequency_hz: Array
    level_db: Array
    phase_rad: Array

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        freeze_arrays(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bands(Tabled):
    """
    Power means of the response over bands, and its value at 1 kHz, in the response's unit.

    Each `*_uncertainty_db` is the half-width of a 95 % interval, made of the rows that `budget` has
    under the figure's key.
    """

    low_db: float | None = None
    mid_db: float | None = None
    high_db: float | None = None
    at_1khz_db: float | None = None
    low_uncertainty_db: float | None = None
    mid_uncertainty_db: float | None = None
    high_uncertainty_db: float | None = None
    at_1khz_uncertainty_db: float | None = None
    budget: Budgets = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Loudness:
    """
    Loudness ratings; `None` where the calibration does not allow them.

    `uncertainty_db` is the half-width of a 95 % interval, the weights taken as exact.
    """

    slr_db: float | None = None
    rlr_db: float | None = None
    stmr_db: float | None = None
    uncertainty_db: float | None = None
    budget: Budgets = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Distortion(Tabled):
    """
    Harmonics against the fundamental's frequency.

    `harmonic_db` has shape (n_orders, n_points), dB re the output fundamental; where the
    harmonic is under the noise it is NaN and `harmonic_below_db` (same shape) holds the level
    that it is less than. `thd_percent` has shape (n_points,), NaN with `thd_below_percent` alike.
    `budget` is that of THD.
    """

    frequency_hz: Array
    thd_percent: Array
    thd_uncertainty_percent: Array
    harmonic_order: tuple[int, ...]
    harmonic_db: Array
    thd_below_percent: Array
    harmonic_below_db: Array
    budget: CurveBudget = ()

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        freeze_arrays(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Residual:
    """
    All that is not the linear part of the answer, re the fundamental.

    Against the sweep's frequency in third-octave bands, shape (n_bands,): `percent` is NaN where
    noise or the bench hide it, and `below_percent` holds what it is less than. `crest_db` is the
    peak over the root mean square within 20 ms, NaN where noise has a part in it: no harmonics of
    orders 2 to 5 exceed 9.03 dB. `voice_percent` is that over all bands, `voice_db` the same in
    dB. Each `*uncertainty_percent`
    is the half-width of a 95 % interval; `band_budget` has the rows of the bands.
    """

    frequency_hz: Array
    percent: Array
    below_percent: Array
    uncertainty_percent: Array
    crest_db: Array
    voice_percent: float | None = None
    voice_below_percent: float | None = None
    voice_db: float | None = None
    voice_uncertainty_percent: float | None = None
    budget: Budgets = field(default_factory=dict)
    band_budget: CurveBudget = ()

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        freeze_arrays(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Linearity:
    """
    Output and THD against input at one frequency; arrays of shape (n_steps,).

    `input_db` is the drive re the programme's nominal level, `output_db` the fundamental at the
    output in dBFS. `compression_db` is the loss of gain of the top step against the nominal
    one, `threshold_db` the loss of gain at -20 dB; `thd_slope_db_per_db` how THD grows with the
    level (1 for a square law, 2 for a cubic one). Each `*_uncertainty_*` is the half-width of a
    95 % interval; `budget` has the rows of the two losses of gain, `step_budget` those of the
    steps.
    """

    frequency_hz: float
    input_db: Array
    output_db: Array
    thd_percent: Array
    thd_below_percent: Array
    compression_db: float | None = None
    threshold_db: float | None = None
    thd_slope_db_per_db: float | None = None
    output_uncertainty_db: Array | None = None
    thd_uncertainty_percent: Array | None = None
    compression_uncertainty_db: float | None = None
    threshold_uncertainty_db: float | None = None
    budget: Budgets = field(default_factory=dict)
    step_budget: CurveBudgets = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        freeze_arrays(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Intermodulation:
    """Four-tone products in dB re the tones' total power; "below" where noise hides them."""

    order2_db: float | None = None
    order3_db: float | None = None
    order2_below_db: float | None = None
    order3_below_db: float | None = None
    order2_uncertainty_db: float | None = None
    order3_uncertainty_db: float | None = None
    budget: Budgets = field(default_factory=dict)

    def replace(self, **changes: Any) -> Intermodulation:
        """Copy with some fields changed."""
        return dataclasses.replace(self, **changes)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Noise(Tabled):
    """
    Idle noise of the silence block; levels are RMS re a full-scale sine.

    Calibrated at the line: power in the load in dBm, `psophometric_dbmp` weighted after ITU-T O.41
    (`psophometric_dbm` is the same figure under its older key), `c_message_dbrnc` re 1 pW.
    """

    flat_dbfs: float | None = None
    psophometric_dbfs: float | None = None
    c_message_dbfs: float | None = None
    mains_hz: float | None = None
    mains_dbfs: float | None = None
    mains_line_dbfs: Array | None = None
    bursts_per_s: float | None = None
    kurtosis: float | None = None
    slope_db_per_decade: float | None = None
    psophometric_dbm: float | None = None
    psophometric_dbmp: float | None = None
    c_message_dbrnc: float | None = None
    flat_dbm: float | None = None
    flat_dbspl: float | None = None
    band_hz: Array | None = None
    band_dbfs: Array | None = None
    flat_uncertainty_db: float | None = None
    psophometric_uncertainty_db: float | None = None
    c_message_uncertainty_db: float | None = None
    budget: Budgets = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        freeze_arrays(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Steadiness:
    """
    What the level and the sound did within the take.

    `drift_db` is the level of the last sweep less that of the first, with the half-width of its
    95 % interval; `losses_per_min` counts the moments without sound, a minute of sweeps.
    """

    drift_db: float | None = None
    drift_uncertainty_db: float | None = None
    losses_per_min: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measurement(Shown):
    """
    The numbers from one recording, or pooled from several.

    Compare two with `same_as`; `==` is identity, since arrays have no single truth value.
    """

    recording: RecordingInfo
    timing: Timing | None = None
    response: Response | None = None
    fine: FineResponse | None = None
    bands: Bands = field(default_factory=Bands)
    loudness: Loudness = field(default_factory=Loudness)
    distortion: Distortion | None = None
    residual: Residual | None = None
    linearity: Linearity | None = None
    ladders: tuple[Linearity, ...] = ()
    intermodulation: Intermodulation = field(default_factory=Intermodulation)
    noise: Noise = field(default_factory=Noise)
    sinad_db: float | None = None
    sinad_uncertainty_db: float | None = None
    sinad_budget: Budget = ()
    steadiness: Steadiness = field(default_factory=Steadiness)
    problems: tuple[Problem, ...] = ()
    conditions: Conditions = field(default_factory=Conditions)
    steps: tuple[str, ...] = ()
    version: str = ""

    @property
    def is_simulated(self) -> bool:
        """Whether no real telephone was measured."""
        return self.conditions.bench == SIMULATED

    def same_as(self, other: Measurement) -> bool:
        """Whether both hold the same values, NaN equal to NaN."""
        return is_same(self, other)

    def replace(self, **changes: object) -> Measurement:
        """Copy with some fields changed."""
        return dataclasses.replace(self, **changes)  # type: ignore[arg-type]
