"""`baseline show`, `export` and `import`: baselines that clubs pass on."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from voicecheck.cli.common import (
    Book,
    Force,
    Json,
    Quiet,
    open_door,
    tell,
    write_json,
    write_text,
)

OUTCOMES = {
    "added": "Taken in; read its fingerprint to whoever sent it.",
    "newer": "Taken in in place of an older one of theirs; read its fingerprint to them.",
    "older": "Kept; a newer one of theirs is here and goes on counting.",
    "same": "It is in the book already; nothing was changed.",
    "own": "It was made from sets of this very book, which count already; nothing was changed.",
}
TypeName = Annotated[str, typer.Argument(metavar="TYPE", help="Set type.")]


def register(baselines: typer.Typer) -> None:
    """Add the commands to those of `baseline`."""
    baselines.command("show")(show_baseline)
    baselines.command("export")(export_club)
    baselines.command("import")(import_club)


def show_baseline(type_name: TypeName, book: Book = None, as_json: Json = False) -> None:
    """Show what a type is held against: its own sets, what clubs passed on, and all together."""
    from voicecheck.cli.show import render_baseline, render_club
    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.papers.clubs import list_clubs
    from voicecheck.workflow.papers.lookup import find_baselines, find_own_baselines

    with open_book(book) as opened:
        opened.load_type(type_name)
        own, clubs = find_own_baselines(opened, type_name), list_clubs(opened, type_name)
        together = find_baselines(opened, type_name)
    if as_json:
        document = {
            "own": [to_document(one) for one in own.values()],
            "clubs": [to_document(one) for one in clubs],
            "together": [to_document(one) for one in together.values()],
        }
        write_json(document)
        return
    lines = [f"built here: {render_baseline(one)}" for one in own.values()]
    lines += [render_club(one) for one in clubs]
    if clubs:
        lines += [f"together: {render_baseline(one)}\n  {one.method}" for one in together.values()]
    write_text("\n".join(lines) or f"no baseline of {type_name} yet; compare says what it can")


def export_club(
    type_name: TypeName,
    out: Annotated[
        Path | None, typer.Option(help="File to write. Default: named after the type.")
    ] = None,
    made_by: Annotated[
        str, typer.Option("--by", metavar="NAME", help="Who stands behind it, as told to others.")
    ] = "",
    with_sound: Annotated[
        bool, typer.Option("--recordings", help="With the reference sets' recordings: a large ZIP.")
    ] = False,
    force: Force = False,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Write a type's baselines, all paths, as one small file for others; no owners, no notes."""
    from voicecheck.records.clubfile import read_club
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.papers.clubs import make_club, name_club_file
    from voicecheck.workflow.papers.clubsound import list_sound, write_package
    from voicecheck.workflow.papers.lookup import REFERENCE

    file = out or Path(name_club_file(type_name, with_sound=with_sound))
    with open_book(book) as opened, open_door(force=force, quiet=quiet) as door:
        sound = list_sound(opened, type_name, REFERENCE) if with_sound else ()
        content = make_club(opened, type_name, made_by=made_by, recordings=sound)
        if with_sound:
            write_package(opened, file, content, sound, door)
        else:
            door.write(file, content)
    fingerprint = read_club(content, file.name).fingerprint
    n_bytes = file.stat().st_size if file.is_file() else len(content)
    if as_json:
        write_json({"file": str(file), "bytes": n_bytes, "fingerprint": fingerprint})
        return
    tell(
        f"Wrote {file} ({n_bytes / 1000:.0f} kB). Fingerprint: {fingerprint}",
        quiet=quiet,
    )


def import_club(
    file: Annotated[Path, typer.Argument(help="As `baseline export` wrote it.")],
    as_name: Annotated[
        str | None, typer.Option("--as", metavar="TYPE", help="What the type is called here.")
    ] = None,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Take in a baseline that a club passes on; your own and the job list stay as they are."""
    from voicecheck.cli.show import render_club
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.papers.clubs import take_club

    with open_book(book) as opened:
        club, outcome = take_club(opened, file, as_name=as_name)
    if as_json:
        write_json(
            {"type": club.type_name, "outcome": outcome, "fingerprint": club.fingerprint,
             "made_by": club.made_by, "bench": club.bench, "simulated": club.simulated}
        )  # fmt: skip
        return
    tell(f"{OUTCOMES[outcome]}\n{render_club(club)}", quiet=quiet)
