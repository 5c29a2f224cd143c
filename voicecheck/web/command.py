"""`page`: the bench page on this machine's own address."""

from __future__ import annotations

from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command("page")(open_page)


def open_page(
    book: Annotated[
        str | None,
        typer.Option(
            envvar="VOICECHECK_BOOK",
            metavar="PATH_OR_URL",
            help="Job book: a folder or a database address. Default: in your data folder.",
        ),
    ] = None,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port; 0 for a free one.")] = 0,
    no_open: Annotated[bool, typer.Option("--no-open", help="Do not open a browser.")] = False,
) -> None:
    """Serve the job book as a page for this machine's browser."""
    from voicecheck.web.serving import serve_page

    serve_page(book, port, tell=typer.echo, opens_browser=not no_open)
