"""`sweep` and what it can run on."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn, cast

import typer

from voicecheck.cli.common import (
    Book,
    JobNumber,
    Json,
    Numbers,
    Quiet,
    tell,
    with_ranges,
    write_json,
    write_text,
)
from voicecheck.cli.keys import is_terminal, wait_for_key
from voicecheck.errors import InputError

if TYPE_CHECKING:
    from voicecheck.records import Run
    from voicecheck.records.orders import Source, SweepOrder
    from voicecheck.records.terms import Ear, SweepPath
    from voicecheck.workflow.told import Told


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command("sweep", cls=with_ranges(_list_orders))(sweep)
    app.command("handsets")(list_handsets)
    app.command("devices")(list_devices)


def _list_orders() -> tuple[type, ...]:
    from voicecheck.records.orders import SimulatedSource, Stated, SweepOrder

    return SweepOrder, Stated, SimulatedSource


def sweep(
    job: JobNumber,
    path: Annotated[
        str,
        typer.Option(help="What is measured; both is transmit and sidetone in one take."),
    ],
    stage: Annotated[
        str | None,
        typer.Option(help="before, after, reference, or a label. Default: the job's."),
    ] = None,
    recording: Annotated[
        list[Path] | None,
        typer.Option("--recording", metavar="FILE...", help="Recordings, one for each seat."),
    ] = None,
    more: Annotated[
        list[Path] | None, typer.Argument(metavar="[FILE...]", help="Further recordings.")
    ] = None,
    signal: Annotated[
        Path | None, typer.Option(metavar="OUT.wav", help="Programme file; default programme.")
    ] = None,
    simulated: Annotated[
        str | None, typer.Option(metavar="HANDSET", help="Simulated, as carbon+packed+hum.")
    ] = None,
    seed: Annotated[int, typer.Option(help="Which individual of the simulated kind.")] = 1,
    bench: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Bench that was set up, or a sound device's name."),
    ] = None,
    seats: Annotated[
        int | None, typer.Option(help="How often to seat the handset anew. Default 3.")
    ] = None,
    channel: Annotated[
        int | None,
        typer.Option(help="Recorded channel, from 1. Default: 1; of a file the one that holds it."),
    ] = None,
    take: Annotated[
        int | None,
        typer.Option(min=1, help="Of several takes in one file, from 1. Default: the strongest."),
    ] = None,
    out_channel: Annotated[int, typer.Option(help="Played channel of a sound device, from 1.")] = 1,
    level_dbm: Annotated[
        float | None,
        typer.Option(help="Level to a receiver on a bench that was set up. Default -30."),
    ] = None,
    feed_ma: Annotated[
        float | None, typer.Option(help="Feed current of this run, mA, if not the type's.")
    ] = None,
    ear: Annotated[
        str | None, typer.Option(help="coupler or coil (pickup), if not as the bench has it.")
    ] = None,
    angle_deg: Annotated[
        float | None, typer.Option(help="Handset away from the talking position, degrees.")
    ] = None,
    conditioned: Annotated[
        bool | None,
        typer.Option(help="Whether the handset was conditioned before each recording (P.75)."),
    ] = None,
    yes: Annotated[
        bool,
        typer.Option("--yes", help="Do not wait for a key between seats, and do not ask."),
    ] = False,
    book: Book = None,
    numbers: Numbers = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Record (or load) one path of a set, seat by seat, and keep it with the job."""
    from voicecheck.records.orders import Stated, SweepOrder
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.papers.lookup import tell_passed_over
    from voicecheck.workflow.telltakes import tell_runs

    is_waiting = bench is not None and not yes and is_terminal()
    order = SweepOrder(
        job=job,
        stage="before" if stage is None else _ask_stage(stage),
        path=cast("SweepPath", path),
        source=read_source(
            files=(*(recording or ()), *(more or ())),
            simulated=simulated,
            seed=seed,
            bench=bench,
            channels=(out_channel, channel),
            take=take,
        ),
        n_seats=seats,
        signal=signal,
        level_dbm=level_dbm,
        # Asked below, before anything sounds.
        is_on_coupler=yes or is_terminal(),
        stated=Stated(
            conditioned=conditioned, feed_ma=feed_ma, ear=cast("Ear", ear), angle_deg=angle_deg
        ),
    )
    with open_book(book) as opened:
        if stage is None:
            order = order.replace(stage=opened.load_job(job).stage)
        results = _carry_out(opened, order, is_waiting=is_waiting, yes=yes, quiet=quiet)
        passed_over = tell_passed_over(opened, job, order.stage)
        runs = [result.run for result in results]
        told = tell_runs(opened, runs)
    _show_runs(runs, told, as_json=as_json, numbers=numbers)
    for line in passed_over:
        tell(line, quiet=quiet)
    if any(result.was_stopped for result in results):
        _stop("stopped; the seats that were done are kept as a run")


