"""`bench calibrate`, `bench check`, `bench tone`: a sitting at the bench."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated, Any

import typer

from voicecheck.cli.common import Book, Json, Quiet, tell, write_json, write_text
from voicecheck.cli.keys import is_terminal, wait_for_key
from voicecheck.errors import BenchError, InputError, RecordingError

if TYPE_CHECKING:
    from voicecheck.records import StepResult
    from voicecheck.workflow.benches.sitting import Guide, Sitting

Name = Annotated[str, typer.Argument(help="Name of the bench.")]
Steps = Annotated[
    list[str] | None,
    typer.Option("--step", metavar="STEP", help="Only this step; may be given several times."),
]
Yes = Annotated[
    bool, typer.Option("--yes", help="Do not wait for a key: wires are as the step asks.")
]
METER_S = 8.0
"""Long enough for a meter to settle and be read."""
SCRIPTED_S = 3.0


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
    yes: Yes = False,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Calibrate a bench step by step; what is done is kept, the rest can wait."""
    answers = {
        "meter_v": tuple(meter_v or ()),
        "calibrator_dbspl": calibrator_dbspl,
        "sound_meter_dbspl": sound_meter_dbspl,
    }
    results = _sit(
        name,
        step,
        book=book,
        yes=yes,
        quiet=quiet,
        is_check=False,
        answers=answers,
        temperature_c=temperature_c,
    )
    if as_json:
        from voicecheck.records import to_document

        write_json([to_document(result) for result in results])


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
    from voicecheck.workflow.benches.sitting import Sitting
    from voicecheck.workflow.books import open_book

    _sit(name, step, book=book, yes=yes, quiet=quiet, is_check=True, answers={})
    with open_book(book) as opened:
        outcome = Sitting(opened, name, is_check=True).check()
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
    from voicecheck.workflow.benches.sitting import Sitting
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened, TakeView(quiet=quiet) as view:
        sitting = Sitting(opened, name, progress=view.update)
        sitting.play("electrical-out", frequency_hz=hz, length_s=seconds)
    tell(f"Played {hz:g} Hz at {sitting.tone_dbfs:g} dBFS for {seconds:g} s.", quiet=quiet)


def _sit(
    name: str,
    wanted: list[str] | None,
    *,
    book: str | None,
    yes: bool,
    quiet: bool,
    is_check: bool,
    answers: dict[str, Any],
    temperature_c: float | None = None,
) -> list[StepResult]:
    """Go through the steps that are open, or those asked for."""
    from voicecheck.cli.takeview import TakeView
    from voicecheck.workflow.benches.sitting import DAILY_STEPS, Sitting, get_guide
    from voicecheck.workflow.books import open_book

    if not yes and not is_terminal():
        raise InputError("nobody is here to ask: add --yes when the wires are as the step asks")
    with open_book(book) as opened, TakeView(quiet=quiet) as view:
        sitting = Sitting(
            opened, name, is_check=is_check, temperature_c=temperature_c, progress=view.update
        )
        guides = [get_guide(step) for step in wanted] if wanted else list(sitting.list_open())
        if is_check and any(guide.name not in DAILY_STEPS for guide in guides):
            raise InputError(f"step: a daily check has only {', '.join(DAILY_STEPS)}")
        if not guides:
            tell("Nothing is open; --step STEP does one again.", quiet=quiet)
        if is_check and not guides:
            guides = [get_guide(step) for step in DAILY_STEPS]
        results = []
        for number, guide in enumerate(guides, 1):
            try:
                done = (
                    _do_step(sitting, guide, view, answers)
                    if yes
                    else _ask_through(sitting, guide, view, f"Step {number} of {len(guides)}")
                )
            except KeyboardInterrupt:
                tell("voicecheck: stopped; the steps that are done are kept")
                sys.exit(130)
            if done is not None:
                results.append(done)
                _tell_result(done, quiet=quiet)
    return results


def _tell_result(result: StepResult, *, quiet: bool) -> None:
    from voicecheck.cli.benchshow import render_result

    tell(f"{result.step}\n{render_result(result)}", quiet=quiet)


def _do_step(sitting: Sitting, guide: Guide, view: Any, answers: dict[str, Any]) -> StepResult:
    """One step without a question."""
    step = guide.name
    volts = answers.get("meter_v", ())
    stand_in_dbspl = answers.get("sound_meter_dbspl")
    if step == "electrical-out":
        if not volts:
            raise InputError(
                "electrical-out: add --meter-v with what the meter shows while "
                "`voicecheck bench tone` plays"
            )
        return sitting.finish_line(step, volts)
    try:
        if step == "microphone" and stand_in_dbspl is not None:
            recording = sitting.play_stand_in(SCRIPTED_S)
            return sitting.finish_stand_in(recording, SCRIPTED_S, stand_in_dbspl)
        recording = sitting.play(step, length_s=SCRIPTED_S)
    finally:
        view.stop()
    if step == "electrical-in":
        return sitting.finish_line(step, volts[-1:], recording)
    return sitting.finish(step, recording, level_dbspl=answers.get("calibrator_dbspl"))


def _ask_through(sitting: Sitting, guide: Guide, view: Any, place: str) -> StepResult | None:
    """One step with its words and picture; repeated until it is done or passed over."""
    from voicecheck.cli.guidance import wrap
    from voicecheck.workflow.benches.view import list_actions
    from voicecheck.workflow.benches.wires import draw_wires

    tell(f"\n{place}: {guide.title} ({guide.name})")
    for number, line in enumerate(list_actions(guide, sitting.setup), 1):
        tell(wrap(line, f"  {number}  ", "     "))
    tell(f"\n{draw_wires(guide.name, sitting.setup)}\n")
    tell(wrap(guide.caution, "  !  ", "     "))
    stand_in = "m: with a sound level meter; " if guide.name == "microphone" else ""
    while True:
        prompt = f"Space or Enter: done, go on; {stand_in}s: another day; q: stop."
        key = wait_for_key(prompt, "sm" if stand_in else "s")
        if key == "s":
            return None
        try:
            return _do_asking(sitting, guide, view, is_stand_in=key == "m")
        except (BenchError, RecordingError, InputError) as error:
            view.stop()
            tell(wrap(str(error), "  !  ", "     "))


def _do_asking(sitting: Sitting, guide: Guide, view: Any, *, is_stand_in: bool) -> StepResult:
    step = guide.name
    if step == "electrical-out":
        return sitting.finish_line(step, _read_meter(sitting, view))
    if is_stand_in:
        recording = sitting.play_stand_in(METER_S)
        view.stop()
        level_dbspl = _ask_number("The sound level meter read, dB SPL")
        return sitting.finish_stand_in(recording, METER_S, level_dbspl or 0.0)
    recording = sitting.play(step, length_s=METER_S if step == "electrical-in" else 5.0)
    view.stop()
    if step == "electrical-in":
        volts = _ask_number("Meter, volts (Enter: by the line drive's step)")
        return sitting.finish_line(step, () if volts is None else (volts,), recording)
    return sitting.finish(step, recording)


def _read_meter(sitting: Sitting, view: Any) -> tuple[float, ...]:
    """Play each tone until its reading is typed."""
    from voicecheck.workflow.benches.sitting import TONES_HZ

    readings = []
    for hz in TONES_HZ:
        volts = None
        while volts is None:
            tell(f"{hz:g} Hz for {METER_S:g} s: read the meter.")
            sitting.play("electrical-out", frequency_hz=hz, length_s=METER_S)
            view.stop()
            volts = _ask_number(f"Meter at {hz:g} Hz, volts (Enter plays it again)")
        readings.append(volts)
    return tuple(readings)


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
