"""`compare`, `element`, `masks`: how a set stands to its type, and what is fitted."""

from __future__ import annotations

import shlex
from typing import Annotated

import typer

from voicecheck.cli.common import Book, JobNumber, Json, Numbers, write_json, write_text
from voicecheck.errors import InputError


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command("compare")(compare)
    app.command("element")(identify)
    app.command("masks")(list_masks)


def compare(
    job: JobNumber,
    stage: Annotated[
        str | None,
        typer.Option(
            help="Stage to judge. Default: where the job stands, if said; else after, else before."
        ),
    ] = None,
    against: Annotated[
        str,
        typer.Option(
            help="baseline, before, left (its last job), mask:FILE, element:STAGE or JOB:STAGE."
        ),
    ] = "baseline",
    result: Annotated[
        list[str] | None,
        typer.Option(metavar="TEST=VALUE", help="What a separating test gave; for the hints."),
    ] = None,
    numbers: Numbers = False,
    book: Book = None,
    as_json: Json = False,
) -> None:
    """Hold a set against its baseline, a mask or another stage, and say what is likely wrong."""
    from voicecheck.cli.tellshow import render_comparison_numbers, render_told
    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.papers.comparing import compare as compare_job
    from voicecheck.workflow.telling import tell as tell_comparison

    with open_book(book) as opened:
        comparison = compare_job(
            opened, job, stage=stage, against=against, results=_read_results(result or [])
        )
        told = None if as_json or numbers else tell_comparison(opened, comparison)
        runs = opened.list_runs(job=job, stage=comparison.stage) if numbers else ()
    if as_json:
        write_json(to_document(comparison))
    elif told is not None:
        write_text(render_told(told, numbers=_retype(job, stage, against)))
    else:
        write_text(render_comparison_numbers(comparison, runs))


def _retype(job: int, stage: str | None, against: str) -> str:
    """The command that shows the numbers of the same comparison."""
    words = ["voicecheck", "compare", str(job)]
    words += ["--stage", stage] if stage else []
    words += ["--against", against] if against != "baseline" else []
    return shlex.join([*words, "--numbers"])


def _read_results(texts: list[str]) -> dict[str, float]:
    """Names and numbers out of "name=value"."""
    results = {}
    for text in texts:
        name, _, value = text.partition("=")
        try:
            results[name.strip()] = float(value)
        except ValueError:
            raise InputError(f"result: need TEST=NUMBER, got {text!r}") from None
    return results


def identify(
    job: JobNumber,
    stage: Annotated[str, typer.Option(help="Stage of the transmit run.")] = "before",
    book: Book = None,
    as_json: Json = False,
) -> None:
    """Say which kind of transmitter element is fitted: carbon, electronic, or not clear."""
    from voicecheck.cli.show import say_simulated
    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.papers.comparing import identify as identify_job
    from voicecheck.workflow.standing import set_standing

    with open_book(book) as opened:
        identity = identify_job(opened, job, stage)
        simulated = set_standing(opened, job).simulated
    if as_json:
        write_json(to_document(identity))
        return
    lines = [say_simulated()] if simulated else []
    lines.append(f"{identity.kind} (confidence {identity.confidence})")
    write_text("\n".join([*lines, *(f"  {reason}" for reason in identity.reasons)]))


def list_masks(as_json: Json = False) -> None:
    """List the masks that come with the program."""
    from voicecheck.cli.show import render_table
    from voicecheck.workflow.papers.comparing import describe_masks
    from voicecheck.workflow.wording import say_source

    masks = describe_masks()
    if as_json:
        write_json(masks)
    else:
        rows = [(name, say_source(source, is_marked=False)) for name, source in masks.items()]
        write_text(render_table([("mask", "from"), *rows], indent=""))
