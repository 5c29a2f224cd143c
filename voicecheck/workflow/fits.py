"""Lines of the program and of the book, and a job's set held against one of them."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import TYPE_CHECKING, TypeVar

import msgspec

from voicecheck.checkout.bell import RINGING_CAUTION
from voicecheck.checkout.fit.judging import find_gravest
from voicecheck.checkout.fit.profiles import check_profile, load_profiles
from voicecheck.checkout.fit.pulses import hold_dial
from voicecheck.checkout.fit.ringing import hold_bell
from voicecheck.checkout.fit.voice import Spoken, hold_voice
from voicecheck.checkout.kinds import LINE_CAUTION
from voicecheck.errors import InputError, JobBookError
from voicecheck.jobbook import JobBook
from voicecheck.records import BellCheck, DialCheck, Finding, LineCheck, PartsCheck, Run
from voicecheck.records.documents import from_json, to_json
from voicecheck.records.lines import Fit, LineProfile
from voicecheck.records.terms import JobStage
from voicecheck.workflow.checks.checklist import Holdings, read_holdings
from voicecheck.workflow.papers.lookup import choose_current
from voicecheck.workflow.strip import HELD

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

CAUTIONS = (LINE_CAUTION, RINGING_CAUTION)
KIND = "line-profile"
"""Kind of the document of a line that the user has added."""
LEVEL = "mid_db"
MOST_NAME = 80
Found = TypeVar("Found")


def list_lines(book: JobBook | None = None) -> tuple[LineProfile, ...]:
    """
    Every line: those added to a book first, then those that come with the program.

    Raises
    ------
    JobBookError
        A document of the book cannot be read.
    """
    added = {}
    for record in book.list_bench_records(kind=KIND) if book is not None else ():
        try:
            added[record.name] = from_json(record.document, LineProfile)
        except msgspec.MsgspecError as error:
            raise JobBookError(
                f"line {record.name!r}: what the book holds of it cannot be read ({error}); "
                "`voicecheck book verify` shows the damage"
            ) from error
    return (*added.values(), *load_profiles().values())


def find_line(book: JobBook | None, name: str) -> LineProfile:
    """
    A line by its name, upper or lower case, or by a beginning that only one has.

    Raises
    ------
    InputError
        There is none of that name, or several begin so.
    """
    typed, lines = name.strip().casefold(), list_lines(book)
    for line in lines:
        if line.name.casefold() == typed:
            return line
    begins = [line for line in lines if typed and line.name.casefold().startswith(typed)]
    if len(begins) == 1:
        return begins[0]
    known = ", ".join(repr(line.name) for line in begins[:5])
    raise InputError(
        f"line {name[:MOST_NAME]!r}: {f'several begin so: {known}' if begins else 'not known'}; "
        "`voicecheck line list` shows all; nothing was kept"
    )


def add_line(book: JobBook, profile: LineProfile) -> LineProfile:
    """
    Keep a line of the user's in the book; one of the same name is replaced by it.

    Raises
    ------
    InputError
        It has no name or a name of the program's own, or it cannot be.
    """
    name = profile.name.strip()
    if not name or len(name) > MOST_NAME:
        raise InputError(f"line: need a name of 1 to {MOST_NAME} letters; nothing was kept")
    if any(name.casefold() == one.casefold() for one in load_profiles()):
        raise InputError(
            f"line {name!r} comes with the program; take another name; nothing was kept"
        )
    kept = check_profile(dataclasses.replace(profile, name=name))
    book.save_bench_record(KIND, name, to_json(kept).decode("utf-8"))
    return kept


def fit_line(book: JobBook, job_number: int, name: str) -> Fit:
    """
    Hold the set of a job against a line, by what was measured at the job's stage, else as found.

    Parameters
    ----------
    book : JobBook
    job_number : int
    name : str
        Of the line.

    Returns
    -------
    Fit

    Raises
    ------
    InputError
        No such job or line.
    JobBookError
        A document is damaged.
    """
    profile = find_line(book, name)
    holdings = read_holdings(book, [book.load_job(job_number)])[job_number]
    held = _Held(book, holdings)
    typed = held.find_line_check(profile.name)
    if typed is not None and typed.accepts_pulses is not None:
        profile = _believe(profile, takes_pulses=typed.accepts_pulses)
    circuit = held.find_check("parts", PartsCheck, part="bell")
    findings = (
        *hold_dial(held.find_check("dial", DialCheck), profile),
        *hold_bell(
            held.find_check("bell", BellCheck),
            circuit,
            profile,
            load_on_line=typed.ringer_equivalence if typed else None,
        ),
        *hold_voice(held.hear(typed.loop_ma if typed else None), profile),
    )
    return Fit(
        line=profile.name,
        stage=holdings.job.stage,
        findings=findings,
        overall=find_gravest(findings),
        job=job_number,
        is_simulated=held.is_simulated,
    )


def _believe(profile: LineProfile, *, takes_pulses: bool) -> LineProfile:
    """What was tried on the line itself counts for more than its kind."""
    sources = {**profile.sources, "takes_pulses": "tried on the line"}
    return dataclasses.replace(profile, takes_pulses=takes_pulses, sources=sources)


class _Held:
    """What a job holds for a fit; remembers whether anything that was used is simulated."""

    def __init__(self, book: JobBook, holdings: Holdings) -> None:
        self._book, self._holdings = book, holdings
        stage = holdings.job.stage
        self._stages: tuple[JobStage, ...] = (stage, "before") if stage == "after" else (stage,)
        self.is_simulated = False

    def find_check(self, kind: str, record: type[Found], part: str = "") -> Found | None:
        """The newest check of a kind that counts."""
        for stage in self._stages:
            for one in reversed(self._holdings.checks):
                if one.kind != kind or one.stage != stage or not isinstance(one.check, record):
                    continue
                if not part or getattr(one.check, "part", "") == part:
                    self.is_simulated |= one.is_simulated
                    return one.check
        return None

    def find_line_check(self, name: str) -> LineCheck | None:
        """Readings of that very line: those whose note is its name."""
        for one in reversed(self._holdings.checks):
            if isinstance(one.check, LineCheck) and one.check.note.strip() == name:
                return one.check
        return None

    def hear(self, line_ma: float | None) -> Spoken:
        """How the set talks, and how it lets its user hear himself."""
        set_type = self._book.load_type(self._holdings.job.type_name)
        talk, own = self._find_run("transmit"), self._find_run("sidetone")
        conditions = talk.pooled.conditions if talk is not None else None
        bench_ma = (conditions.loop_ma or conditions.feed_ma) if conditions else None
        return Spoken(
            transmitter=set_type.transmitter,
            bench_ma=bench_ma or set_type.feed_ma,
            line_ma=line_ma,
            level=self._find_level("transmit"),
            own_voice=self._find_level("sidetone"),
            is_swept=talk is not None,
            is_sidetone_swept=own is not None,
            curve=_read_curve(own),
        )

    def _find_run(self, path: str) -> Run | None:
        traces = [one for one in self._holdings.traces.runs if not one.aside and one.path == path]
        current = choose_current(traces, lambda run: run.n_seats)
        for stage in self._stages:
            trace = current.get((path, stage))
            if trace is not None:
                self.is_simulated |= trace.is_simulated
                runs = self._book.list_runs(
                    job=self._holdings.job.job, stage=stage, path=path, recordings=False
                )
                # Both are in one order.
                return runs[[one for one in traces if one.stage == stage].index(trace)]
        return None

    def _find_level(self, path: str) -> Finding | None:
        """The path's level against good sets, from the newest comparison that holds."""
        for stage in self._stages:
            held: Sequence[Finding] = [
                finding
                for one in sorted(self._holdings.traces.compared, key=lambda one: one.made_utc)
                if one.comparison.stage == stage
                and one.comparison.against.kind in HELD
                and not one.is_overtaken
                for finding in one.comparison.findings
                if finding.path == path and finding.quantity == LEVEL
            ]
            if held and held[-1].value is not None and held[-1].verdict != "not comparable":
                return held[-1]
        return None


