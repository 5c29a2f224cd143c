"""`sweep` and what it can run on."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer

from voicecheck.cli.common import Book, Json, Quiet, show_progress, tell, write_json, write_text
from voicecheck.cli.jobs import JobNumber
from voicecheck.errors import InputError


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command("sweep")(sweep)
    app.command("handsets")(list_handsets)
    app.command("devices")(list_devices)


def sweep(
    job: JobNumber,
    stage: Annotated[str, typer.Option(help="before, after, reference, or a label.")],
    path: Annotated[str, typer.Option(help="transmit, receive, sidetone or loop.")],
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
        str | None, typer.Option(metavar="NAME", help="Sound device of the bench.")
    ] = None,
    seats: Annotated[
        int | None, typer.Option(help="How often to seat the handset anew. Default 3.")
    ] = None,
    channel: Annotated[int, typer.Option(help="Channel that is recorded, from 1.")] = 1,
    out_channel: Annotated[int, typer.Option(help="Channel that is played, from 1.")] = 1,
    yes: Annotated[
        bool, typer.Option("--yes", help="Do not wait for a key between seats.")
    ] = False,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Record (or load) one path of a set, seat by seat, and keep it with the job."""
    from voicecheck.workflow.benches import choose_bench
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.sweeps import sweep as run_sweep

    files = [*(recording or []), *(more or [])]
    with open_book(book) as opened:
        set_type = opened.load_type(opened.load_job(job).type_name)
        with show_progress(100, f"{path}, {stage}", quiet=quiet) as advance:
            chosen = choose_bench(
                set_type,
                files=files,
                signal=signal,
                simulated=simulated,
                seed=seed,
                device=bench,
                channels=(out_channel, channel),
                n_seats=seats,
                progress=lambda fraction, _level: advance(to=100 * fraction),
            )
            guide = _guide(path, set_type.transmitter, waits=bench is not None and not yes)
            result = run_sweep(
                opened,
                job,
                stage=stage,
                path=path,
                bench=chosen.bench,
                programme=chosen.programme,
                n_seats=chosen.n_seats,
                before_seat=guide,
                after_seat=lambda seat, found: _tell_seat(seat, found, quiet=quiet),
            )
    _show_run(result.run, as_json=as_json)
    if result.was_stopped:
        tell("voicecheck: stopped; the seats that were done are kept as a run")
        raise typer.Exit(130)


def _show_run(run: Any, *, as_json: bool) -> None:
    if as_json:
        from voicecheck.records import to_document

        write_json(to_document(run))
        return
    from voicecheck.cli.show import render_run

    write_text(render_run(run))


def _guide(path: str, transmitter: str, *, waits: bool) -> Callable[[int, int], None] | None:
    """Before each seat of a real bench: what to do now, and wait for a key."""
    if not waits or not sys.stdin.isatty():
        return None
    conditioning = (
        " Feed on, wait 5 s, then turn the handset over slowly twice (P.75)."
        if transmitter == "carbon" and path != "receive"
        else ""
    )

    def guide(seat: int, n_seats: int) -> None:
        tell(
            f"Seat {seat} of {n_seats}: seat the handset in the jig, receiver on the coupler, "
            f"never at an ear.{conditioning} Press Enter to start."
        )
        if not sys.stdin.readline():
            raise KeyboardInterrupt

    return guide


def _tell_seat(seat: int, found: Any, *, quiet: bool) -> None:
    """One line about a seat that is done."""
    if isinstance(found, Exception):
        tell(f"  seat {seat}: not usable: {found} (the recording is kept)", quiet=quiet)
        return
    level = found.bands.at_1khz_db
    text = "withheld" if level is None else f"{level:.2f}"
    unit = found.response.unit if found.response else "dB"
    kinds = ", ".join(sorted({problem.kind for problem in found.problems}))
    tell(f"  seat {seat}: {text} {unit} at 1 kHz" + (f" ({kinds})" if kinds else ""), quiet=quiet)


def list_handsets(as_json: Json = False) -> None:
    """List the simulated handsets and their faults."""
    from voicecheck.cli.show import render_table
    from voicecheck.workflow.benches import list_simulated

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
    from voicecheck.workflow.benches import list_sound_devices

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
