"""Calibration and daily check from the page: each step asked for, played, worked out, kept."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from starlette.datastructures import FormData

from voicecheck.errors import BenchError, InputError, RecordingError
from voicecheck.records import Recording, StepResult
from voicecheck.web.desk import Field, Handle, Prompt
from voicecheck.web.forms import Sent
from voicecheck.workflow.benches.sitting import DAILY_STEPS, TONES_HZ, Guide, Sitting, get_guide
from voicecheck.workflow.benches.view import describe_value, find_last_day, list_actions
from voicecheck.workflow.benches.wires import draw_wires
from voicecheck.workflow.books import Where, open_book

METER_S, TAKE_S = 8.0, 5.0
"""Long enough for a meter to settle and be read; for a calibrator to be heard."""
LATER, STAND_IN, AGAIN = "later", "stand-in", "again"
CALIBRATOR = Field(
    name="calibrator_dbspl", label="Level of the calibrator", unit="dB SPL", default="94"
)
SOUND_METER = Field(name="sound_meter_dbspl", label="The sound level meter reads", unit="dB SPL")
VOLTS, LEVELS_DBSPL = (1e-4, 100.0), (50.0, 130.0)


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
        sitting = Sitting(book, name, temperature_c=temperature_c, progress=handle.follow)
        guides = [get_guide(step) for step in steps] or list(sitting.list_open())
        if not guides:
            return "Nothing is open; a step that is chosen by itself is done again"
        done, was_stopped = _go_through(sitting, guides, handle)
    kept = ", ".join(done) or "nothing"
    return f"{'Stopped' if was_stopped else 'Done'}; kept: {kept}"


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
        sitting = Sitting(book, name, is_check=True, progress=handle.follow)
        guides = list(sitting.list_open())
        if not guides:
            left_out = {"seal"} if sitting.setup.ear == "coil" else set[str]()
            guides = [get_guide(step) for step in DAILY_STEPS if step not in left_out]
        done, was_stopped = _go_through(sitting, guides, handle)
        if was_stopped:
            kept = ", ".join(done) or "nothing"
            return f"Stopped; kept: {kept}. Begun again today, the check goes on from there"
        if not done:
            return "Nothing was checked"
        outcome = sitting.check()
    moved = [item for item in outcome.items if item.verdict == "moved"]
    for item in moved:
        handle.note(f"{item.quantity}: {item.message}")
    left = [item.quantity for item in outcome.items if item.verdict == "not done"]
    line = f"Moved: {', '.join(item.quantity for item in moved)}" if moved else "Nothing moved"
    return line + (f"; not done: {', '.join(left)}" if left else "")


def _go_through(
    sitting: Sitting, guides: Iterable[Guide], handle: Handle
) -> tuple[list[str], bool]:
    """Names of the steps that were done, and whether somebody stopped."""
    every, done = list(guides), list[str]()
    try:
        for number, guide in enumerate(every, 1):
            step = _Step(sitting, guide, handle, f"Step {number} of {len(every)}")
            if (result := step.do()) is not None:
                done.append(guide.name)
                _tell(result, guide, handle)
    except KeyboardInterrupt:
        return done, True
    return done, False


def _tell(result: StepResult, guide: Guide, handle: Handle) -> None:
    until = find_last_day(result)
    value = f"{describe_value(result)}, ±{result.uncertainty_db:.2f} dB"
    handle.note(f"{guide.title}: {value}, good until {until}")
    if result.is_fallback:
        handle.note(f"A stand-in: {result.method}; every report says so")
    for problem in result.problems:
        handle.note("; ".join(filter(None, (problem.message, problem.effect))))


class _Step:
    """One step with its words and picture, repeated until it is done or put off."""

    def __init__(self, sitting: Sitting, guide: Guide, handle: Handle, place: str) -> None:
        self._sitting, self._guide, self._handle = sitting, guide, handle
        is_microphone = guide.name == "microphone"
        stand_in = {STAND_IN: "With a sound level meter instead"} if is_microphone else {}
        self._prompt = Prompt(
            title=f"{place}: {guide.title}",
            steps=tuple(list_actions(guide, sitting.setup)),
            caution=guide.caution,
            picture=draw_wires(guide.name, sitting.setup),
            fields=(CALIBRATOR,) if is_microphone else (),
            choices={**stand_in, LATER: "Another day"},
        )

    def do(self) -> StepResult | None:
        """Ask, play, work out; `None` where it was put off."""
        prompt = self._prompt
        while True:
            answer = self._handle.ask(prompt)
            if answer["choice"] == LATER:
                return None
            try:
                return self._take(answer)
            except (BenchError, InputError, RecordingError) as error:
                prompt = replace(self._prompt, wrong=str(error))

    def _take(self, answer: dict[str, str]) -> StepResult:
        step, sitting = self._guide.name, self._sitting
        if step == "electrical-out":
            return sitting.finish_line(step, [self._read_volts(hz) for hz in TONES_HZ])
        if step == "electrical-in":
            return self._take_line_tap()
        if answer["choice"] == STAND_IN:
            return self._take_stand_in()
        level_dbspl = None
        if step == "microphone":
            level_dbspl = _read(answer, CALIBRATOR, LEVELS_DBSPL)
        self._handle.tell(f"Recording: {self._guide.title}")
        recording = sitting.play(step, length_s=TAKE_S)
        self._handle.tell("Working it out")
        return sitting.finish(step, recording, level_dbspl=level_dbspl)

    def _read_volts(self, frequency_hz: float) -> float:
        step = self._guide.name
        field = Field(name="volts", label=f"The meter reads at {frequency_hz:g} Hz", unit="V")
        volts = self._ask_while(
            f"{frequency_hz:g} Hz is played: read the meter",
            field,
            VOLTS,
            lambda: self._sitting.play(step, frequency_hz=frequency_hz, length_s=METER_S),
        )[0]
        if volts is None:
            raise InputError(f"{field.label}: need a number, got nothing")
        return volts

    def _take_line_tap(self) -> StepResult:
        step = self._guide.name
        field = Field(
            name="volts",
            label="The meter reads (empty: go by the step before)",
            unit="V",
            is_required=False,
        )
        volts, recording = self._ask_while(
            "1000 Hz is played and recorded: read the meter",
            field,
            VOLTS,
            lambda: self._sitting.play(step, length_s=METER_S),
        )
        return self._sitting.finish_line(step, () if volts is None else (volts,), recording)

    def _take_stand_in(self) -> StepResult:
        level_dbspl, recording = self._ask_while(
            "1000 Hz is played at the mouth: read the sound level meter",
            SOUND_METER,
            LEVELS_DBSPL,
            lambda: self._sitting.play_stand_in(METER_S),
        )
        if level_dbspl is None:
            raise InputError(f"{SOUND_METER.label}: need a number, got nothing")
        return self._sitting.finish_stand_in(recording, METER_S, level_dbspl)

    def _ask_while(
        self,
        title: str,
        field: Field,
        limits: tuple[float, float],
        play: Callable[[], Recording],
    ) -> tuple[float | None, Recording]:
        """What was typed, while the sound or after it, and the last recording of it."""
        takes: list[Recording] = []
        prompt = Prompt(
            title=title,
            fields=(field,),
            caution=self._guide.caution,
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
                return _read(answer, field, limits), takes[-1]
            except InputError as error:
                prompt = replace(prompt, wrong=str(error))


def _read(answer: dict[str, str], field: Field, limits: tuple[float, float]) -> float | None:
    """
    A number that was typed; `None` for an empty field that may be empty.

    Raises
    ------
    InputError
        It is none, or cannot be.
    """
    sent = Sent(data=FormData({field.label: answer[field.name]}))
    value = sent.number(field.label)
    if value is None and field.is_required:
        raise InputError(f"{field.label}: need a number, got nothing")
    low, high = limits
    if value is not None and not low <= value <= high:
        raise InputError(f"{field.label}: need {low:g} to {high:g} {field.unit}, got {value:g}")
    return value
