"""Set types, jobs, runs, baselines and what a comparison found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from voicecheck.records.arrays import Array, freeze_arrays, is_same
from voicecheck.records.budgets import Budget
from voicecheck.records.covariation import Covariation, Doubt
from voicecheck.records.jobwords import JobWords
from voicecheck.records.measurement import Measurement
from voicecheck.records.sets import Work
from voicecheck.records.shown import Shown
from voicecheck.records.signals import Conditions
from voicecheck.records.terms import (
    Family,
    JobStage,
    LimitKind,
    Scale,
    Transmitter,
    Verdict,
    words_of,
)

TRANSMITTERS = words_of(Transmitter)


@dataclass(frozen=True, slots=True, kw_only=True)
class NormalValue:
    """A value that a set of a type should show, as the user noted it; `None` is "no limit"."""

    quantity: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetType:
    """A kind of telephone, named by the user, with its wiring notes and normal values."""

    name: str
    transmitter: str = "carbon"
    feed_ma: float = 40.0
    region: str = ""
    notes: str = ""
    wiring: str = ""
    normal_values: tuple[NormalValue, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Attachment:
    """
    A file kept with a job, stored by content hash.

    The document of a check may have been moved to another `stage` or put `aside` (the reason);
    both are "" otherwise.
    """

    sha256: str
    name: str
    added_utc: str
    stage: str = ""
    aside: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One line of a job's time line; the order of the book counts, not the clock's."""

    at_utc: str
    kind: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchRecord:
    """A JSON document about a bench: its set-up, a calibration, a check."""

    kind: str
    name: str
    document: str
    saved_utc: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Job(JobWords):
    """
    One stay of a set on the bench for one owner, with what is written about it.

    `set` is `None` for a job from before sets were kept; `forgotten_utc` says when its owner was
    forgotten.
    """

    job: int
    label: str
    type_name: str
    opened_utc: str
    closed_utc: str | None = None
    stage: JobStage = "before"
    notes: tuple[str, ...] = ()
    attachments: tuple[Attachment, ...] = ()
    set: int | None = None
    work: tuple[Work, ...] = ()
    forgotten_utc: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Run(Shown):
    """
    Repeated recordings of one path at one stage: a pooled measurement with its spread.

    `seat_sd_db`, shape (n_points,), is the standard deviation between seats of the response
    (NaN with one seat); `level_sd_db` that of the level over 200-4000 Hz.
    """

    job: int | None = None
    path: str = "transmit"
    stage: str = "before"
    recordings: tuple[Measurement, ...] = ()
    pooled: Measurement
    seat_sd_db: Array
    level_sd_db: float | None = None
    taken_utc: str | None = None

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        freeze_arrays(self)

    @property
    def is_simulated(self) -> bool:
        """Whether no real telephone was measured."""
        return self.pooled.is_simulated

    def same_as(self, other: Run) -> bool:
        """Whether both hold the same values, NaN equal to NaN."""
        return is_same(self, other)


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineQuantity:
    """
    Mean and spread of one scalar over the reference sets, with its prediction limits.

    A limit that is not one (noise has no lower limit, say) is `None`. With scale "log" the mean
    is the geometric mean and `sd` is in dB (20 log10 of the ratio). `seat_sd` is the standard
    deviation between seats inside one run, in the unit of `sd`; `n_seats` the recordings per run.
    `dof` are the degrees of freedom behind the limits, `family` the group that shares an error
    rate, "" where the quantity has no limits.
    """

    quantity: str
    unit: str
    n: int
    mean: float
    sd: float
    low: float | None
    high: float | None
    scale: Scale = "linear"
    seat_sd: float | None = None
    n_seats: float = 1.0
    dof: float | None = None
    family: Family | Literal[""] = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Baseline:
    """
    Statistics over the reference runs of one set type and path.

    The curve arrays have shape (n_points,). `shape_*` belong to the curve with its own level
    over 200-4000 Hz taken out. `method` says how the limits were made; they hold for one path
    compared alone, with `dof` degrees of freedom behind them. `seat_sd_db` and
    `shape_seat_sd_db`, shape (n_points,), are the standard deviations between seats inside one
    run, `n_seats` the recordings per run; `level_share` is the part of the sets' variance that is
    common to all points. `doubted` are sets that do not belong with the others, `without` the
    jobs that were left out on purpose; `covariation` says how the sets vary together.
    """

    type_name: str
    path: str
    n: int
    unit: str
    frequency_hz: Array
    mean_db: Array
    sd_db: Array
    low_db: Array
    high_db: Array
    shape_mean_db: Array
    shape_sd_db: Array
    shape_low_db: Array
    shape_high_db: Array
    quantities: tuple[BaselineQuantity, ...]
    method: str
    conditions: Conditions
    warnings: tuple[str, ...] = ()
    built_utc: str | None = None
    version: str = ""
    dof: float | None = None
    seat_sd_db: Array | None = None
    shape_seat_sd_db: Array | None = None
    n_seats: float = 1.0
    level_share: float = 0.7
    simulated: bool = False
    doubted: tuple[Doubt, ...] = ()
    without: tuple[int, ...] = ()
    covariation: Covariation | None = None

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        freeze_arrays(self)

    def same_as(self, other: Baseline) -> bool:
        """Whether both hold the same values, NaN equal to NaN."""
        return is_same(self, other)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mask:
    """
    Limits on a curve; arrays of shape (n_points,), NaN where there is no limit.

    A floating mask may be shifted as a whole before it is applied. `path` is the path it is made
    for ("" for any), `note` what to know before leaning on it.
    """

    name: str
    frequency_hz: Array
    lower_db: Array
    upper_db: Array
    floating: bool = True
    source: str = ""
    path: str = ""
    label: str = ""
    note: str = ""

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        freeze_arrays(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """
    Quantity, value, uncertainty, what it is held against, and the verdict.

    `reference` is the type's mean, or the value of the earlier stage, in the same unit. Of a
    difference `detectable` is the smallest change that would be called real in nine of ten cases
    (`None`: none would), and `budget` the parts of its uncertainty. `limit` tells whose limits low
    and high are: "service" what a set is set to, "line" what works on a line, "beside" what is told
    without a verdict; "" where there is one kind only.
    """

    path: str
    quantity: str
    value: float | None
    unit: str
    uncertainty: float | None
    low: float | None
    high: float | None
    verdict: Verdict
    worst_hz: float | None = None
    reason: str = ""
    source: str = ""
    reference: float | None = None
    detectable: float | None = None
    budget: Budget = ()
    limit: LimitKind = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hint:
    """
    A likely cause, its probability, and the test that separates it from the next one.

    `probability` is 0 to 1 (`None` in older books) and `confidence` its word; the code "other"
    stands for whatever is not named. `check` says what to look at, `next_test` names the separating
    test for the program, `seen` lists the evidence it rests on. `unexplained` is what the first
    cause leaves open, as "receive.faint"; a cause `beside` it explains that, and its probability
    is of a list of its own.
    """

    code: str
    cause: str
    confidence: str
    separate_by: str
    provenance: str = ""
    symptom: str = ""
    check: str = ""
    next_test: str = ""
    seen: str = ""
    sources: str = ""
    probability: float | None = None
    unexplained: tuple[str, ...] = ()
    beside: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Against:
    """What a comparison was made against."""

    kind: str
    name: str
    n: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison(Shown):
    """
    Findings of one stage of one job against a reference, and the hints they give.

    `notes` say what the verdict rests on and what would make it surer; `beside` are comparisons
    with other references, shown with it and without a part in its verdict.
    """

    job: int | None
    stage: str
    against: Against
    findings: tuple[Finding, ...]
    overall: Verdict
    hints: tuple[Hint, ...] = ()
    notes: tuple[str, ...] = ()
    beside: tuple[Comparison, ...] = ()
    simulated: bool = False
