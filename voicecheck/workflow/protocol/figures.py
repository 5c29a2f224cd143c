"""The figures of a part from what was recorded, the first time and every time after."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from voicecheck.bench.wavfile import load_recording
from voicecheck.errors import RecordingError
from voicecheck.jobbook import JobBook
from voicecheck.measure import measure_recording
from voicecheck.measure.jumps import measure_jumps
from voicecheck.records import (
    Against,
    Bands,
    Calibration,
    DialCheck,
    Measurement,
    ProtocolPart,
    Recording,
    Run,
)
from voicecheck.records.verdicts import CHANGES
from voicecheck.units import ratio_from_db
from voicecheck.verdicts import compare_runs, pool_run
from voicecheck.verdicts.protocol.steps import load_steps
from voicecheck.workflow.analysis import remake_programme
from voicecheck.workflow.checks.kinds import get_kind

SHARED_ROWS = ("calibration", "microphone", "bench")
"""What two takes of one evening have in common."""
BAND_KEYS = {"level": "at_1khz", "low": "low", "mid": "mid", "high": "high"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """Figures by name, and the half-widths of their 95 % intervals."""

    value: dict[str, float | None] = field(default_factory=dict)
    uncertainty: dict[str, float] = field(default_factory=dict)

    def put(self, name: str, value: float | None, uncertainty: float | None = None) -> None:
        """Add a figure; what is no finite number is withheld."""
        is_known = value is not None and math.isfinite(value)
        self.value[name] = float(value) if is_known and value is not None else None
        if is_known and uncertainty is not None and math.isfinite(uncertainty):
            self.uncertainty[name] = float(uncertainty)


Measure = Callable[[str], Measurement | None]
"""A recording of the book, by its SHA-256, measured; `None` where it cannot be used."""


def read_again(book: JobBook, part: ProtocolPart, measure: Measure) -> Figures:
    """
    Figures of a part from its recordings, by this version.

    Parameters
    ----------
    book : JobBook
        Which holds the recordings.
    part : ProtocolPart
    measure : callable
        As `measure_take` for that book.

    Returns
    -------
    Figures
        A recording that cannot be used gives none.

    Raises
    ------
    JobBookError
        A recording is missing or damaged.
    """
    sound = load_steps()[part.step].sound
    if sound == "programme":
        takes = [measure(sha256) for sha256 in part.sounds]
        return read_takes(part.step, [one for one in takes if one is not None], part.calibration)
    figures = Figures()
    for sha256 in part.sounds:
        recording = load_kept(book, sha256)
        try:
            found = read_kept(part.step, recording, part.calibration)
        except RecordingError:
            continue
        figures.value.update(found.value)
        figures.uncertainty.update(found.uncertainty)
    return figures


def measure_take(book: JobBook, sha256: str) -> Measurement | None:
    """A recording of the book measured by this version; `None` where it cannot be used."""
    recording = book.load_recording(sha256)
    try:
        return measure_recording(remake_programme(book.load_recipe(sha256)), recording)
    except RecordingError:
        return None


def load_kept(book: JobBook, sha256: str) -> Recording:
    """A recording without programme, which lies among the job's files."""
    return load_recording(book.locate_attachment(sha256))


def read_kept(step: str, recording: Recording, calibration: Calibration | None) -> Figures:
    """
    Figures of a recording without programme.

    Raises
    ------
    RecordingError
        It cannot be used.
    """
    figures = Figures()
    if step == "dial":
        kind = get_kind("dial")
        if kind.measure is None:
            message = "the dial is measured"
            raise NotImplementedError(message)
        return read_dial(kind.measure(recording, kind.options()))
    jumps = measure_jumps(recording.samples, recording.rate_hz)
    per_unit = calibration.input_per_unit if calibration else None
    figures.put("n_steps", float(len(jumps.size)))
    figures.put("decay_ms", 1e3 * jumps.decay_s)
    if per_unit is not None:
        figures.put("step_v", per_unit * jumps.mean_size, per_unit * jumps.uncertainty)
    return figures


