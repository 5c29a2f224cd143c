"""`sweep` and what it can run on."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from voicecheck.cli.common import Book, Json, Quiet, tell, write_json, write_text
from voicecheck.cli.jobs import JobNumber
from voicecheck.cli.keys import is_terminal, wait_for_key
from voicecheck.errors import InputError

if TYPE_CHECKING:
    from voicecheck.cli.takeview import TakeView
    from voicecheck.jobbook import JobBook
    from voicecheck.workflow.sweeping.run import SweepResult


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command("sweep")(sweep)
    app.command("handsets")(list_handsets)
    app.command("devices")(list_devices)


def sweep(
    job: JobNumber,
    stage: Annotated[str, typer.Option(help="before, after, reference, or a label.")],
    path: Annotated[
        str,
        typer.Option(
            help="transmit, receive, sidetone, loop, or both: transmit and sidetone in one take."
        ),
    ],
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
        int, typer.Option(help="Recorded channel of a file or a sound device, from 1.")
    ] = 1,
    out_channel: Annotated[int, typer.Option(help="Played channel of a sound device, from 1.")] = 1,
    level_dbm: Annotated[
        float | None,
        typer.Option(
            min=-60.0, max=0.0, help="Level to a receiver on a bench that was set up. Default -30."
        ),
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
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Record (or load) one path of a set, seat by seat, and keep it with the job."""
    from voicecheck.cli.takeview import TakeView
    from voicecheck.workflow.books import open_book

    files = [*(recording or []), *(more or [])]
    with open_book(book) as opened, TakeView(quiet=quiet) as view:
        chosen = {
            "files": files,
            "signal": signal,
            "simulated": simulated,
            "seed": seed,
            "device": bench,
            "channels": (out_channel, channel),
            "n_seats": seats,
            "level_dbm": level_dbm,
        }
        stated = _collect_stated(conditioned, feed_ma=feed_ma, ear=ear, angle_deg=angle_deg)
        waits = bench is not None and not yes and is_terminal()
        try:
            _confirm_level(path, level_dbm, yes=yes)
            results = _sweep(
                opened,
                view,
                job=job,
                stage=stage,
                path=path,
                waits=waits,
                quiet=quiet,
                chosen=chosen,
                # Who was guided through conditioning has done it.
                stated={"conditioned": True, **stated} if waits else stated,
            )
        except KeyboardInterrupt:
            tell("voicecheck: stopped before a seat was done; recordings are kept")
            sys.exit(130)
    _show_runs([result.run for result in results], as_json=as_json)
    if any(result.was_stopped for result in results):
        tell("voicecheck: stopped; the seats that were done are kept as a run")
        sys.exit(130)


def _sweep(
    opened: JobBook,
    view: TakeView,
    *,
    job: int,
    stage: str,
    path: str,
    waits: bool,
    quiet: bool,
    chosen: dict[str, Any],
    stated: dict[str, Any],
) -> tuple[SweepResult, ...]:
    """Choose the bench, and go through the seats."""
    from voicecheck.cli.guidance import SeatGuide, wrap
    from voicecheck.workflow.benches.choosing import choose_bench
    from voicecheck.workflow.benches.store import find_bench
    from voicecheck.workflow.sweeping.both import sweep_both
    from voicecheck.workflow.sweeping.run import sweep as run_sweep

    set_type = opened.load_type(opened.load_job(job).type_name)
    file = find_bench(opened, chosen["device"] or "")
    setup = file.setup if file is not None else None
    guide = SeatGuide(
        path,
        set_type.transmitter,
        feed_ma=setup.feed_ma if setup and setup.feed_ma is not None else set_type.feed_ma,
        view=view,
        setup=setup,
        waits=waits,
        quiet=quiet,
    )
    ready = choose_bench(
        set_type,
        book=opened,
        path=guide.measured_path,
        progress=view.update,
        stated=stated,
        **chosen,
    )
    for note in ready.notes:
        tell(wrap(note, "  note: ", "        "), quiet=quiet)
    around: dict[str, Any] = {
        "stage": stage,
        "bench": ready.bench,
        "programme": ready.programme,
        "n_seats": ready.n_seats,
        "before_seat": guide.before_seat,
        "after_seat": guide.after_seat,
        "stated": stated,
    }
    if path == "both":
        return sweep_both(opened, job, **around)
    return (run_sweep(opened, job, path=path, **around),)


def _collect_stated(conditioned: bool | None, **conditions: Any) -> dict[str, Any]:
    """Conditions that were given as options."""
    if conditions["ear"] not in (None, "coupler", "coil"):
        raise InputError(f"ear: need coupler or coil, got {conditions['ear']!r}")
    given = {"conditioned": conditioned, **conditions}
    return {name: value for name, value in given.items() if value is not None}


def _confirm_level(path: str, level_dbm: float | None, *, yes: bool) -> None:
    """Ask before a receiver is driven harder than the first time."""
    if level_dbm is not None and path != "receive":
        raise InputError(f"level_dbm: is for path receive, got path {path}")
    from voicecheck.records.benches import FIRST_RECEIVE_DBM

    if level_dbm is None or level_dbm <= FIRST_RECEIVE_DBM or yes:
        return
    if not is_terminal():
        raise InputError(
            f"level_dbm: {level_dbm:g} dBm is more than {FIRST_RECEIVE_DBM:g} dBm; without "
            "somebody to ask it needs --yes, with the receiver on its coupler"
        )
    question = (
        f"{level_dbm:g} dBm is louder than the {FIRST_RECEIVE_DBM:g} dBm that sweeps begin with,\n"
        "and can reach 104 to 110 dB SPL and more. Is the receiver on its coupler, and at\n"
        "nobody's ear? y to go on, q to stop."
    )
    while wait_for_key(question, "y") != "y":
        pass


def _show_runs(runs: list[Any], *, as_json: bool) -> None:
    if as_json:
        from voicecheck.records import to_document

        documents = [to_document(run) for run in runs]
        write_json(documents if len(documents) > 1 else documents[0])
        return
    from voicecheck.cli.show import render_run

    write_text("\n".join(map(render_run, runs)))


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
    write_text(render_table(rows, indent=""))
