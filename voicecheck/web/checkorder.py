"""A check as the page's form asks for it, and its taking."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from voicecheck.errors import InputError
from voicecheck.records import Recording
from voicecheck.web.desk import Handle, Prompt
from voicecheck.web.forms import SOUNDS, Sent
from voicecheck.workflow.books import Where, open_book
from voicecheck.workflow.checkguide import (
    GUIDES,
    Metronome,
    get_check_caution,
    list_check_steps,
)
from voicecheck.workflow.checklist import describe_stored
from voicecheck.workflow.checkout import (
    STAGES,
    Options,
    find_number,
    fit_region,
    list_checks,
    run_check,
)
from voicecheck.workflow.scenes import Source

TONED = ("dial", "flex")
DIGITS = ("dial", "tones")
MOST_LETTERS, MOST_PLACES = 200, 12
TONE_HZ, LEVEL_DBFS = 1000.0, -30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckOrder:
    """
    A check as it was asked for.

    Parameters
    ----------
    job : int
    kind, stage : str
    source : Source
    options : Options
    """

    job: int
    kind: str
    stage: str
    source: Source
    options: Options

    @property
    def is_real(self) -> bool:
        """Whether somebody sits at a sound device."""
        return self.source.bench is not None

    @property
    def plays(self) -> bool:
        """Whether a tone or speech goes out."""
        return self.source.tone_hz is not None or self.source.speech is not None


def read_order(job: int, kind: str, sent: Sent, folder: Path) -> CheckOrder:
    """
    What the form asks for, all of it checked before anything is recorded.

    Parameters
    ----------
    job : int
    kind : str
    sent : Sent
    folder : Path
        Where uploaded files go; must outlive the check.

    Raises
    ------
    InputError
        Something is missing or out of range.
    """
    stage = sent.text("stage")
    if stage and stage not in STAGES:
        raise InputError(f"stage: need one of {', '.join(STAGES)}, got {stage[:40]!r}")
    beat_s = sent.number("beat_s")
    places = [place.strip() for place in _read_line(sent, "places").split(",")]
    if len(places) > MOST_PLACES:
        raise InputError(f"places: need at most {MOST_PLACES}, got {len(places)}")
    source = _read_source(kind, sent, folder)
    options = Options(
        tone_hz=source.tone_hz or TONE_HZ,
        is_clicks=kind == "dial" and sent.has("clicks"),
        region=_read_line(sent, "region"),
        beat_s=1.0 if beat_s is None else beat_s,
        places=tuple(place for place in places if place),
        moved=sent.text("moved") or "cord",
    )
    is_silent = kind not in TONED or options.is_clicks or sent.has("silent")
    if is_silent:
        source = dataclasses.replace(source, tone_hz=None)
    return CheckOrder(
        job=job, kind=kind, stage=stage, source=source, options=fit_region(kind, options)
    )


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
        _ask(order, handle)
    handle.tell("Recording" if order.is_real else "Reading the recording")
    with open_book(where) as book:
        run_check(
            order.kind,
            order.source,
            order.options,
            book=book,
            job=order.job,
            stage=order.stage,
            progress=watch.follow,
            heard=watch.hear if order.is_real and order.kind in DIGITS else None,
        )
        kept = [one for one in list_checks(book, order.job) if one.kind == order.kind][-1]
    for problem in kept.check.problems:
        handle.note(f"{problem.kind}: {problem.message}; {problem.effect}")
    ended = "Stopped early, what was recorded counts" if watch.was_stopped else "Done"
    return f"{ended}: {kept.stage}: {describe_stored(kept)}"


def _ask(order: CheckOrder, handle: Handle) -> None:
    steps = list_check_steps(order.kind, plays=order.plays, moved=order.options.moved)
    prompt = Prompt(
        title=f"{GUIDES[order.kind].title}: records for {order.source.seconds:g} s",
        steps=steps,
        caution=get_check_caution(order.kind, plays=order.plays),
        button="Begin",
    )
    handle.ask(prompt)


class _Watch:
    """Shows how far a take is, what was dialled so far, and when to move."""

    def __init__(self, order: CheckOrder, handle: Handle) -> None:
        self._order, self._handle = order, handle
        self._number = ""
        self.was_stopped = False
        self._metronome: Metronome | None = None
        if order.kind == "flex":
            self._metronome = Metronome(
                order.source.seconds,
                order.options.beat_s,
                moved=order.options.moved,
                places=order.options.places,
                plays=order.plays,
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
        number = find_number(self._order.kind, so_far, self._order.options)
        if number != self._number:
            self._number = number
            self._handle.tell(f"Heard so far: {number}")


def _read_source(kind: str, sent: Sent, folder: Path) -> Source:
    """Where it comes from; the tone is in it even where none will be played, to be checked."""
    seconds, tone_hz, level_dbfs = (
        sent.number(name) for name in ("seconds", "tone_hz", "level_dbfs")
    )
    common: dict[str, Any] = {
        "seed": sent.whole("seed", 1, least=1),
        "channel": sent.whole("channel", 1, least=1, most=64),
        "out_channel": sent.whole("out_channel", 1, least=1, most=64),
        "seconds": GUIDES[kind].seconds if seconds is None else seconds,
        "tone_hz": TONE_HZ if tone_hz is None else tone_hz,
        "level_dbfs": LEVEL_DBFS if level_dbfs is None else level_dbfs,
    }
    on, _, name = sent.text("on").partition(":")
    if on != "recording" and sent.list_uploads("recording"):
        raise InputError("from: a recording was chosen, but not to be used; say which is meant")
    if on == "simulated":
        words = _read_line(sent, "words") or name[:MOST_LETTERS]
        return Source(simulated=words, **common)
    if on == "recording":
        files = sent.save_uploads("recording", folder / "recording", SOUNDS)
        if not files:
            raise InputError("recording: choose a file first")
        return Source(recording=files[0], **common)
    if on == "device":
        if not (device := _read_line(sent, "device")):
            raise InputError("device: name the sound device; its field lists those of this machine")
        speech = sent.save_uploads("play", folder / "play", SOUNDS) if kind == "speak" else []
        return Source(bench=device, speech=speech[0] if speech else None, **common)
    raise InputError("on: choose a made scene, a recording or a sound device")


def _read_line(sent: Sent, name: str) -> str:
    text = sent.text(name).strip()
    if len(text) > MOST_LETTERS:
        raise InputError(f"{name}: need at most {MOST_LETTERS} letters, got {len(text)}")
    return text