def read_dial(check: DialCheck) -> Figures:
    """Speed and break of a dial, each with the widest interval of its digits."""
    figures = Figures()
    digits = check.digits
    speeds = [one.speed_uncertainty_pps for one in digits if one.speed_uncertainty_pps]
    breaks = [one.break_uncertainty_percent for one in digits if one.break_uncertainty_percent]
    figures.put("speed_pps", check.pulses_per_s, max(speeds, default=None))
    figures.put("break_percent", check.break_percent, max(breaks, default=None))
    return figures


def read_takes(step: str, takes: Sequence[Measurement], calibration: Calibration | None) -> Figures:
    """Figures of takes of a programme, numbered from 1."""
    figures = Figures()
    for number, take in enumerate(takes, 1):
        for name, key in BAND_KEYS.items():
            value = getattr(take.bands, f"{key}_db")
            figures.put(f"{name}_{number}_db", value, find_own_uncertainty(take.bands, key))
        figures.put(f"noise_{number}_dbfs", take.noise.flat_dbfs, take.noise.flat_uncertainty_db)
        if take.timing is not None:
            ppm, off_ppm = take.timing.drift_ppm, take.timing.drift_uncertainty_ppm
            figures.put(f"drift_{number}_ppm", ppm, off_ppm)
    if step == "diodes" and takes:
        _read_bent(takes[-1], calibration, figures)
    return figures


def find_own_uncertainty(bands: Bands, key: str) -> float | None:
    """
    Half-width of what one take alone is uncertain by: what all takes share is left out.

    Of an older measurement, which has no rows, the whole interval.
    """
    rows = bands.budget.get(f"{key}_db", ())
    if not rows:
        whole: float | None = getattr(bands, f"{key}_uncertainty_db")
        return whole
    own = [row.half_width for row in rows if row.name not in SHARED_ROWS]
    return float(np.sqrt(np.sum(np.square(own))))


def _read_bent(take: Measurement, calibration: Calibration | None, figures: Figures) -> None:
    """THD at the loudest of the level steps, and what gain is lost there against the softest."""
    steps = take.linearity
    level_dbfs = take.conditions.level_dbfs
    if steps is None or level_dbfs is None:
        return
    soft, loud = int(np.argmin(steps.input_db)), int(np.argmax(steps.input_db))
    gain_db = steps.output_db - steps.input_db
    off_db = steps.output_uncertainty_db
    thd_off = steps.thd_uncertainty_percent
    both_db = None if off_db is None else math.hypot(float(off_db[soft]), float(off_db[loud]))
    figures.put("loss_db", float(gain_db[soft] - gain_db[loud]), both_db)
    figures.put(
        "thd_percent",
        float(steps.thd_percent[loud]),
        None if thd_off is None else float(thd_off[loud]),
    )
    if calibration is None or calibration.output_unit != "V":
        return
    for name, place in (("soft_v", soft), ("loud_v", loud)):
        drive = ratio_from_db(level_dbfs + float(steps.input_db[place]))
        volts = drive * calibration.output_per_unit
        share = ratio_from_db(calibration.uncertainty_db) - 1.0
        figures.put(name, volts, share * volts)


def answer_round(part: str, takes: Sequence[Measurement], seats: Sequence[Measurement]) -> str:
    """
    What the program says of a round: "changed", "perhaps changed" or "unchanged".

    Parameters
    ----------
    part : str
    takes : sequence of Measurement
        Of the round.
    seats : sequence of Measurement
        The same handset as it is, on the same evening.
    """
    runs = [_pool(part, takes), _pool("seats", seats)]
    path = runs[0].path
    comparison = compare_runs(
        {path: runs[0]},
        {path: runs[1]},
        job=None,
        stage=part,
        against=Against(kind="stage", name="seats"),
    )
    return CHANGES.get(comparison.overall, comparison.overall)


def _pool(stage: str, takes: Sequence[Measurement]) -> Run:
    """Both sides are of one evening, whatever the calendar says: no time is stated."""
    return pool_run(takes, job=None, path=takes[0].conditions.path, stage=stage)
