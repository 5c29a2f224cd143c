"""`bench calibrate`, `bench check`, `bench tone`: a sitting at the bench."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

import typer

from voicecheck.cli.common import Book, Json, Quiet, tell, write_json, write_text
from voicecheck.cli.keys import is_terminal, wait_for_key
from voicecheck.errors import InputError

if TYPE_CHECKING:
    from voicecheck.cli.takeview import TakeView
    from voicecheck.jobbook import JobBook
    from voicecheck.records import Recording, StepResult
    from voicecheck.workflow.benches.sitting import Guide, Sitting
    from voicecheck.workflow.benches.stepping import Play, Reading, StepAnswer, StepRequest

Name = Annotated[str, typer.Argument(help="Name of the bench.")]
Steps = Annotated[
    list[str] | None,
    typer.Option("--step", metavar="STEP", help="Only this step; may be given several times."),
]
Yes = Annotated[
    bool, typer.Option("--yes", help="Do not wait for a key: wires are as the step asks.")
]
SCRIPTED_S = 3.0
"""Nobody has to read a meter or to let a calibrator settle while a script plays."""
Answers = dict[str, tuple[float, ...]]


def register(benches: typer.Typer) -> None:
    """Add the commands to those of the bench."""
    benches.command("calibrate")(calibrate)
    benches.command("check")(check)
    benches.command("tone")(tone)


def calibrate(
    name: Name,
    step: Steps = None,
    meter_v: Annotated[
        list[float] | None,
        typer.Option(help="Meter across the load, volts: at 400 Hz, then at 1000 Hz."),
    ] = None,
    calibrator_dbspl: Annotated[
        float, typer.Option(help="Level of the microphone's calibrator, dB SPL.")
    ] = 94.0,
    sound_meter_dbspl: Annotated[
        float | None,
        typer.Option(help="No calibrator: what a sound level meter reads; a stand-in."),
    ] = None,
    temperature_c: Annotated[float | None, typer.Option(help="Of the room.")] = None,
    simulated: Annotated[
        int | None,
        typer.Option(
            metavar="SEED",
            min=0,
            help="Step reciprocity only: a made jig in the bench's place; nothing is kept.",
        ),
    ] = None,
    yes: Yes = False,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Calibrate a bench step by step; what is done is kept, the rest can wait."""
    if simulated is not None:
        _try_out(step or (), simulated, as_json=as_json)
        return
    answers = {
        "meter_v": tuple(meter_v or ()),
        "calibrator_dbspl": (calibrator_dbspl,),
        "sound_meter_dbspl": () if sound_meter_dbspl is None else (sound_meter_dbspl,),
    }
    with _open_sitting(name, book, quiet=quiet, temperature_c=temperature_c) as at:
        results = _go_through(at, step, answers if yes else None)
    if as_json:
        from voicecheck.records import to_document

        write_json([to_document(result) for result in results])


def _try_out(steps: Iterable[str], seed: int, *, as_json: bool) -> None:
    """Steps on a simulated jig, each with what it should have found."""
    from voicecheck.cli.benchshow import render_tried
    from voicecheck.records import to_document
    from voicecheck.workflow.benches.jigs import try_steps

    tried = try_steps(steps, seed)
    if as_json:
        documents = [{**to_document(one.result), "truth_pa": one.truth_pa} for one in tried]
        write_json([{**document, "simulated": True} for document in documents])
    else:
        write_text("\n".join(render_tried(one) for one in tried))


