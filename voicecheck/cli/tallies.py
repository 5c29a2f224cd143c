"""`statistics`: what the book says as a whole."""

from __future__ import annotations

import typer

from voicecheck.cli.common import Book, Json, write_json, write_text


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command("statistics")(show_statistics)


def show_statistics(book: Book = None, as_json: Json = False) -> None:
    """Count the book: jobs a month, faults by type, dials, how often the first cause was right."""
    from voicecheck.cli.show import say_simulated
    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.tallies import tally
    from voicecheck.workflow.wording import tell_tallies

    with open_book(book) as opened:
        found = tally(opened)
    if as_json:
        write_json(to_document(found))
        return
    if found.simulated:
        write_text(say_simulated())
    for title, lines in tell_tallies(found):
        write_text(title)
        write_text("\n".join(f"  {line}" for line in lines))
