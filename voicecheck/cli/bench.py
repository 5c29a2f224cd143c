"""`bench`: which wire goes where, and what a bench's levels are worth today."""

from __future__ import annotations

import dataclasses
import sys
from typing import TYPE_CHECKING, Annotated, Any

import typer

from voicecheck.cli import calibrating
from voicecheck.cli.common import Book, Json, Quiet, tell, write_json, write_text
from voicecheck.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from voicecheck.records.benches import BenchSetup, Device
    from voicecheck.workflow.benches.store import BenchFile

Name = Annotated[str, typer.Argument(help="Your name for the bench.")]
Channel = int | None


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    benches = typer.Typer(
        help="Benches: set-up, calibration, daily check.",
        rich_markup_mode=None,
        no_args_is_help=True,
    )
    benches.command("add", help="Set up a bench; asks what is not given.")(write)
    benches.command("list")(list_all)
    benches.command("show")(show)
    benches.command("edit", help="Change a bench; what no longer holds is said.")(write)
    benches.command("remove")(remove)
    calibrating.register(benches)
    app.add_typer(benches, name="bench")


def write(
    ctx: typer.Context,
    name: Name,
    device: Annotated[
        str | None, typer.Option(help="Sound device by name, or a part of one.")
    ] = None,
    host_api: Annotated[str | None, typer.Option(help="Only devices of this sound system.")] = None,
    input_device: Annotated[
        str | None, typer.Option(help="Where input is a device of its own.")
    ] = None,
    rate: Annotated[
        int | None, typer.Option(help="Samples per second: 44100, 48000, 96000.")
    ] = None,
    mouth: Annotated[Channel, typer.Option(help="Output of the mouth, from 1.")] = None,
    line_drive: Annotated[Channel, typer.Option(help="Output of the line drive.")] = None,
    line_tap: Annotated[Channel, typer.Option(help="Input of the line tap.")] = None,
    ear_channel: Annotated[Channel, typer.Option(help="Input of the ear.")] = None,
    ear: Annotated[str | None, typer.Option(help="coupler or coil.")] = None,
    feed_ma: Annotated[float | None, typer.Option(help="Feed current, mA.")] = None,
    feed_reading: Annotated[
        str | None, typer.Option(help="How the feed current is read, in your words.")
    ] = None,
    load_ohm: Annotated[float | None, typer.Option(help="Load of the line, ohm.")] = None,
    mouth_mm: Annotated[float | None, typer.Option(help="Mouth to mouthpiece, mm.")] = None,
    angle_deg: Annotated[float | None, typer.Option(help="Angle of the handset, degrees.")] = None,
    mouth_cap_dbfs: Annotated[
        float | None, typer.Option(help="Highest peak to the mouth, dBFS.")
    ] = None,
    line_drive_cap_dbfs: Annotated[
        float | None, typer.Option(help="Highest peak to the line drive, dBFS.")
    ] = None,
    meter_percent: Annotated[
        float | None, typer.Option(help="Accuracy of the volt meter, percent.")
    ] = None,
    microphone_curve: Annotated[
        str | None,
        typer.Option(
            metavar="FILE",
            help="Curve of the ear's microphone: Hz and dB it reads too much, perhaps a "
            "tolerance in dB; an empty name takes it off.",
        ),
    ] = None,
    notes: Annotated[str | None, typer.Option(help="What else should be known.")] = None,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Set up a bench, or change it."""
    given: dict[str, Any] = {
        "device": device,
        "host_api": host_api,
        "input_device": input_device,
        "rate_hz": rate,
        "mouth_channel": mouth,
        "line_drive_channel": line_drive,
        "line_tap_channel": line_tap,
        "ear_channel": ear_channel,
        "ear": ear,
        "feed_ma": feed_ma,
        "feed_reading": feed_reading,
        "load_ohm": load_ohm,
        "mouth_mm": mouth_mm,
        "angle_deg": angle_deg,
        "mouth_cap_dbfs": mouth_cap_dbfs,
        "line_drive_cap_dbfs": line_drive_cap_dbfs,
        "meter_percent": meter_percent,
        "notes": notes,
    }
    given = {key: value for key, value in given.items() if value is not None}
    if microphone_curve is not None:
        from voicecheck.workflow.benches.microphone import read_curve_file

        given["microphone_curve"] = read_curve_file(microphone_curve)
    keep = _add if ctx.info_name == "add" else _change
    setup = keep(book, name, given, quiet=quiet)
    if as_json:
        from voicecheck.records import to_document

        write_json(to_document(setup))


def _add(book: str | None, name: str, given: dict[str, Any], *, quiet: bool) -> BenchSetup:
    from voicecheck.records import BenchSetup
    from voicecheck.workflow.benches.choosing import list_sound_devices
    from voicecheck.workflow.benches.store import add_setup, find_bench
    from voicecheck.workflow.benches.view import name_devices
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        if find_bench(opened, name) is not None:
            raise InputError(
                f"bench {name!r} is in this book already: edit it, or take another name"
            )
        is_asked = "device" not in given
        if is_asked and not (sys.stdin.isatty() and sys.stderr.isatty()):
            raise InputError("bench add: nobody is here to ask: add --device NAME")
        devices = list_sound_devices()
        if is_asked:
            given = {**_ask(devices, given), **given}
        given, note = name_devices(given, devices)
        if note:
            tell(note, quiet=quiet)
        setup = BenchSetup(**{"name": name, **given})
        add_setup(opened, setup)
    tell(f"Set up bench {name} on {setup.device}.", quiet=quiet)
    tell(f'Next: voicecheck bench calibrate "{name}"', quiet=quiet)
    return setup


def _change(book: str | None, name: str, given: dict[str, Any], *, quiet: bool) -> BenchSetup:
    from voicecheck.workflow.benches.store import change_setup, load_bench
    from voicecheck.workflow.books import open_book

    if not given:
        raise InputError("bench edit: nothing to change; see `voicecheck bench edit --help`")
    with open_book(book) as opened:
        before = load_bench(opened, name).setup
        setup = dataclasses.replace(before, **given)
        _confirm_caps(before, setup)
        voided = change_setup(opened, setup)
    tell(f"Changed bench {name}.", quiet=quiet)
    if voided:
        tell(f"To be done again, the wires are others now: {', '.join(voided)}.", quiet=quiet)
    return setup


def _confirm_caps(before: BenchSetup, after: BenchSetup) -> None:
    """Ask before a stored limit of what may be played is raised; say it where nobody can answer."""
    from voicecheck.cli.keys import is_terminal, wait_for_key

    for what, old_dbfs, new_dbfs in (
        ("mouth", before.mouth_cap_dbfs, after.mouth_cap_dbfs),
        ("line drive", before.line_drive_cap_dbfs, after.line_drive_cap_dbfs),
    ):
        if new_dbfs <= old_dbfs:
            continue
        told = (
            f"The {what} may then be driven to {new_dbfs:g} dBFS, {new_dbfs - old_dbfs:.1f} dB "
            "more than before. Keep every receiver on its coupler and at nobody's ear."
        )
        if not is_terminal():
            tell(f"Caution: {told}")
            continue
        while wait_for_key(f"{told} y to go on, q to stop.", "y") != "y":
            pass


def _ask(devices: Sequence[Device], given: dict[str, Any]) -> dict[str, Any]:
    """Go through what a set-up needs, with what is likely as the answer offered."""
    if not devices:
        raise InputError("no sound device found; plug the interface in and try again")
    tell("Sound devices:")
    for number, one in enumerate(devices, 1):
        tell(f"  {number}  {one.name} ({one.n_outputs} out, {one.n_inputs} in, {one.host_api})")
    chosen = devices[_ask_number("Which one", 1, len(devices)) - 1]
    found: dict[str, Any] = {"device": chosen.name, "host_api": chosen.host_api}
    if chosen.n_inputs == 0:
        number = _ask_number("It has no input. Which one records", 1, len(devices))
        found["input_device"] = devices[number - 1].name
    for key, question, is_output in (
        ("mouth_channel", "Output of the mouth", True),
        ("line_drive_channel", "Output of the line drive", True),
        ("line_tap_channel", "Input of the line tap", False),
        ("ear_channel", "Input of the ear", False),
    ):
        count = max(1, chosen.n_outputs if is_output else chosen.n_inputs)
        usual = 1 if key in {"mouth_channel", "line_tap_channel"} else min(2, count)
        if key not in given:
            found[key] = _ask_number(question, usual, count) if count > 1 else 1
    if "ear" not in given:
        found["ear"] = typer.prompt("Ear: coupler or coil", default="coupler", err=True)
    if "feed_ma" not in given:
        found["feed_ma"] = typer.prompt("Feed current, mA", default=40.0, type=float, err=True)
    if "mouth_mm" not in given:
        question = "Mouth to mouthpiece, mm (0: not known)"
        found["mouth_mm"] = typer.prompt(question, default=0.0, type=float, err=True) or None
    return found


def _ask_number(question: str, usual: int, most: int) -> int:
    while True:
        number: int = typer.prompt(f"{question} (1 to {most})", default=usual, type=int, err=True)
        if 1 <= number <= most:
            return number


def list_all(book: Book = None, as_json: Json = False) -> None:
    """List the benches."""
    from voicecheck.cli.show import render_table
    from voicecheck.records import to_document
    from voicecheck.workflow.benches.store import list_benches
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        files = list_benches(opened)
    if as_json:
        write_json([to_document(file.setup) for file in files])
        return
    if not files:
        write_text("no benches; `voicecheck bench add NAME` sets one up")
        return
    rows = []
    for file in files:
        last = file.checks[-1] if file.checks else None
        state = "passed" if last and last.is_passed else "moved"
        checked = f"check {last.time_utc[:10]}: {state}" if last else "never checked"
        rows.append((file.setup.name, file.setup.device, f"{file.setup.rate_hz} Hz", checked))
    write_text(render_table([("bench", "device", "rate", "last check"), *rows], indent=""))


def show(
    name: Name,
    trend: Annotated[
        str | None, typer.Option(metavar="STEP", help="How one step's value went over time.")
    ] = None,
    book: Book = None,
    as_json: Json = False,
) -> None:
    """Show a bench: wires, calibration, which levels are absolute today."""
    from voicecheck.cli.benchshow import describe_bench, render_bench, render_trend
    from voicecheck.workflow.benches.store import load_bench
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        file: BenchFile = load_bench(opened, name)
    if as_json:
        write_json(describe_bench(file))
    elif trend is not None:
        write_text(render_trend(file, trend))
    else:
        write_text(render_bench(file))


def remove(name: Name, book: Book = None, quiet: Quiet = False) -> None:
    """Take a bench off the list; runs made on it stay."""
    from voicecheck.workflow.benches.store import remove_setup
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        remove_setup(opened, name)
    tell(f"Removed bench {name}.", quiet=quiet)
