"""`trial`: an experiment that settles between causes, step by step."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from voicecheck.cli.common import Book, JobNumber, Json, Quiet, tell, write_json, write_text
from voicecheck.cli.guidance import TerminalAttendant, wrap
from voicecheck.cli.keys import is_terminal
from voicecheck.cli.measuring import read_source
from voicecheck.errors import InputError

if TYPE_CHECKING:
    from voicecheck.records import Trial
    from voicecheck.workflow.sweeping.seats import SeatRequest


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command("trial")(trial)


def trial(
    name: Annotated[
        str,
        typer.Argument(
            metavar="NAME",
            help="rap, crackle, current, termination, swap, ten-minutes or finger.",
        ),
    ],
    job: JobNumber,
    stage: Annotated[str | None, typer.Option(help="before or after. Default: the job's.")] = None,
    recording: Annotated[
        list[Path] | None,
        typer.Option("--recording", metavar="FILE...", help="Recordings, one for each step."),
    ] = None,
    signal: Annotated[
        Path | None, typer.Option(metavar="OUT.wav", help="Programme file of the recordings.")
    ] = None,
    simulated: Annotated[
        str | None, typer.Option(metavar="HANDSET", help="Simulated, as carbon+packed.")
    ] = None,
    seed: Annotated[int, typer.Option(help="Which individual of the simulated kind.")] = 1,
    bench: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Bench that was set up, or a sound device's name."),
    ] = None,
    channel: Annotated[
        int | None, typer.Option(help="Recorded channel, from 1. Default: 1.")
    ] = None,
    out_channel: Annotated[int, typer.Option(help="Played channel of a sound device, from 1.")] = 1,
    loop_ma: Annotated[
        list[float] | None,
        typer.Option(
            metavar="MA", help="What the meter showed, mA, at each step that asks; repeat."
        ),
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Do not wait for a key between the steps.")
    ] = False,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Do a trial that settles between likely causes, and keep what it gave with the job."""
    from voicecheck.cli.takeview import TakeView
    from voicecheck.records.orders import SweepOrder
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.trials import get_trial, run_trial

    kind = get_trial(name)
    source = read_source(
        files=tuple(recording or ()), simulated=simulated, seed=seed, bench=bench,
        channels=(out_channel, channel), take=None,
    )  # fmt: skip
    tell(wrap(f"! {kind.caution}", "", "  "), quiet=quiet and bench is None)
    is_asked = bench is not None and not yes and is_terminal()
    with open_book(book) as opened, TakeView(quiet=quiet) as view:
        order = SweepOrder(
            job=job,
            stage=stage or opened.load_job(job).stage,
            path=kind.path,
            source=source,
            signal=signal,
        )
        attendant = TrialTerminal(view, is_asked=is_asked, quiet=quiet, loop_ma=loop_ma or ())
        try:
            done, document = run_trial(opened, name, order, attendant)
        except KeyboardInterrupt:
            tell("voicecheck: stopped; what was recorded is kept, the trial has no outcome")
            sys.exit(130)
    if as_json:
        write_json(document)
    else:
        write_text(render_trial(done, is_simulated="simulated" in document))


class TrialTerminal(TerminalAttendant):
    """
    Somebody at a terminal, or readings of a meter that come with the command.

    Parameters
    ----------
    view, is_asked, quiet
        See `TerminalAttendant`.
    loop_ma : sequence of float
        Taken in order where nobody is asked.
    """

    def __init__(self, view: Any, *, is_asked: bool, quiet: bool, loop_ma: Any) -> None:
        super().__init__(view, is_asked=is_asked, quiet=quiet)
        self._given = iter(loop_ma)

    def ask_ma(self, request: SeatRequest) -> float | None:
        """See `TrialAttendant`."""
        given = next(self._given, None)
        if given is not None or not self.is_asked:
            return given
        question = f"{request.title}: the meter shows, mA (Enter: not read)"
        text = typer.prompt(question, default="", show_default=False, err=True).strip()
        try:
            return float(text.replace(",", ".")) if text else None
        except ValueError:
            raise InputError(f"loop current: need a number in mA, got {text!r}") from None


def render_trial(trial: Trial, *, is_simulated: bool) -> str:
    """What a trial gave, what follows, and how much it says for which cause."""
    from voicecheck.cli.show import say_simulated
    from voicecheck.workflow.trialwords import say_trial

    lines = [say_simulated()] if is_simulated else []
    return "\n".join([*lines, *(wrap(line, "", "  ") for line in say_trial(trial))])