def _read_curve(run: Run | None) -> tuple[ArrayLike, ArrayLike] | None:
    if run is None or run.pooled.response is None:
        return None
    return run.pooled.response.frequency_hz, run.pooled.response.level_db


def tell_line(profile: LineProfile) -> str:
    """
    A line in a few words: pulses, current, ringing.

    Examples
    --------
    >>> tell_line(load_profiles()["adapter, no dial pulses"])
    'no dial pulses; 20 to 25 mA; 45 V 25 Hz'
    """
    told = []
    if profile.takes_pulses is False:
        told.append("no dial pulses")
    else:
        windows = (
            ("break", profile.break_low_ms, profile.break_high_ms),
            ("make", profile.make_low_ms, profile.make_high_ms),
        )
        stated = [
            f"{name} {low:g} to {high:g} ms"
            for name, low, high in windows
            if low is not None and high is not None
        ]
        told += [", ".join(stated)] if stated else []
    if profile.feed_low_ma is not None and profile.feed_high_ma is not None:
        told.append(f"{profile.feed_low_ma:g} to {profile.feed_high_ma:g} mA")
    if profile.ringing_v is not None and profile.ringing_hz is not None:
        told.append(f"{profile.ringing_v:g} V {profile.ringing_hz:g} Hz")
    return "; ".join(told)
