"""Documents of the rest of a checkout: dial, tones, cord, bell, speech, line, check list."""

from __future__ import annotations

from dataclasses import dataclass

from voicecheck.records.jobs import Finding
from voicecheck.records.signals import Problem


@dataclass(frozen=True, slots=True, kw_only=True)
class DialDigit:
    """
    One dialled digit; `None` is what this recording cannot give.

    `break_ms` has one entry for each pulse, `make_ms` one for each make between two breaks.
    `drift_pps` is the speed of the last period less that of the first, on a straight line.
    `bounce_ms` is the longest time from first to last closure. "?" is no digit of the region.
    Uncertainties are half-widths of 95 % intervals.
    """

    digit: str
    pulses: int
    start_s: float
    pulses_per_s: float | None = None
    break_percent: float | None = None
    break_ms: tuple[float, ...] | None = None
    make_ms: tuple[float, ...] | None = None
    drift_pps: float | None = None
    bounce_ms: float | None = None
    pause_before_s: float | None = None
    speed_uncertainty_pps: float | None = None
    break_uncertainty_percent: float | None = None
    bounce_uncertainty_ms: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DigitSpread:
    """Repeats of one digit: how many, mean and standard deviation of speed and break."""

    digit: str
    n: int
    mean_pps: float
    sd_pps: float
    mean_break_percent: float | None = None
    sd_break_percent: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DialCheck:
    """Dial pulses of one recording, held against the limits of a region."""

    number: str
    pulses_per_s: float | None
    break_percent: float | None
    digits: tuple[DialDigit, ...]
    spread: tuple[DigitSpread, ...] = ()
    findings: tuple[Finding, ...] = ()
    region: str = ""
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneName:
    """What a tone is in a region; `period` is when, empty where that is not stated."""

    name: str
    region: str
    period: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneHeard:
    """
    A keypad digit (kind "dtmf") or a call-progress tone; what its kind has not is `None`.

    `twist_db` is high group less low group. `cadence_s` is on, off, ...; empty for a steady tone.
    `names` are all that fit a tone, of whatever region; its kind is "tone" where none does, or
    where those of the chosen region are not of one kind.
    """

    kind: str
    start_s: float
    end_s: float
    level_dbfs: float
    digit: str | None = None
    low_error_percent: float | None = None
    high_error_percent: float | None = None
    twist_db: float | None = None
    frequencies_hz: tuple[float, ...] | None = None
    cadence_s: tuple[float, ...] | None = None
    region: str | None = None
    names: tuple[ToneName, ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneCheck:
    """Keypad and call-progress tones of one recording."""

    events: tuple[ToneHeard, ...]
    number: str = ""
    findings: tuple[Finding, ...] = ()
    region: str = ""
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FlexEvent:
    """
    A dropout, level step or burst, and the movement it followed.

    `depth_db`: fall of the tone; change of the level (negative down); burst's RMS re the tone's.
    `movement` counts the beats from 1; `None` where it follows none closely.
    """

    kind: str
    at_s: float
    duration_ms: float
    depth_db: float
    movement: int | None = None
    place: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FlexCheck:
    """
    What a steady tone showed while the set was moved.

    `most_per_min` is the rate that is not exceeded at 95 % confidence, for this duration.
    """

    duration_s: float
    events: tuple[FlexEvent, ...]
    events_per_min: float
    most_per_min: float
    tone_dbfs: float
    tied_percent: float | None = None
    verdict: str = ""
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Ring:
    """One burst of strikes, first to last."""

    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BellCheck:
    """
    A bell before a microphone; `decay_s` is the time of a fall by 60 dB, `taps` single blows.

    `pattern_hz` tells how often the blows repeat, `ringing_hz` the ringing current that they
    follow. Of gongs struck in turn `gap_percent` is the part of a ringing period from the lower to
    the higher one (50 is even), `gong_difference_db` the higher one's level re the lower one's.
    """

    strikes_per_s: float | None
    gongs_hz: tuple[float, ...]
    level_dbfs: float | None
    decay_s: float | None
    rings: tuple[Ring, ...]
    cadence_s: tuple[float, ...] = ()
    taps: int = 0
    pattern_hz: float | None = None
    ringing_hz: float | None = None
    gap_percent: float | None = None
    gong_difference_db: float | None = None
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeechCheck:
    """
    Speech as it stands in a recording; levels re a full-scale sine, `peak_dbfs` re full scale.

    `full_transmit_percent` is the share of the active time within 10 dB of the talker's loudest.
    """

    active_level_dbfs: float | None
    activity_percent: float
    peak_dbfs: float
    crest_db: float | None
    noise_dbfs: float | None
    full_transmit_percent: float | None
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LineCheck:
    """Readings of the line, typed in; `None` is not read."""

    on_hook_v: float | None = None
    off_hook_v: float | None = None
    loop_ma: float | None = None
    ringer_equivalence: float | None = None
    dial_tone_dbm: float | None = None
    insulation_mohm: float | None = None
    leakage_ua: float | None = None
    accepts_pulses: bool | None = None
    note: str = ""
    findings: tuple[Finding, ...] = ()
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckStep:
    """
    A step of the check list.

    `state` is "measured", "done", "not tested" (with its reason) or "open". `filled_by` names
    the measurement that fills it in; empty where it is done by hand. `needs` is what has to be
    measured before it ticks itself, `partly` what of that is missing, `verdict` the gravest of what
    was found ("" where nothing judges it).
    """

    step: int
    phase: str
    task: str
    good: str = ""
    filled_by: str = ""
    state: str = "open"
    result: str = ""
    source: str = ""
    provenance: str = ""
    needs: str = ""
    partly: str = ""
    verdict: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class JackConversion:
    """What was fitted in place of the old cord or terminals, removed, and kept with the set."""

    fitted: str = ""
    removed: str = ""
    kept: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckList:
    """The check list of a job; `ready` only when no step is open."""

    job: int | None
    variant: str
    steps: tuple[CheckStep, ...]
    jack: JackConversion | None = None
    final: str = "not ready"

    @property
    def open_steps(self) -> tuple[int, ...]:
        """Numbers of the steps that nothing has been said about."""
        return tuple(step.step for step in self.steps if step.state == "open")
