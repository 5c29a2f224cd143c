"""Calibration and daily check from the page: each step asked for, played, worked out, kept."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import cast

from starlette.datastructures import FormData

from voicecheck.errors import InputError
from voicecheck.records import Recording, StepResult
from voicecheck.web.desk import Field, Handle, Prompt
from voicecheck.web.forms import Sent
from voicecheck.web.wiring import draw_wiring
from voicecheck.workflow.benches.choosing import check_present
from voicecheck.workflow.benches.sitting import Guide, keep_check, open_sitting
from voicecheck.workflow.benches.stepping import (
    Choice,
    Play,
    Reading,
    StepAnswer,
    StepRequest,
    check_reading,
    go_through,
)
from voicecheck.workflow.benches.view import describe_value, find_last_day, list_remarks
from voicecheck.workflow.books import Where, open_book

AGAIN = "again"


def calibrate(
    where: Where, name: str, steps: Iterable[str], temperature_c: float | None, handle: Handle
) -> str:
    """
    Go through steps of a calibration.

    Parameters
    ----------
    where : path, address or None
        Of the job book.
    name : str
        Of the bench.
    steps : iterable of str
        None: all that are open.
    temperature_c : float or None
        Of the room.
    handle : Handle

    Returns
    -------
    str
        How it ended; what was done is kept, whatever came after it.
    """
    with open_book(where) as book:
        sitting = open_sitting(book, name, temperature_c=temperature_c, progress=handle.follow)
        guides = sitting.list_wanted(steps)
        if not guides:
            return "Nothing is open; a step that is chosen by itself is done again"
        done, was_stopped = go_through(sitting, guides, PageSteps(handle))
    return f"{'Stopped' if was_stopped else 'Done'}; kept: {_list_kept(done)}"


def check(where: Where, name: str, handle: Handle) -> str:
    """
    Go through the daily check of a bench, from where an earlier one of today was left.

    Parameters
    ----------
    where : path, address or None
    name : str
    handle : Handle

    Returns
    -------
    str
        What it came to.
    """
    with open_book(where) as book:
        sitting = open_sitting(book, name, is_check=True, progress=handle.follow)
        check_present(sitting.setup.device, sitting.setup.input_device)
        done, was_stopped = go_through(sitting, sitting.list_wanted(), PageSteps(handle))
        if was_stopped:
            kept = _list_kept(done)
            return f"Stopped; kept: {kept}. Begun again today, the check goes on from there"
        if not done:
            return "Nothing was checked"
        outcome = keep_check(book, sitting)
    moved = [item for item in outcome.items if item.verdict == "moved"]
    for item in moved:
        handle.note(f"{item.quantity}: {item.message}")
    left = [item.quantity for item in outcome.items if item.verdict == "not done"]
    line = f"Moved: {', '.join(item.quantity for item in moved)}" if moved else "Nothing moved"
    return line + (f"; not done: {', '.join(left)}" if left else "")


def _list_kept(done: Iterable[StepResult]) -> str:
    return ", ".join(result.step for result in done) or "nothing"


class PageSteps:
    """Somebody at the page; a step that failed is asked for again."""

    length_s, is_patient = None, True

    def __init__(self, handle: Handle) -> None:
        self._handle = handle

    def tell(self, line: str) -> None:
        """See `StepAttendant`."""
        self._handle.tell(line)

    def ask(self, request: StepRequest) -> StepAnswer:
        """See `StepAttendant`."""
        guide = request.guide
        other = {"stand-in": guide.stand_in.words} if guide.stand_in else {}
        prompt = Prompt(
            title=request.title,
            steps=request.steps,
            caution=guide.caution,
            picture=request.picture,
            drawing=draw_wiring(request.drawing, request.wires, f"Wires: {guide.title}"),
            fields=tuple(_make_field(one, one.label) for one in request.readings),
            choices={**other, "later": "Another day"},
            wrong=request.wrong,
        )
        while True:
            answer = self._handle.ask(prompt)
            choice = cast("Choice", answer["choice"])
            if choice:
                return StepAnswer(choice)
            try:
                read = {one.name: _read(answer, one) for one in request.readings}
                return StepAnswer(typed={name: v for name, v in read.items() if v is not None})
            except InputError as error:
                prompt = replace(prompt, wrong=str(error))

    def read(
        self, guide: Guide, reading: Reading, tone_hz: float, play: Play
    ) -> tuple[float | None, Recording | None]:
        """See `StepAttendant`: what was typed while the sound lasts, or after it."""
        takes: list[Recording] = []
        prompt = Prompt(
            title=f"{tone_hz:g} Hz is played: read the meter",
            fields=(_make_field(reading, f"{reading.label}, at {tone_hz:g} Hz"),),
            caution=guide.caution,
            choices={AGAIN: "Play it again"},
            button="Take the reading",
        )
        is_to_play = True
        while True:
            meanwhile = (lambda: takes.append(play())) if is_to_play else None
            answer = self._handle.ask(prompt, meanwhile)
            is_to_play = answer["choice"] == AGAIN
            if is_to_play:
                prompt = replace(prompt, wrong="")
                continue
            try:
                return _read(answer, reading), takes[-1]
            except InputError as error:
                prompt = replace(prompt, wrong=str(error))

    def report(self, guide: Guide, result: StepResult) -> None:
        """See `StepAttendant`."""
        value = f"{describe_value(result)}, ±{result.uncertainty_db:.2f} dB"
        self._handle.note(f"{guide.title}: {value}, good until {find_last_day(result)}")
        if result.is_fallback:
            self._handle.note(f"A stand-in: {result.method}; every report says so")
        for line in list_remarks(result):
            self._handle.note(line)
        for problem in result.problems:
            self._handle.note("; ".join(filter(None, (problem.message, problem.effect))))


def _make_field(reading: Reading, label: str) -> Field:
    return Field(
        name=reading.name,
        label=label,
        unit=reading.unit,
        default=reading.default,
        is_required=reading.is_required,
    )


def _read(answer: dict[str, str], reading: Reading) -> float | None:
    """
    A number that was typed; `None` for an empty field that may be empty.

    Raises
    ------
    InputError
        It is none, or cannot be.
    """
    sent = Sent(data=FormData({reading.label: answer[reading.name]}))
    return check_reading(reading, sent.number(reading.label))
