"""`help`: the handbook on the terminal."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from voicecheck.cli.common import write_text


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command("help")(show_help)


def show_help(
    topic: Annotated[str, typer.Argument(help="A page of it, as bench or carbon.")] = "index",
) -> None:
    """Read the handbook: first job, a bench for little money, wiring, carbon, cautions."""
    from voicecheck.handbook import load_topic

    text = load_topic(topic).text
    if sys.stdout.isatty():
        from rich.console import Console
        from rich.markdown import Markdown

        Console().print(Markdown(text, hyperlinks=False))
        return
    write_text(text.rstrip("\n"))
