"""What a report is made from: records and nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from voicecheck.charts import is_held_against_limits
from voicecheck.errors import InputError
from voicecheck.records import Baseline, Comparison, Finding, Job, Run, SetType, Trial
from voicecheck.records.benches import BenchCheck
from voicecheck.records.standing import Mark
from voicecheck.records.terms import check_word

PAPERS = ("A4", "Letter")
LEFT = "left"
"""Kind of what a set is held against when it comes back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """
    A picture of the bench pages, drawn already; of two parts where they are held side by side.

    Parameters
    ----------
    title, told : str
        What it shows, and what is to be seen in it: it stands in for the picture where that cannot
        be seen.
    images : tuple of bytes
    media : str
        "svg" or "png".
    """

    title: str
    told: str
    images: tuple[bytes, ...]
    media: str = "svg"


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckFindings:
    """What one check beside the sweep was held against: its name as a heading, and its findings."""

    name: str
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Voices:
    """
    Speech before and after the work, to be heard on the page.

    Parameters
    ----------
    before, after : bytes
        FLAC.
    is_levelled : bool
        Both were made equally loud, since they come from two benches.
    """

    before: bytes
    after: bytes
    is_levelled: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportContent:
    """
    Everything that one report tells.

    Parameters
    ----------
    job : Job
        Its notes are told as the work that was done, unless `work_done` is given.
    set_type : SetType or None
    runs : tuple of Run
        All paths and stages; at least one where there is no other check.
    baselines : mapping of str to Baseline
        By path; drawn and named as the source of the limits.
    comparisons : tuple of Comparison
        Against the baseline, and after against before; the latest of each stage counts.
    bench_check : BenchCheck or None
        The bench check of that day. `None` is told as "not done".
    now_utc : str
        ISO 8601; printed as the date of the report.
    version : str
    language, paper : str
        A language file's name; "A4" or "Letter".
    work_done : tuple of str or None
    other_checks : mapping of str to str
        Results in words of checks beside the sweep, by the names of `checks.csv` ("dial", "bell",
        "cord", ...); what is not here is told as not tested.
    has_made_checks : bool
        Any of them is of a made scene.
    marks : tuple of Mark
        The strip of the set, as everywhere.
    shop : str
        Who did the work; "" is not told.
    address : tuple of str
        Of the shop, line by line.
    sign : str
        The shop's, as an address of data; "" without one.
    photograph : bytes
        JPEG; empty without one.
    voices : Voices or None
    check_findings : tuple of CheckFindings
        Of checks that have limits; the oldest first.
    pictures : tuple of Picture
        Of checks, and of sound against time.
    trials : tuple of Trial
        The newest of each name and stage.
    tried : tuple of str
        The same in words.

    Raises
    ------
    InputError
        Nothing was measured, or an unknown paper.
    """

    job: Job
    set_type: SetType | None
    runs: tuple[Run, ...]
    baselines: Mapping[str, Baseline] = field(default_factory=dict)
    comparisons: tuple[Comparison, ...] = ()
    bench_check: BenchCheck | None = None
    now_utc: str
    version: str
    language: str = "en"
    paper: str = "A4"
    work_done: tuple[str, ...] | None = None
    other_checks: Mapping[str, str] = field(default_factory=dict)
    has_made_checks: bool = False
    marks: tuple[Mark, ...] = ()
    shop: str = ""
    address: tuple[str, ...] = ()
    sign: str = ""
    photograph: bytes = b""
    voices: Voices | None = None
    check_findings: tuple[CheckFindings, ...] = ()
    pictures: tuple[Picture, ...] = ()
    trials: tuple[Trial, ...] = ()
    tried: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what no report can be made from."""
        if not self.runs and not self.other_checks:
            raise InputError(
                "report: need at least one run or check of the job, got none; sweep first, or "
                "take a check"
            )
        check_word(self.paper, PAPERS, "paper")

    def find_limits_comparison(self, *, is_before: bool) -> Comparison | None:
        """Latest comparison with limits, of the stage `before` or of any later one."""
        found = [c for c in self.comparisons if is_held_against_limits(c)]
        found = [c for c in found if (c.stage == "before") == is_before]
        return found[-1] if found else None

    def find_change_comparison(self) -> Comparison | None:
        """Latest comparison of one stage with another of this job."""
        found = [c for c in self.comparisons if not is_held_against_limits(c)]
        found = [c for c in found if c.against.kind != LEFT]
        return found[-1] if found else None

    def find_left_comparison(self) -> Comparison | None:
        """Latest comparison with the set as it left its last job."""
        found = [c for c in self.comparisons if c.against.kind == LEFT]
        return found[-1] if found else None

    @property
    def is_simulated(self) -> bool:
        """Whether anything in it was measured on no real telephone."""
        return self.has_made_checks or any(run.is_simulated for run in self.runs)

    @property
    def latest(self) -> Comparison | None:
        """The comparison with limits that says how the set is now."""
        return self.find_limits_comparison(is_before=False) or self.find_limits_comparison(
            is_before=True
        )

    @property
    def paths(self) -> tuple[str, ...]:
        """Paths that were measured, in the usual order."""
        order = ("transmit", "receive", "sidetone", "loop")
        return tuple(path for path in order if any(run.path == path for run in self.runs))
