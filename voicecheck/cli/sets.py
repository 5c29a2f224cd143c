"""`set list`, `show` and `edit`; `job label`: sets that come back, and the label of a box."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from voicecheck.cli.common import (
    Book,
    Force,
    JobNumber,
    Json,
    Quiet,
    open_door,
    tell,
    write_json,
    write_text,
)
from voicecheck.cli.fields import ask_also

if TYPE_CHECKING:
    from voicecheck.records.fields import Field
    from voicecheck.records.sets import Telephone

SetNumber = Annotated[int, typer.Argument(metavar="SET", help="Number of the set.")]


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    sets = typer.Typer(
        help="List, show and change sets, which keep their jobs over the years.",
        rich_markup_mode=None,
        no_args_is_help=True,
    )
    sets.command("list")(list_sets)
    sets.command("show")(show_set)
    sets.command("edit")(ask_also(edit_set, list_changes))
    app.add_typer(sets, name="set")


def list_sets(
    search: Annotated[str | None, typer.Argument(help="Only sets that hold this text.")] = None,
    limit: Annotated[int, typer.Option(min=1, help="How many at most.")] = 50,
    offset: Annotated[int, typer.Option(min=0, help="How many to pass over.")] = 0,
    book: Book = None,
    as_json: Json = False,
) -> None:
    """List sets with their jobs, the newest first."""
    from voicecheck.cli.show import render_table
    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        found = opened.list_sets(search=search, limit=limit, offset=offset)
    if as_json:
        write_json([to_document(one) for one in found])
        return
    rows = [
        (str(one.set), one.label, one.type_name, one.colour, ", ".join(map(str, one.jobs)))
        for one in found
    ]
    heads = ("set", "label", "type", "colour", "jobs")
    write_text(render_table([heads, *rows], indent="") if rows else "no set has these words")


def show_set(
    number: SetNumber,
    picture: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Its level over the years as PNG, SVG or PDF."),
    ] = None,
    force: Force = False,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Show a set: what it is known by, its jobs, and how its level moved over the years."""
    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.sets import list_levels, load_history, say_drift, write_drift

    with open_book(book) as opened:
        history = load_history(opened, number)
        levels = list_levels(opened, number)
        if picture is not None:
            with open_door(force=force, quiet=quiet) as door:
                write_drift(levels, history.telephone.label, picture, door)
    if as_json:
        document = to_document(history.telephone)
        told = {
            "stays": [to_document(one) for one in history.stays],
            "levels": [to_document(one) for one in levels],
        }
        write_json({**document, **told})
        return
    write_text("\n".join(_tell_set(history.telephone)))
    for stay in history.stays:
        gone = f", gone {stay.closed_utc[:10]}" if stay.closed_utc else ""
        write_text(f"  job {stay.job}: {stay.label}, came in {stay.opened_utc[:10]}{gone}")
    for line in say_drift(levels):
        write_text(line)
    if picture is not None:
        tell(f"Wrote {picture}.", quiet=quiet)


def _tell_set(one: Telephone) -> list[str]:
    from voicecheck.records.fields import list_fields
    from voicecheck.records.sets import SetWords

    told = ((word.label.lower(), getattr(one, word.name)) for word in list_fields(SetWords))
    lines = [f"{label}: {text}" for label, text in told if text]
    return [f"Set {one.set}: {one.label} ({one.type_name})", *lines]


def list_changes() -> tuple[Field, ...]:
    """What may be changed of a set's words; what is left out stays."""
    import dataclasses

    from voicecheck.records.fields import list_fields
    from voicecheck.records.sets import SetWords

    return tuple(dataclasses.replace(one, default=None) for one in list_fields(SetWords))


def edit_set(
    number: SetNumber,
    label: Annotated[str | None, typer.Option(help="What the set is called.")] = None,
    type_name: Annotated[
        str | None, typer.Option("--type", metavar="NAME", help="Its set type.")
    ] = None,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
    **words: str | None,
) -> None:
    """Change what a set is known by; its jobs keep what they say."""
    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        changed = opened.edit_set(number, label=label, type_name=type_name, **words)
    if as_json:
        write_json(to_document(changed))
    else:
        tell(f"Changed set {number}.", quiet=quiet)


def write_label(
    job: JobNumber,
    file: Annotated[Path, typer.Argument(metavar="FILE.svg", help="File to write.")],
    force: Force = False,
    book: Book = None,
    quiet: Quiet = False,
) -> None:
    """Write the label of the set's box: 62 mm by 29 mm, its code holds job and label as text."""
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.sets import make_label

    with open_book(book) as opened:
        label = make_label(opened, job)
    with open_door(force=force, quiet=quiet) as door:
        door.write(file, label)
    tell(f"Wrote {file}.", quiet=quiet)
