"""`line list`, `add` and `show`: lines by name; `fits`: a set on one of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from voicecheck.cli.common import Book, JobNumber, Json, Quiet, tell, write_json, write_text
from voicecheck.cli.fields import MadeCommand, ask_also
from voicecheck.cli.helping import UncutGroup

if TYPE_CHECKING:
    from voicecheck.records import Fit, LineProfile
    from voicecheck.records.fields import Field

LINE, READINGS = "line", "readings"
LineName = Annotated[str, typer.Argument(metavar="NAME", help="Of the line; see line list.")]


class LineGroup(UncutGroup):
    """Commands for lines by name; whatever names none of them is a reading of a meter."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Put the command for readings in front of what is none of the others."""
        if not args or (args[0] not in self.commands and args[0] != "--help"):
            args = [READINGS, *args]
        return super().parse_args(ctx, args)

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        """A job and readings, or a command."""
        del ctx
        return ["[JOB] [READINGS] | COMMAND [ARGS]..."]

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """The options of the readings, then the commands."""
        self.commands[READINGS].format_options(ctx, formatter)
        self.format_commands(ctx, formatter)


def register(app: typer.Typer) -> None:
    """Add the command `fits` to the command line."""
    app.command("fits")(fit_job)


def add_line_group(app: typer.Typer, readings: MadeCommand, about: str) -> None:
    """Add `line` with its readings and its commands."""
    lines = typer.Typer(help=about, cls=LineGroup, rich_markup_mode=None)
    lines.command(READINGS, help=about, hidden=True)(readings)
    lines.command("list")(list_lines)
    lines.command("add")(ask_also(add_line, list_typed))
    lines.command("show")(show_line)
    app.add_typer(lines, name=LINE)


def list_typed() -> tuple[Field, ...]:
    """What may be typed of a line."""
    from voicecheck.records import LineProfile
    from voicecheck.records.fields import list_fields

    return list_fields(LineProfile)


def list_lines(
    search: Annotated[
        str | None, typer.Argument(help="Only lines that hold this text; else no countries.")
    ] = None,
    book: Book = None,
    as_json: Json = False,
) -> None:
    """List lines by name: exchanges, adapters, private exchanges and your own."""
    from voicecheck.cli.show import render_table
    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.fits import list_lines as list_all
    from voicecheck.workflow.fits import tell_line

    with open_book(book) as opened:
        found = list_all(opened)
    if search is not None:
        found = tuple(one for one in found if search.casefold() in one.name.casefold())
    if as_json:
        write_json([to_document(one) for one in found])
        return
    rows = [(one.name, tell_line(one)) for one in found]
    write_text(render_table([("line", "pulses, feed, ringing"), *rows], indent=""))


def add_line(
    name: Annotated[str, typer.Argument(metavar="NAME", help="What to call the line.")],
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
    **typed: Any,
) -> None:
    """Keep a line of your own in the book; one of that name is replaced."""
    from voicecheck.cli.fields import read_fields
    from voicecheck.records import LineProfile, to_document
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.fits import add_line as keep_line

    with open_book(book) as opened:
        kept = keep_line(opened, LineProfile(name=name, **read_fields(list_typed(), typed)))
    if as_json:
        write_json(to_document(kept))
    else:
        tell(f"Kept line {kept.name!r}.", quiet=quiet)


def show_line(name: LineName, book: Book = None, as_json: Json = False) -> None:
    """Show a line: every value with its source."""
    from voicecheck.cli.show import render_table
    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.fits import find_line

    with open_book(book) as opened:
        profile = find_line(opened, name)
    if as_json:
        write_json(to_document(profile))
    else:
        rows, sources = _list_values(profile)
        told = "".join(f"\n  {number}: {one}" for number, one in enumerate(sources, 1))
        write_text(f"{profile.name}\n{render_table(rows)}{told}")


def _list_values(profile: LineProfile) -> tuple[list[tuple[str, str, str]], list[str]]:
    """Each value with the number of its source, and the sources in words."""
    from voicecheck.workflow.wording import say_source

    sources: list[str] = []
    values = ((one, getattr(profile, one.name)) for one in list_typed())
    rows = []
    for field, value in values:
        if value is None or value == "":
            continue
        shown = {True: "yes", False: "no"}.get(value, value) if field.kind == "yes or no" else value
        told = f"{shown:g}" if isinstance(shown, float) else str(shown)
        source = profile.sources.get(field.name, "typed in" if not profile.sources else "")
        said = say_source(source, is_marked=False)
        sources += [said] if source and said not in sources else []
        number = str(sources.index(said) + 1) if source else ""
        rows.append((field.label, f"{told} {field.bounds.unit}".rstrip(), number))
    return [("", "", "source"), *rows], sources


def fit_job(
    job: JobNumber,
    line: Annotated[str, typer.Option(metavar="NAME", help="Line to hold it against.")],
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Say whether a set's dial, bell and speech fit a line, and what to do where they do not."""
    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.fits import CAUTIONS, fit_line

    with open_book(book) as opened:
        fit = fit_line(opened, job, line)
    if as_json:
        write_json(to_document(fit))
        return
    write_text("\n".join(_render(fit)))
    for caution in CAUTIONS:
        tell(f"Caution: {caution[0].lower()}{caution[1:]}", quiet=quiet)


def _render(fit: Fit) -> list[str]:
    """Verdict, then every finding with what to do."""
    from voicecheck.cli.show import say_simulated
    from voicecheck.cli.tellshow import wrap

    lines = [say_simulated()] if fit.is_simulated else []
    lines.append(f"Job {fit.job} on {fit.line}: {fit.overall}")
    for one in fit.findings:
        head = f"  {one.part:9} {one.verdict:14} "
        lines.append(wrap(one.sentence, head, " " * len(head)))
        if one.advice:
            lines.append(wrap(one.advice, " " * len(head) + "Do: ", " " * (len(head) + 4)))
    return lines
