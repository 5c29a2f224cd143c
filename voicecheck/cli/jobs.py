"""`type`, `job`, `baseline`, `report`: what works on the job book."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from voicecheck.cli import clubs
from voicecheck.cli.common import (
    AllNumbers,
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
from voicecheck.cli.keys import is_terminal

if TYPE_CHECKING:
    from voicecheck.records.fields import Field


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    _register_types(app)
    _register_jobs(app)
    _register_baselines(app)
    app.command("report")(report)


def _register_types(app: typer.Typer) -> None:
    # Not above: what further belongs to types and jobs stands in modules that build on this one.
    from voicecheck.cli import filing

    types = typer.Typer(
        help="Add, list, change and remove set types.", rich_markup_mode=None, no_args_is_help=True
    )
    types.command("add")(add_type)
    types.command("list")(list_types)
    filing.register_types(types)
    app.add_typer(types, name="type")


def _register_jobs(app: typer.Typer) -> None:
    from voicecheck.cli import books, filing, sets

    jobs = typer.Typer(
        help="Open, note, finish and close jobs; their takes and time line.",
        rich_markup_mode=None,
        no_args_is_help=True,
    )
    jobs.command("open")(ask_also(open_job, list_words))
    jobs.command("list")(list_jobs)
    jobs.command("show")(show_job)
    jobs.command("edit")(ask_also(books.edit_job, books.list_changes))
    jobs.command("note")(note_job)
    jobs.command("cause")(keep_cause)
    jobs.command("done")(filing.finish_work)
    jobs.command("attach")(books.attach)
    jobs.command("timeline")(books.timeline)
    jobs.command("export")(books.export_job)
    jobs.command("forget")(books.forget_owner)
    jobs.command("close")(close_job)
    jobs.command("reopen")(books.reopen_job)
    jobs.command("label")(sets.write_label)
    filing.register_jobs(jobs)
    app.add_typer(jobs, name="job")


def _register_baselines(app: typer.Typer) -> None:
    baselines = typer.Typer(
        help="Build, list, send and take in what good sets of a type do.",
        rich_markup_mode=None,
        no_args_is_help=True,
    )
    baselines.command("build")(build_baseline)
    baselines.command("list")(list_baselines)
    clubs.register(baselines)
    app.add_typer(baselines, name="baseline")


def add_type(
    name: Annotated[str, typer.Argument(help="Your name for this kind of telephone.")],
    transmitter: Annotated[str, typer.Option(help="carbon, electret or moving-coil.")],
    feed_ma: Annotated[float, typer.Option(help="Feed current it is measured at, mA.")] = 40.0,
    region: Annotated[
        str | None,
        typer.Option(help="Region for dial and tone limits; without it a dial has no verdict."),
    ] = None,
    wiring: Annotated[str, typer.Option(help="Wiring notes: terminals, colours.")] = "",
    normal: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=LOW..HIGH[UNIT]", help="A value that a set should show."),
    ] = None,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Add a set type."""
    from voicecheck.records import SetType, to_document
    from voicecheck.workflow.books import open_book, read_normal_value
    from voicecheck.workflow.settypes import check_typed

    if region is None:
        region = _ask_region() if is_terminal() else ""
    set_type = SetType(
        name=name,
        transmitter=transmitter,
        feed_ma=feed_ma,
        region=region,
        wiring=wiring,
        normal_values=tuple(map(read_normal_value, normal or ())),
    )
    set_type = check_typed(set_type)
    with open_book(book) as opened:
        opened.add_type(set_type)
    if as_json:
        write_json(to_document(set_type))
    else:
        tell(f"Added set type {name}: {transmitter}, {feed_ma:g} mA.", quiet=quiet)


def _ask_region() -> str:
    """Region of a list, by its number; Enter for none."""
    from voicecheck.workflow.settypes import list_known_regions

    regions = list_known_regions()
    tell("Which region is the set of? Its dial and tones are held against that region's limits.")
    for number, name in enumerate(regions, start=1):
        tell(f"  {number:2d} {name}")
    tell("Number, or Enter for none (a dial has no verdict then):")
    typed = sys.stdin.readline().strip()
    if typed.isdecimal() and 1 <= int(typed) <= len(regions):
        return regions[int(typed) - 1]
    return typed


def list_types(book: Book = None, as_json: Json = False) -> None:
    """List the set types."""
    from voicecheck.cli.show import render_types
    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        types = opened.list_types()
    if as_json:
        write_json([to_document(one) for one in types])
    else:
        write_text(render_types(types))


def list_words() -> tuple[Field, ...]:
    """What may be written about a job."""
    from voicecheck.records.fields import list_fields
    from voicecheck.records.jobwords import JobWords

    return list_fields(JobWords)


def open_job(
    label: Annotated[str, typer.Argument(help="What the job is called on the bench.")],
    type_name: Annotated[str, typer.Option("--type", metavar="NAME", help="Its set type.")],
    of_set: Annotated[
        int | None, typer.Option("--set", metavar="N", help="A set that comes back, by its number.")
    ] = None,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
    **words: str,
) -> None:
    """Open a job for one set."""
    from voicecheck.cli.tellshow import tell_next
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        job = opened.open_job(label, type_name, of_set=of_set, **words)
        if as_json:
            write_json({"job": job.job})
        else:
            tell(f"Opened job {job.job}: {label} ({type_name}).", quiet=quiet)
            tell_next(opened, job.job, quiet=quiet)