def _carry_out(
    book: Any, order: SweepOrder, *, is_waiting: bool, yes: bool, quiet: bool
) -> tuple[Any, ...]:
    """Each seat, with somebody at the terminal or nobody."""
    from voicecheck.cli.guidance import TerminalAttendant
    from voicecheck.cli.takeview import TakeView
    from voicecheck.workflow.sweeping.order import carry_out

    with TakeView(quiet=quiet) as view:
        try:
            if not yes:
                _confirm_level(order)
            attendant = TerminalAttendant(view, is_asked=is_waiting, quiet=quiet)
            return carry_out(book, order, attendant)
        except KeyboardInterrupt:
            _stop("stopped before a seat was done; recordings are kept")


def _stop(line: str) -> NoReturn:
    tell(f"voicecheck: {line}")
    sys.exit(130)


def read_source(
    *,
    files: tuple[Path, ...],
    simulated: str | None,
    seed: int,
    bench: str | None,
    channels: tuple[int, int | None],
    take: int | None,
) -> Source:
    """
    Where the options say that the sound comes from.

    Raises
    ------
    InputError
        None is named, or several.
    """
    from voicecheck.records.orders import DeviceSource, FileSource, SimulatedSource

    if sum((bool(files), simulated is not None, bench is not None)) != 1:
        raise InputError("name one bench: --recording FILE, --simulated HANDSET or --bench NAME")
    if files:
        return FileSource(files=files, channel=channels[1], take=take)
    if simulated is not None:
        return SimulatedSource(handset=simulated, seed=seed)
    return DeviceSource(name=bench or "", out_channel=channels[0], channel=channels[1] or 1)


def _ask_stage(stage: str) -> str:
    """A stage; where it looks like a slip of the finger somebody at a terminal is asked."""
    from voicecheck.records.terms import find_near_stage

    near = find_near_stage(stage)
    if not near or not is_terminal():
        return stage
    wait_for_key(f"Stage {stage!r}: is {near} meant? Space for {near}, q to stop.")
    return near


def _confirm_level(order: SweepOrder) -> None:
    """Ask before a receiver is driven harder than the first time."""
    from voicecheck.records.benches import FIRST_RECEIVE_DBM
    from voicecheck.records.orders import is_loud

    if not is_loud(order.level_dbm):
        return
    question = (
        f"{order.level_dbm:g} dBm is louder than the {FIRST_RECEIVE_DBM:g} dBm that sweeps begin "
        "with,\nand can reach 104 to 110 dB SPL and more. Is the receiver on its coupler, and at\n"
        "nobody's ear? y to go on, q to stop."
    )
    while wait_for_key(question, "y") != "y":
        pass


def _show_runs(runs: list[Run], told: Told, *, as_json: bool, numbers: bool) -> None:
    if as_json:
        from voicecheck.records import to_document

        documents = [to_document(run) for run in runs]
        write_json(documents if len(documents) > 1 else documents[0])
        return
    from voicecheck.cli.show import render_run
    from voicecheck.cli.tellshow import render_told

    if numbers:
        write_text("\n".join(render_run(run, with_numbers=True) for run in runs))
        return
    write_text(render_told(told, numbers=f"voicecheck job show {runs[0].job}"))


def list_handsets(as_json: Json = False) -> None:
    """List the simulated handsets and their faults."""
    from voicecheck.cli.show import render_table
    from voicecheck.workflow.benches.choosing import list_simulated

    handsets, faults = list_simulated()
    if as_json:
        write_json({"handsets": handsets, "faults": faults})
        return
    write_text("handsets:\n" + render_table(list(handsets.items())))
    write_text("faults, to be added with +:\n" + render_table(list(faults.items())))


def list_devices(as_json: Json = False) -> None:
    """List the sound devices."""
    from voicecheck.cli.show import render_table
    from voicecheck.records import to_document
    from voicecheck.workflow.benches.choosing import list_sound_devices

    devices = list_sound_devices()
    if as_json:
        write_json([to_document(device) for device in devices])
        return
    if not devices:
        raise InputError("no sound device found; plug the interface in and try again")
    rows = [
        (
            d.name,
            d.host_api,
            f"{d.n_inputs} in",
            f"{d.n_outputs} out",
            f"{d.default_rate_hz:.0f} Hz",
        )
        for d in devices
    ]
    heads = ("device", "by", "inputs", "outputs", "rate")
    write_text(render_table([heads, *rows], indent=""))
