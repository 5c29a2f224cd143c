"""A check as the page's form asks for it, and its taking."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from voicecheck.errors import InputError
from voicecheck.records import Recording
from voicecheck.records.fields import Field, list_fields, read_yes_or_no
from voicecheck.records.terms import check_word
from voicecheck.web.desk import Handle, Prompt
from voicecheck.web.forms import MOST_NUMBER, SOUNDS, Sent
from voicecheck.workflow.benches.choosing import check_present
from voicecheck.workflow.books import Where, open_book
from voicecheck.workflow.checks.checklist import describe_stored
from voicecheck.workflow.checks.kinds import CheckKind, fit_region
from voicecheck.workflow.checks.pace import make_metronome
from voicecheck.workflow.checks.run import STAGES, find_number, list_checks, run_check
from voicecheck.workflow.checks.source import Source, list_headerless, list_source_fields

MOST_LETTERS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckOrder:
    """
    A check as it was asked for.

    Parameters
    ----------
    job : int
    kind : CheckKind
    stage : str
    source : Source or None
        `None` for readings that are typed in.
    options : record
        Of that kind.
    """

    job: int
    kind: CheckKind
    stage: str
    source: Source | None
    options: Any

    @property
    def is_real(self) -> bool:
        """Whether somebody sits at a sound device."""
        return self.source is not None and self.source.bench is not None

    @property
    def plays(self) -> bool:
        """Whether a tone or speech goes out."""
        return self.source is not None and self.source.plays


def read_order(job: int, kind: CheckKind, sent: Sent, folder: Path) -> CheckOrder:
    """
    What the form asks for, all of it checked before anything is recorded.

    Parameters
    ----------
    job : int
    kind : CheckKind
    sent : Sent
    folder : Path
        Where uploaded files go; must outlive the check.

    Raises
    ------
    InputError
        Something is missing or out of range.
    """
    stage = sent.text("stage")
    if stage:
        check_word(stage, STAGES, "stage")
    asked = list_fields(kind.options)
    typed = _read_fields([one for one in asked if one.kind != "file"], sent)
    options = fit_region(kind, kind.options(**typed, **_save_files(asked, sent, folder)))
    source = _read_source(kind, options, sent, folder) if kind.measure is not None else None
    return CheckOrder(job=job, kind=kind, stage=stage, source=source, options=options)


def _read_fields(fields: Iterable[Field], sent: Sent) -> dict[str, Any]:
    return {field.name: _read_field(field, sent) for field in fields}


def _save_files(fields: Iterable[Field], sent: Sent, folder: Path) -> dict[str, Path]:
    """Files that were chosen, by the fields that ask for them."""
    names = (one.name for one in fields if one.kind == "file")
    saved = {name: sent.save_uploads(name, folder / name, SOUNDS) for name in names}
    return {name: files[0] for name, files in saved.items() if files}


def _read_field(field: Field, sent: Sent) -> Any:
    """A field as its record takes it; what is left empty is as the record has it."""
    if field.kind == "number":
        value = sent.number(field.name)
        return field.default if value is None else value
    if field.kind == "whole":
        least, most = int(field.bounds.low or 0), int(field.bounds.high or MOST_NUMBER)
        return sent.whole(field.name, field.default, least=least, most=most)
    if field.kind == "tick":
        return sent.has(field.name)
    text = sent.text(field.name).strip()
    if field.kind == "yes or no":
        return read_yes_or_no(field.name, text)
    if field.kind == "texts":
        parts = _limit_text(text, field.name).split(",")
        return tuple(part.strip() for part in parts if part.strip())
    return text or field.default


def take_check(where: Where, order: CheckOrder, handle: Handle) -> str:
    """
    Ask, record, analyse, keep.

    Parameters
    ----------
    where : path, address or None
        Of the job book.
    order : CheckOrder
    handle : Handle

    Returns
    -------
    str
        How it ended, in a line.

    Raises
    ------
    KeyboardInterrupt
        It was stopped before there was enough to be kept.
    VoicecheckError
        As `run_check`.
    """
    watch = _Watch(order, handle)
    if order.is_real:
        check_present(order.source.bench if order.source else None)
        _ask(order, handle)
    handle.tell("Recording" if order.is_real else "Reading the recording")
    with open_book(where) as book:
        run_check(
            order.kind.name,
            order.source,
            order.options,
            book=book,
            job=order.job,
            stage=order.stage,
            progress=watch.follow,
            heard=watch.hear if order.is_real and order.kind.read_number else None,
        )
        kept = [one for one in list_checks(book, order.job) if one.kind == order.kind.name][-1]
    for problem in kept.check.problems:
        handle.note(f"{problem.kind}: {problem.message}; {problem.effect}")
    ended = "Stopped early, what was recorded counts" if watch.was_stopped else "Done"
    return f"{ended}: {kept.stage}: {describe_stored(kept)}"


def _ask(order: CheckOrder, handle: Handle) -> None:
    guide, seconds = order.kind.guide, order.source.seconds if order.source else 0.0
    prompt = Prompt(
        title=f"{guide.title}: records for {seconds:g} s",
        steps=guide.list_steps(plays=order.plays, moved=getattr(order.options, "moved", "")),
        caution=guide.get_caution(plays=order.plays),
        button="Begin",
    )
    handle.ask(prompt)


class _Watch:
    """Shows how far a take is, what was dialled so far, and when to move."""

    def __init__(self, order: CheckOrder, handle: Handle) -> None:
        self._order, self._handle = order, handle
        self._number = ""
        self.was_stopped = False
        self._metronome = (
            make_metronome(order.kind, order.source, order.options) if order.source else None
        )

    def follow(self, fraction: float, peak_dbfs: float | None) -> None:
        """Take in how far it is; KeyboardInterrupt where it is to stop."""
        try:
            self._handle.follow(fraction, peak_dbfs)
        except KeyboardInterrupt:
            self.was_stopped = True
            raise
        beat = self._metronome.find_beat(fraction) if self._metronome else None
        if beat is not None:
            self._handle.tell(str(beat))
            self._handle.send("beat", {"number": beat.number, "line": str(beat)})

    def hear(self, so_far: Recording) -> None:
        """Let the digits roll by."""
        number = find_number(self._order.kind.name, so_far, self._order.options)
        if number != self._number:
            self._number = number
            self._handle.tell(f"Heard so far: {number}")


def _read_source(kind: CheckKind, options: Any, sent: Sent, folder: Path) -> Source:
    about = _read_fields(list_source_fields(kind), sent)
    is_silent = about.get("no_play") or getattr(options, "clicks", False)
    if kind.plays == "tone" and not is_silent:
        about["tone_hz"] = options.tone_hz
    on, _, name = sent.text("on").partition(":")
    if sent.has("try"):
        on, name = "simulated", sent.text("scene")
    if on != "recording" and sent.list_uploads("recording"):
        raise InputError("from: a recording was chosen, but not to be used; say which is meant")
    if on == "simulated":
        return Source(simulated=_read_line(sent, "words") or name[:MOST_LETTERS], **about)
    if on == "recording":
        taken = (*SOUNDS, *list_headerless(kind))
        files = sent.save_uploads("recording", folder / "recording", taken)
        if not files:
            raise InputError("recording: choose a file first")
        return Source(recording=files[0], **about)
    if on == "device":
        if not (device := _read_line(sent, "device")):
            raise InputError("device: name the sound device; its field lists those of this machine")
        is_spoken = kind.plays == "speech"
        speech = sent.save_uploads("play", folder / "play", SOUNDS) if is_spoken else []
        return Source(bench=device, speech=speech[0] if speech else None, **about)
    raise InputError(
        "from: choose where the sound comes from, a recording or a sound device; nothing was "
        "recorded; without either, try it without a bench"
    )


def _read_line(sent: Sent, name: str) -> str:
    return _limit_text(sent.text(name).strip(), name)


def _limit_text(text: str, name: str) -> str:
    if len(text) > MOST_LETTERS:
        raise InputError(f"{name}: need at most {MOST_LETTERS} letters, got {len(text)}")
    return text