def list_jobs(
    search: Annotated[str | None, typer.Argument(help="Only jobs that hold this text.")] = None,
    limit: Annotated[int, typer.Option(min=1, help="How many at most.")] = 50,
    offset: Annotated[int, typer.Option(min=0, help="How many to pass over.")] = 0,
    book: Book = None,
    as_json: Json = False,
) -> None:
    """List jobs, the newest first."""
    from voicecheck.cli.show import render_jobs
    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        jobs = opened.list_jobs(search=search, limit=limit, offset=offset)
    if as_json:
        write_json([to_document(job) for job in jobs])
    else:
        write_text(render_jobs(jobs))


def show_job(
    job: JobNumber, numbers: AllNumbers = False, book: Book = None, as_json: Json = False
) -> None:
    """Show a job: where its set stands, part by part, and what is next."""
    from voicecheck.cli.show import render_jobs, render_run
    from voicecheck.cli.tellshow import render_told
    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.telling import tell_standing

    with open_book(book) as opened:
        record = opened.load_job(job)
        runs = opened.list_runs(job=job)
        standing = tell_standing(opened, job)
    if as_json:
        write_json({**to_document(record), "runs": [to_document(run) for run in runs]})
        return
    lines = [render_jobs([record])]
    told = ((word.label.lower(), getattr(record, word.name)) for word in list_words())
    lines += [f"{label}: {text}" for label, text in told if text]
    lines += [f"note: {note}" for note in record.notes]
    if numbers:
        lines += [render_run(run) for run in runs]
    else:
        lines.append(render_told(standing, numbers=f"voicecheck job show {job} --numbers"))
    write_text("\n".join(lines))


def close_job(job: JobNumber, book: Book = None, quiet: Quiet = False) -> None:
    """Close a job."""
    from voicecheck.cli.tellshow import tell_backup
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        opened.close_job(job)
        tell_backup(opened)
    tell(f"Closed job {job}; `voicecheck job reopen {job}` opens it again.", quiet=quiet)


def note_job(
    job: JobNumber,
    text: Annotated[str, typer.Argument(help="What was done or seen.")],
    book: Book = None,
    quiet: Quiet = False,
) -> None:
    """Add a note to a job; the report tells it as work done."""
    from voicecheck.cli.tellshow import tell_next
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        opened.add_note(job, text)
        tell(f"Noted with job {job}.", quiet=quiet)
        tell_next(opened, job, quiet=quiet)


def keep_cause(
    job: JobNumber,
    cause: Annotated[
        str, typer.Argument(metavar="CODE|TEXT", help="A likely cause's code, or words.")
    ],
    book: Book = None,
    quiet: Quiet = False,
) -> None:
    """Keep what was wrong in the end; it weighs a little in this book's likely causes."""
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.papers import answers

    with open_book(book) as opened:
        kept = answers.keep_cause(opened, job, cause)
    tell(f"Kept with job {job}: it was {kept}.", quiet=quiet)


def build_baseline(
    type_name: Annotated[str, typer.Argument(metavar="TYPE", help="Set type.")],
    path: Annotated[str | None, typer.Option(help="Only this path.")] = None,
    without: Annotated[
        list[int] | None,
        typer.Option(metavar="JOB", min=1, help="Leave this job's set out (may be repeated)."),
    ] = None,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Build the baseline of a type from its runs of stage `reference`; doubted sets are named."""
    from voicecheck.cli.show import render_baseline
    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.papers.comparing import build_baselines

    with open_book(book) as opened:
        baselines = build_baselines(opened, type_name, path, without=without or ())
    if as_json:
        documents = [to_document(baseline) for baseline in baselines]
        write_json(documents if len(documents) > 1 else documents[0])
        return
    for baseline in baselines:
        tell(render_baseline(baseline), quiet=quiet)


def list_baselines(book: Book = None, as_json: Json = False) -> None:
    """List the baselines."""
    from voicecheck.cli.show import render_baseline
    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        baselines = opened.list_baselines()
    if as_json:
        write_json([to_document(baseline) for baseline in baselines])
    else:
        write_text("\n".join(map(render_baseline, baselines)) or "no baselines")


def report(
    job: JobNumber,
    out: Annotated[Path, typer.Option(help="Folder to write to.")] = Path("reports"),
    pdf: Annotated[bool, typer.Option("--pdf", help="Also as PDF (needs the extra pdf).")] = False,
    paper: Annotated[
        str, typer.Option(help="A4 or Letter; if left out, what the language prints on.")
    ] = "",
    language: Annotated[
        str, typer.Option(help="Of what the owner reads; if left out, the job's own.")
    ] = "",
    shop: Annotated[
        str, typer.Option(envvar="VOICECHECK_SHOP", help="The shop's name, on the first page.")
    ] = "",
    force: Force = False,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Write the chart and the report of a job."""
    from voicecheck.cli.tellshow import tell_next
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.papers.reporting import report_job

    with open_book(book) as opened, open_door(force=force, quiet=quiet) as door:
        files = report_job(
            opened, job, out, pdf=pdf, paper=paper, language=language, shop=shop, door=door
        )
        if as_json:
            write_json({"files": [str(file) for file in files]})
            return
        first = next((file for file in files if file.suffix == ".html"), out)
        tell(f"Wrote the report of job {job}, {len(files)} files; open {first}.", quiet=quiet)
        tell_next(opened, job, quiet=quiet)
