"""What is played and what came back."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field

from voicecheck.records.arrays import Array, freeze_arrays
from voicecheck.records.terms import PathName, words_of

PATHS = words_of(PathName)
SIMULATED = "simulated"
"""Name of the bench that measures no real telephone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """
    Something found in a recording, never folded into the numbers.

    Parameters
    ----------
    kind : str
        "clipping", "dropout", "drift", "noise", "no-signal", "wrong-programme", "burst",
        "mains", "howl", "lost-samples", ...
    at_s : float or None
        Where in the recording, seconds from its first sample.
    message : str
        One line: what was seen.
    effect : str
        What it did to the numbers.
    block : str or None
        Which part of the programme it is in, counted from 1, as "sweep 2" (`name_block`); `None`
        where it is in the whole recording or outside the programme.
    """

    kind: str
    at_s: float | None = None
    message: str = ""
    effect: str = ""
    block: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """
    Everything that is needed to make a programme again.

    Levels are in dBFS re a full-scale sine; step levels in dB re `level_dbfs`. What a field is when
    it is left out is what it was in the first programmes, so that a recipe written then is read as
    it was meant: the silences after the sweeps and before the closing mark, and the identity before
    each mark, which the programmes on offer have (`voicecheck.programme.RECIPES`), came later.
    """

    rate_hz: int = 48000
    level_dbfs: float = -12.0
    cap_dbfs: float = -3.0
    lead_in_s: float = 0.5
    mark_s: float = 0.2
    mark_from_hz: float = 600.0
    mark_to_hz: float = 3000.0
    gap_s: float = 0.1
    silence_s: float = 1.0
    n_sweeps: int = 3
    sweep_s: float = 3.0
    sweep_from_hz: float = 100.0
    sweep_to_hz: float = 8000.0
    sweep_gap_s: float = 0.35
    step_frequencies_hz: tuple[float, ...] = (1000.0,)
    step_levels_db: tuple[float, ...] = (-30.0, -24.0, -18.0, -12.0, -6.0, 0.0, 6.0)
    step_s: float = 0.25
    tones_hz: tuple[float, ...] = (857.0, 863.0, 1372.0, 1388.0)
    tones_s: float = 1.0
    tail_s: float = 0.5
    silence_middle_s: float = 0.0
    silence_end_s: float = 0.0
    identity_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """
    One stretch of a programme.

    `start_s` and `end_s` are seconds from the programme's first sample, `peak` the amplitude
    in full-scale units. `from_hz` and `to_hz` are the lowest and highest frequency played
    (`None` where nothing is).
    """

    kind: str
    start_s: float
    end_s: float
    peak: float = 0.0
    from_hz: float | None = None
    to_hz: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Programme:
    """
    The test signal as played, with its recipe.

    Parameters
    ----------
    recipe : Recipe
    blocks : tuple of Block
    samples : ndarray, shape (n_samples,)
        Full-scale units, never above the recipe's cap.
    """

    recipe: Recipe
    blocks: tuple[Block, ...]
    samples: Array

    def __post_init__(self) -> None:
        """Freeze the samples."""
        freeze_arrays(self)

    @property
    def rate_hz(self) -> int:
        """Samples per second."""
        return self.recipe.rate_hz

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.recipe.rate_hz

    def blocks_of(self, kind: str) -> tuple[Block, ...]:
        """Blocks of one kind, in playing order."""
        return tuple(block for block in self.blocks if block.kind == kind)

    def name_block(self, block: Block) -> str:
        """
        Kind and number of one of the blocks, as problems name it: "sweep 2", "four-tone".

        A kind that the programme has once has no number.
        """
        alike = self.blocks_of(block.kind)
        return block.kind if len(alike) == 1 else f"{block.kind} {alike.index(block) + 1}"


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationCurve:
    """
    What a calibration knows along the band, beside its figure at 1 kHz.

    Parameters
    ----------
    frequency_hz : tuple of float
        Rising.
    correction_db : tuple of float
        Added to the level; 0 at 1 kHz.
    input_db : tuple of float
        Of that what the input's microphone needs: a harmonic is read at its own frequency.
    input_off_db : tuple of float
        Half-width of a 95 % interval by the curve of the input's microphone, re 1 kHz.
    microphone_db : tuple of float
        The same of the level, in which a microphone at both ends cancels.
    bench_db : tuple of float
        The same by what else of the bench is not flat: the mouth with its equaliser in, the
        handset in the microphone's place, the interface.
    """

    frequency_hz: tuple[float, ...]
    correction_db: tuple[float, ...]
    input_db: tuple[float, ...]
    input_off_db: tuple[float, ...]
    microphone_db: tuple[float, ...]
    bench_db: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceHarmonic:
    """
    One harmonic that the source puts out itself, as if it had been played.

    Parameters
    ----------
    order : int
    frequency_hz : tuple of float
        Of the fundamental, rising.
    real, imag : tuple of float
        The harmonic over the linear transfer function at its own frequency: what would have to be
        played there, re what was played at the fundamental. Free of delay and of the microphone's
        curve.
    spread : tuple of float
        Standard deviation of the complex value.
    size_hz, size : tuple of float
        The harmonic re the fundamental as it was read, also where the harmonic lies above the band
        of the linear response.
    """

    order: int
    frequency_hz: tuple[float, ...]
    real: tuple[float, ...]
    imag: tuple[float, ...]
    spread: tuple[float, ...]
    size_hz: tuple[float, ...] = ()
    size: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceDistortion:
    """
    The harmonics of a source at one drive level, dBFS of the programme.

    `is_phased` says whether they were taken as they are played to a set (the mouth made flat): only
    then their phases hold, and they can be taken off; else their size holds, about. `products_db`
    are its four-tone products of second and third order re the tones, or what they are less than.
    """

    level_dbfs: float
    harmonics: tuple[SourceHarmonic, ...]
    is_phased: bool = True
    products_db: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """
    What one full-scale unit means at either end of a path.

    Parameters
    ----------
    output_per_unit : float
        Pascal at the mouth, or volts at the line, for a played amplitude of 1.0.
    output_unit : str
        "Pa" or "V".
    input_per_unit : float
        Volts at the line tap, or pascal at the ear, for a recorded amplitude of 1.0.
    input_unit : str
        "V" or "Pa".
    uncertainty_db : float
        Half-width of a 95 % interval for the level, dB.
    name : str
        Where it comes from, with its date.
    curve : CalibrationCurve or None
        Along the band; `None` in older books: flat, and nothing more is known.
    source : SourceDistortion or None
        What the source adds to a set's harmonics.
    notes : tuple of str
        What rests on memory or on a proposal, for whoever reads a verdict.
    day_sd_db, day_dof : float or None
        Standard deviation of the bench's level from day to day and its degrees of freedom.
    """

    output_per_unit: float
    output_unit: str
    input_per_unit: float
    input_unit: str
    uncertainty_db: float = 0.0
    name: str = ""
    curve: CalibrationCurve | None = None
    source: SourceDistortion | None = None
    notes: tuple[str, ...] = ()
    day_sd_db: float | None = None
    day_dof: float | None = None

    @property
    def unit(self) -> str:
        """Unit of a sensitivity under this calibration, as "dB V/Pa"."""
        return f"dB {self.input_unit}/{self.output_unit}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """
    How a recording was taken. `None` is "not stated".

    `level_dbfs` is the drive level of the programme re a full-scale sine; `calibration` names
    the calibration that the levels rest on, with its date, and `calibration_notes` say what of it
    rests on memory or on a proposal; `microphone` names the microphone's curve that was taken
    off, empty where none was; `day_sd_db` is what the bench's level does from day to day.
    `feed_ma` is what the feed was set to, `loop_ma` what the meter in the loop read,
    `transmitter_ohm` the transmitter's resistance under that current.
    """

    path: str = "transmit"
    bench: str = ""
    handset: str | None = None
    feed_ma: float | None = None
    load_ohm: float | None = None
    ear: str | None = None
    mouth_mm: float | None = None
    angle_deg: float | None = None
    conditioned: bool | None = None
    seat: int | None = None
    seed: int | None = None
    time_utc: str | None = None
    notes: tuple[str, ...] = ()
    level_dbfs: float | None = None
    calibration: str | None = None
    calibration_notes: tuple[str, ...] = ()
    microphone: str = ""
    day_sd_db: float | None = None
    day_dof: float | None = None
    loop_ma: float | None = None
    transmitter_ohm: float | None = None

    def replace(self, **changes: object) -> Conditions:
        """Copy with some fields changed."""
        return dataclasses.replace(self, **changes)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recording:
    """
    The samples that came back, with the conditions they were taken under.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
        One channel, full-scale units.
    rate_hz : int
    channel : int
        Counted from 1.
    sha256 : str
        Of the file; empty until there is one.
    conditions : Conditions
    calibration : Calibration or None
    problems : tuple of Problem
        What the bench itself noticed while recording.
    second : ndarray, shape (n_samples,), optional
        The other channel of a take of two at once.
    """

    samples: Array
    rate_hz: int
    channel: int = 1
    sha256: str = ""
    conditions: Conditions = field(default_factory=Conditions)
    calibration: Calibration | None = None
    problems: tuple[Problem, ...] = ()
    second: Array | None = None

    def __post_init__(self) -> None:
        """Freeze the samples."""
        freeze_arrays(self)

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.rate_hz

    def replace(self, **changes: object) -> Recording:
        """Copy with some fields changed."""
        return dataclasses.replace(self, **changes)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """
    Programme time to recorder time: `recorder_s = latency_s + programme_s (1 + drift)`.

    `stretch` is 1 + drift: more than 1 where the recorder's clock runs fast. From `jump_at_s` of
    the programme on, everything comes `jump_s` earlier: so much was lost there.
    """

    latency_s: float
    stretch: float = 1.0
    stretch_uncertainty: float = 0.0
    jump_at_s: float = 0.0
    jump_s: float = 0.0

    @property
    def drift_ppm(self) -> float:
        """Clock difference in parts per million."""
        return (self.stretch - 1.0) * 1e6

    def locate_s(self, programme_s: float) -> float:
        """Recorder time of an instant of the programme."""
        jump_s = self.jump_s if programme_s >= self.jump_at_s else 0.0
        return self.latency_s + programme_s * self.stretch - jump_s
