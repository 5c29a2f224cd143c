"""`check`: the check list of a job."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from voicecheck.cli.common import Book, Force, Json, Quiet, open_door, tell, write_json, write_text


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command("check")(check)


def check(
    job: Annotated[int | None, typer.Argument(metavar="JOB", help="Number of the job.")] = None,
    done: Annotated[
        list[str] | None, typer.Option(metavar="STEP[=FOUND]", help="Tick a step; repeat.")
    ] = None,
    skip: Annotated[
        list[str] | None,
        typer.Option(metavar="STEP=REASON", help="Say why a step is not tested; repeat."),
    ] = None,
    reopen: Annotated[list[int] | None, typer.Option(help="Open a step again; repeat.")] = None,
    variant: Annotated[str, typer.Option(help="desk or wall.")] = "",
    fitted: Annotated[str, typer.Option(help="Jack conversion: what was fitted.")] = "",
    removed: Annotated[str, typer.Option(help="Jack conversion: what was removed.")] = "",
    kept: Annotated[str, typer.Option(help="Jack conversion: old parts kept with the set.")] = "",
    final: Annotated[
        str, typer.Option(help="ready or not ready; ready only when no step is open.")
    ] = "",
    list_file: Annotated[
        Path | None, typer.Option("--list", metavar="FILE", help="Your own check list (CSV).")
    ] = None,
    template: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write the check list to a file to be edited, and end."),
    ] = None,
    force: Force = False,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Go through the check list: what was measured fills itself in, the rest is ticked."""
    from voicecheck.cli.checkout_show import render_list, render_ticked
    from voicecheck.cli.tellshow import render_next
    from voicecheck.errors import InputError
    from voicecheck.records import JackConversion, to_document
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.checks.checklist import load_list, update_list, write_template
    from voicecheck.workflow.standing import set_standing

    if template is not None:
        with open_door(force=force, quiet=quiet) as door:
            tell(f"Wrote {write_template(template, door)}.", quiet=quiet)
        return
    if job is None:
        raise InputError("check: need the number of a job")
    has_jack = bool(fitted or removed or kept)
    ticks, skips = _read_pairs(done, "--done"), _read_pairs(skip, "--skip")
    touched = (*ticks, *skips, *(reopen or ()))
    with open_book(book) as opened:
        checked = update_list(
            opened,
            job,
            variant=variant,
            done=ticks,
            skipped=skips,
            reopened=tuple(reopen or ()),
            jack=JackConversion(fitted=fitted, removed=removed, kept=kept) if has_jack else None,
            final=final,
            template=load_list(list_file) if list_file is not None else None,
        )
        step = set_standing(opened, job).next_step
    if as_json:
        write_json({**to_document(checked), "open": list(checked.open_steps)})
    elif touched:
        write_text(render_ticked(checked, touched, step))
    else:
        write_text("\n".join((render_list(checked), *render_next(step))))


def _read_pairs(texts: list[str] | None, option: str) -> dict[int, str]:
    from voicecheck.errors import InputError

    pairs = {}
    for text in texts or ():
        number, _, words = text.partition("=")
        if not number.strip().isdecimal():
            raise InputError(f"{option}: need a step's number first, got {text[:40]!r}")
        pairs[int(number)] = words.strip()
    return pairs