def check(
    name: Name,
    step: Steps = None,
    yes: Yes = False,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Check a bench before the day's work: loop-back, reference handset, noise, hum, seal."""
    from voicecheck.cli.benchshow import render_check
    from voicecheck.records import to_document
    from voicecheck.workflow.benches.sitting import keep_check

    with _open_sitting(name, book, quiet=quiet, is_check=True) as at:
        _go_through(at, step, {} if yes else None)
        outcome = keep_check(at.book, at.sitting)
    if as_json:
        write_json({**to_document(outcome), "passed": outcome.is_passed})
    else:
        write_text(render_check(outcome))


def tone(
    name: Name,
    hz: Annotated[
        float, typer.Option(help="Frequency: 400 or 1000 are what a step needs.")
    ] = 1000.0,
    seconds: Annotated[float, typer.Option(min=1.5, max=60.0, help="How long.")] = 10.0,
    book: Book = None,
    quiet: Quiet = False,
) -> None:
    """Play the calibration tone on the line drive, to read a meter by."""
    from voicecheck.cli.takeview import TakeView
    from voicecheck.workflow.benches.sitting import open_sitting
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened, TakeView(quiet=quiet) as view:
        sitting = open_sitting(opened, name, progress=view.update)
        sitting.play("electrical-out", frequency_hz=hz, length_s=seconds)
    tell(f"Played {hz:g} Hz at {sitting.tone_dbfs:g} dBFS for {seconds:g} s.", quiet=quiet)


@dataclass(frozen=True, slots=True)
class _AtBench:
    """A sitting with what shows it."""

    book: JobBook
    sitting: Sitting
    view: TakeView
    quiet: bool


@contextmanager
def _open_sitting(
    name: str,
    book: str | None,
    *,
    quiet: bool,
    is_check: bool = False,
    temperature_c: float | None = None,
) -> Iterator[_AtBench]:
    from voicecheck.cli.takeview import TakeView
    from voicecheck.workflow.benches.sitting import open_sitting
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened, TakeView(quiet=quiet) as view:
        sitting = open_sitting(
            opened, name, is_check=is_check, temperature_c=temperature_c, progress=view.update
        )
        yield _AtBench(opened, sitting, view, quiet)


def _go_through(
    at: _AtBench, steps: list[str] | None, answers: Answers | None
) -> tuple[StepResult, ...]:
    """Go through the steps that are open, or those asked for; alone where there are answers."""
    from voicecheck.workflow.benches.stepping import go_through

    if answers is None and not is_terminal():
        raise InputError("nobody is here to ask: add --yes when the wires are as the step asks")
    guides = at.sitting.list_wanted(steps or ())
    if not guides:
        tell("Nothing is open; --step STEP does one again.", quiet=at.quiet)
    attendant = (
        TerminalSteps(at.view, quiet=at.quiet)
        if answers is None
        else ScriptedSteps(at.view, answers, quiet=at.quiet)
    )
    results, was_stopped = go_through(at.sitting, guides, attendant)
    if was_stopped:
        tell("voicecheck: stopped; the steps that are done are kept")
        sys.exit(130)
    return results


class _Telling:
    """What a terminal and a script have in common: results are told on standard error."""

    def __init__(self, view: TakeView, *, quiet: bool) -> None:
        self._view, self._quiet = view, quiet

    def tell(self, line: str) -> None:
        """See `StepAttendant`: the view of the take says it."""

    def report(self, guide: Guide, result: StepResult) -> None:
        """See `StepAttendant`."""
        from voicecheck.cli.benchshow import render_result

        self._view.stop()
        tell(f"{guide.name}\n{render_result(result)}", quiet=self._quiet)


class ScriptedSteps(_Telling):
    """
    Nobody is there: the wires are as the step asks, and readings come from options.

    Parameters
    ----------
    view : TakeView
    answers : dict of str to tuple of float
        By the name of the reading; of several tones the last ones.
    quiet : bool
    """

    length_s, is_patient = SCRIPTED_S, False

    def __init__(self, view: TakeView, answers: Answers, *, quiet: bool) -> None:
        super().__init__(view, quiet=quiet)
        self._answers = answers

    def ask(self, request: StepRequest) -> StepAnswer:
        """See `StepAttendant`."""
        from voicecheck.workflow.benches.stepping import StepAnswer

        guide = request.guide
        if guide.takes:
            message = f"{guide.name}: its wires change from take to take; leave --yes out"
            raise InputError(message)
        other = guide.stand_in.reading if guide.stand_in else None
        if other is not None and self._answers.get(other.name):
            return StepAnswer("stand-in")
        if guide.sound == "tones" and guide.reading is not None and guide.reading.is_required:
            self._check_given(guide, guide.reading)
        typed = {
            one.name: self._answers[one.name][-1]
            for one in request.readings
            if self._answers.get(one.name)
        }
        return StepAnswer(typed=typed)

    def read(
        self, guide: Guide, reading: Reading, tone_hz: float, play: Play
    ) -> tuple[float | None, Recording | None]:
        """See `StepAttendant`; what rests on the reading alone is not played again."""
        given = self._answers.get(reading.name, ())
        of_tone = dict(zip(reversed(guide.tones_hz), reversed(given), strict=False))
        recording = play() if guide.is_recorded else None
        self._view.stop()
        return of_tone.get(tone_hz), recording

    def _check_given(self, guide: Guide, reading: Reading) -> None:
        if not self._answers.get(reading.name):
            raise InputError(
                f"{guide.name}: add --{reading.name.replace('_', '-')} with what the meter shows "
                "while `voicecheck bench tone` plays"
            )


class TerminalSteps(_Telling):
    """Somebody at a terminal; a key goes on, a step that failed is asked for again."""

    length_s, is_patient = None, True

    def ask(self, request: StepRequest) -> StepAnswer:
        """See `StepAttendant`."""
        from voicecheck.cli.guidance import wrap
        from voicecheck.workflow.benches.stepping import StepAnswer

        self._view.stop()
        guide = request.guide
        if request.wrong:
            tell(wrap(request.wrong, "  !  ", "     "))
        else:
            tell(f"\n{request.title} ({guide.name})")
            for number, line in enumerate(request.steps, 1):
                tell(wrap(line, f"  {number}  ", "     "))
            tell(f"\n{request.picture}\n")
            tell(wrap(guide.caution, "  !  ", "     "))
        other = f"m: {_begin_small(guide.stand_in.words)}; " if guide.stand_in else ""
        prompt = f"Space or Enter: done, go on; {other}s: another day; q: stop."
        key = wait_for_key(prompt, "sm" if other else "s")
        if key == "s":
            return StepAnswer("later")
        if key == "m":
            return StepAnswer("stand-in")
        typed = {one.name: _ask_reading(one) for one in request.readings}
        return StepAnswer(typed={name: v for name, v in typed.items() if v is not None})

    def read(
        self, guide: Guide, reading: Reading, tone_hz: float, play: Play
    ) -> tuple[float | None, Recording | None]:
        """See `StepAttendant`: the tone is played until its reading is typed."""
        del guide
        what = reading.label[0].lower() + reading.label[1:]
        while True:
            tell(f"{tone_hz:g} Hz is played: read the meter.")
            recording = play()
            self._view.stop()
            again = " (Enter plays it again)" if reading.is_required else ""
            value = _ask_number(f"At {tone_hz:g} Hz {what}, {reading.unit}{again}")
            if value is not None or not reading.is_required:
                return value, recording


def _begin_small(words: str) -> str:
    return words[:1].lower() + words[1:]


def _ask_reading(reading: Reading) -> float | None:
    """A reading before the take; nothing stands for what is offered, or for not known."""
    from voicecheck.workflow.benches.stepping import check_reading

    offered = f" (Enter: {reading.default or 'not known'})"
    may_be_empty = bool(reading.default) or not reading.is_required
    while True:
        value = _ask_number(f"{reading.label}, {reading.unit}{offered if may_be_empty else ''}")
        if value is None and reading.default:
            return float(reading.default)
        try:
            return check_reading(reading, value)
        except InputError as error:
            tell(str(error))


def _ask_number(question: str) -> float | None:
    """A number, or nothing."""
    while True:
        text = typer.prompt(question, default="", show_default=False, err=True).strip()
        if not text:
            return None
        try:
            return float(text.replace(",", "."))
        except ValueError:
            tell(f"{text!r} is no number.")
