"""`selftest`: whether the program, this machine and a bench are as they should be."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from voicecheck.cli.common import (
    Book,
    Force,
    Json,
    Numbers,
    Quiet,
    open_door,
    show_progress,
    tell,
    write_json,
    write_text,
)
from voicecheck.errors import InputError

if TYPE_CHECKING:
    from voicecheck.records.orders import DeviceSource, SimulatedSource


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command("selftest")(selftest)


def selftest(
    bench: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="Bench that was set up, or a sound device's name; its output led into its input.",
        ),
    ] = None,
    simulated: Annotated[
        bool, typer.Option("--simulated", help="Try the simulated bench instead of a real one.")
    ] = False,
    takes: Annotated[int, typer.Option(help="How many takes on the bench.")] = 20,
    channel: Annotated[int, typer.Option(help="Recorded channel of a sound device, from 1.")] = 1,
    out_channel: Annotated[int, typer.Option(help="Played channel of a sound device, from 1.")] = 1,
    only: Annotated[
        list[str] | None,
        typer.Option(
            metavar="PART",
            help="Try this part alone: measuring, spoiled, standards, program, book, sound, page "
            "or bench; repeat.",
        ),
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Do not wait for a key before the bench sounds.")
    ] = False,
    out: Annotated[Path, typer.Option(help="Folder to write the report to.")] = Path("reports"),
    numbers: Numbers = False,
    book: Book = None,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> int:
    """Try whether the program, this machine and a bench are as they should be, and say so."""
    from voicecheck.cli.guidance import wrap
    from voicecheck.cli.show import say_simulated
    from voicecheck.records import to_document
    from voicecheck.records.orders import DeviceSource
    from voicecheck.workflow.selftest.papers import save_selftest, say_selftest
    from voicecheck.workflow.selftest.trying import (
        SelfTestOrder,
        count_steps,
        find_exit_code,
        run_selftest,
    )

    order = SelfTestOrder(
        book=book,
        source=_read_source(bench, channel, out_channel, is_simulated=simulated),
        n_takes=takes,
        only=tuple(only or ()),
    )
    with open_door(force=force, quiet=quiet) as door:
        try:
            if isinstance(order.source, DeviceSource):
                _warn(order.n_takes, is_asked=not yes)
            with show_progress(count_steps(order), "trying", quiet=quiet) as advance:
                steps = _Steps(advance)
                test = run_selftest(order, advance=steps.finish, progress=steps.move)
        except KeyboardInterrupt:
            tell("voicecheck: stopped; the self-test has no outcome, nothing was written")
            sys.exit(130)
        files = save_selftest(test, out, door)
    if as_json:
        write_json(to_document(test))
    else:
        head = [say_simulated()] if test.is_simulated else []
        lines = [
            wrap(line, "", "    ") if line else "" for line in say_selftest(test, with_all=numbers)
        ]
        write_text("\n".join([*head, *lines]))
    tell(f"The report is {files[0]}.", quiet=quiet)
    return find_exit_code(test.lines)


def _warn(n_takes: int, *, is_asked: bool) -> None:
    """Say what is about to sound, and wait where somebody sits at a terminal."""
    from voicecheck.cli.guidance import wrap
    from voicecheck.cli.keys import is_terminal, wait_for_key
    from voicecheck.workflow.selftest.onbench import say_caution

    tell(wrap(say_caution(n_takes), "! ", "  "))
    if is_asked and is_terminal():
        wait_for_key("Space or Enter: begin; q to stop.")


class _Steps:
    """
    How far the self-test is, also within a take.

    Parameters
    ----------
    advance : callable
        Of a progress bar.
    """

    def __init__(self, advance: Any) -> None:
        self._advance, self._n_done = advance, 0

    def finish(self) -> None:
        """One more step is done."""
        self._n_done += 1
        self._advance(to=self._n_done)

    def move(self, fraction: float, peak_dbfs: float) -> None:
        """So much of a take is recorded."""
        del peak_dbfs
        self._advance(to=self._n_done + fraction)


def _read_source(
    bench: str | None, channel: int, out_channel: int, *, is_simulated: bool
) -> DeviceSource | SimulatedSource | None:
    from voicecheck.records.orders import DeviceSource, SimulatedSource

    if bench is not None and is_simulated:
        raise InputError("selftest: say one of --bench and --simulated")
    if is_simulated:
        return SimulatedSource(handset="electret")
    if bench is None:
        return None
    return DeviceSource(name=bench, out_channel=out_channel, channel=channel)
