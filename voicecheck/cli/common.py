"""Options that every command has, and where output goes."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperOption

from voicecheck.cli.screen import clean_lines, shorten_words
from voicecheck.writing import Door

JobNumber = Annotated[int, typer.Argument(metavar="JOB", help="Number of the job.")]
Book = Annotated[
    str | None,
    typer.Option(
        "--book",
        envvar="VOICECHECK_BOOK",
        metavar="PATH_OR_URL",
        help="Job book: a folder or a database address. Default: in your data folder.",
    ),
]
Numbers = Annotated[
    bool, typer.Option("--numbers", help="Show every number, and what each interval is made of.")
]
AllNumbers = Annotated[bool, typer.Option("--numbers", help="Show every number, in tables.")]
Json = Annotated[
    bool, typer.Option("--json", help="Print one JSON document and nothing else to the output.")
]
Force = Annotated[bool, typer.Option("--force", help="Write also over a file of another kind.")]
Quiet = Annotated[bool, typer.Option("--quiet", help="No progress and no messages but errors.")]


def with_ranges(list_records: Callable[[], tuple[type, ...]]) -> type[TyperCommand]:
    """
    A kind of command whose help shows what the options may hold, as records bound it.

    Parameters
    ----------
    list_records : callable
        Gives the records, when the help is asked for; options are fields of them by name.
    """

    class WithRanges(TyperCommand):
        def format_help(self, ctx: Any, formatter: Any) -> None:
            for option in self.params:
                if isinstance(option, TyperOption) and (
                    text := _find_range(list_records(), option.name or "")
                ):
                    option.help = f"{option.help or ''} [{text}]".strip()
            super().format_help(ctx, formatter)

    return WithRanges


def _find_range(records: tuple[type, ...], name: str) -> str:
    """What a field of that name may hold; a count's field begins with n_."""
    from voicecheck.records.bounds import list_bounds

    for record in records:
        bounds = list_bounds(record)
        if found := bounds.get(name) or bounds.get(f"n_{name}"):
            return found.text
    return ""


def write_json(document: Any) -> None:
    """Print one document to standard output."""
    from voicecheck.records.documents import format_json

    sys.stdout.write(format_json(document) + "\n")


PLAIN = {0x2212: "-", 0x2013: "-", 0x00B1: "+/-"}
"""Minus, dash and plus-minus in letters that every console has."""


def write_text(text: str) -> None:
    """Print text to standard output; signs that it cannot show are told in plain letters."""
    text = clean_lines(text)
    encoding = sys.stdout.encoding or "utf-8"
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        text = text.translate(PLAIN).encode(encoding, "replace").decode(encoding)
    sys.stdout.write(text + "\n")


def tell(message: str, *, quiet: bool = False) -> None:
    """Print a message to standard error, unless asked to be quiet."""
    if not quiet:
        sys.stderr.write(shorten_words(clean_lines(message)) + "\n")


@contextmanager
def open_door(*, force: bool, quiet: bool) -> Iterator[Door]:
    """
    The way in which a command writes files; says at the end what took the place of others.

    Yields
    ------
    Door
    """
    replaced: list[Path] = []
    try:
        yield Door(force=force, on_replace=replaced.append)
    finally:
        if len(replaced) == 1:
            tell(f"Replaced {replaced[0]}, which was there.", quiet=quiet)
        elif replaced:
            where = replaced[0].parent
            tell(f"Replaced {len(replaced)} files that were there in {where}.", quiet=quiet)


def _do_nothing(to: float | None = None) -> None:
    """Stand in for a progress bar where there is none."""
    del to


@contextmanager
def show_progress(total: int, label: str, *, quiet: bool) -> Iterator[Any]:
    """
    A progress bar on a terminal; nothing in a pipe or when quiet.

    Yields
    ------
    callable
        Advances by one, or to a fraction of `total` when given `to=`.
    """
    if quiet or not sys.stderr.isatty():
        yield _do_nothing
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=total)

        def advance(to: float | None = None) -> None:
            if to is None:
                bar.advance(task)
            else:
                bar.update(task, completed=to)

        yield advance
