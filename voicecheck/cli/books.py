"""`book`, `export`, `import` and the further things done with a job."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from voicecheck.cli.common import (
    Book,
    JobNumber,
    Json,
    Quiet,
    show_progress,
    tell,
    write_json,
    write_text,
)
from voicecheck.cli.fields import ask_also
from voicecheck.cli.filing import empty_bin
from voicecheck.cli.jobs import list_words
from voicecheck.cli.keys import is_terminal, wait_for_key
from voicecheck.errors import InputError, JobBookError

if TYPE_CHECKING:
    from voicecheck.records.fields import Field


MOST_WORKERS = 256
UNFILED = "unfiled-recording"
"""Whole, and filed when asked for: no damage."""


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    books = typer.Typer(
        help="Check, copy and mend the job book; empty its bin.",
        rich_markup_mode=None,
        no_args_is_help=True,
    )
    books.command("verify")(verify)
    books.command("backup")(backup)
    books.command("restore")(restore)
    books.command("reanalyze")(reanalyze)
    books.command("salvage")(salvage)
    books.command("empty-bin")(empty_bin)
    app.add_typer(books, name="book")
    exports = typer.Typer(
        help="Send a job or a baseline as one file.", rich_markup_mode=None, no_args_is_help=True
    )
    exports.command("job")(export_job)
    exports.command("baseline")(export_baseline)
    app.add_typer(exports, name="export")
    app.command("import")(import_parcel)
    # Older spellings of commands that stand with `job`.
    app.command("edit", hidden=True)(ask_also(edit_job, list_changes))
    app.command("reopen", hidden=True)(reopen_job)
    app.command("attach", hidden=True)(attach)
    app.command("timeline", hidden=True)(timeline)


def _show_problems(problems: Any, good: str, *, as_json: bool) -> None:
    from voicecheck.records import to_document

    if as_json:
        write_json({"problems": [to_document(problem) for problem in problems]})
        return
    write_text("\n".join(f"{p.kind}: {p.message}; {p.effect}" for p in problems) or good)


def verify(book: Book = None, as_json: Json = False) -> None:
    """Check that everything in the book is as it was saved."""
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        problems = opened.verify()
    _show_problems(problems, "the book is whole", as_json=as_json)
    if any(problem.kind != UNFILED for problem in problems):
        raise typer.Exit(JobBookError.exit_code)


def backup(
    folder: Annotated[
        Path | None,
        typer.Argument(help="Where the copy goes, a book itself; left out, that of the day."),
    ] = None,
    book: Book = None,
    as_json: Json = False,
) -> None:
    """Copy the whole book as it is now, while others may go on writing."""
    from voicecheck.records.times import get_now_utc
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        if folder is None:
            problems = opened.backup_of_day(get_now_utc()[:10])
            days = ", ".join(opened.list_backup_days())
            told = f"in {opened.find_backup_folder()}, of the same disk; days: {days}"
        else:
            problems, told = opened.backup(folder), f"copied to {folder}"
    _show_problems(problems, told, as_json=as_json)


def restore(
    day: Annotated[str, typer.Argument(help="Of the backup, as 2031-05-04.")],
    into: Annotated[Path, typer.Argument(help="New, empty folder.")],
    source: Annotated[
        Path | None, typer.Option("--from", help="Folder of the backups; else beside the book.")
    ] = None,
    book: Book = None,
    as_json: Json = False,
) -> None:
    """Make a book of a dated backup in a new folder, and check that it is whole."""
    from voicecheck.workflow.books import find_backups, restore_backup

    problems = restore_backup(day, into, source or find_backups(book))
    _show_problems(problems, f"the book of {day} is whole in {into}", as_json=as_json)


def forget_owner(
    job: JobNumber,
    backups: Annotated[
        list[Path] | None,
        typer.Option("--backup", metavar="FOLDER", help="A further backup (may be repeated)."),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Forget an owner for good: name, contact, voice and photographs, in book and backups."""
    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        record = opened.load_job(job)
        if not yes:
            if not is_terminal():
                raise InputError("job forget: needs --yes; it cannot be undone")
            wait_for_key(f"Forget the owner of job {job}, {record.label}? Space, or q to stop.")
        forgotten, n_copies = opened.forget_everywhere(job, backups or ())
    if as_json:
        told = {"files": forgotten.n_files, "backups": n_copies}
        write_json({**told, "problems": [to_document(one) for one in forgotten.problems]})
        return
    tell(
        f"The owner of job {job} is forgotten: {forgotten.n_files} files gone or written anew, "
        f"{n_copies} backups cleaned; the measurements stay. Parcels and papers that left the "
        "house are not reached.",
        quiet=quiet,
    )
    for problem in forgotten.problems:
        tell(f"  ! {problem.message}; {problem.effect}")


def reanalyze(
    workers: Annotated[
        int, typer.Option(min=-1, max=MOST_WORKERS, help="Processes; -1 is one for each core.")
    ] = -1,
    backend: Annotated[str, typer.Option(help="loky, threading or dask.")] = "loky",
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Analyse old recordings with this version, and tell which verdicts are others by that."""
    from voicecheck.workflow.anew import analyse_anew
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.wording import say_stage

    with open_book(book) as opened, show_progress(100, "analysing", quiet=quiet) as advance:
        anew = analyse_anew(
            opened,
            n_workers=workers,
            backend=backend,
            on_progress=lambda n, total: advance(to=100 * n / max(total, 1)),
        )
    done = anew.analysed
    if as_json:
        from voicecheck.records import to_document

        overturned = [to_document(one) for one in anew.overturned]
        write_json({**to_document(done), "overturned": overturned})
        return
    tell(f"{done.n_recordings} recordings, {done.n_runs} runs have new numbers.", quiet=quiet)
    for problem in done.problems:
        tell(f"  ! {problem.message}", quiet=quiet)
    told = f"{len(anew.overturned)} of {anew.n_verdicts} old verdicts are others now"
    tell(f"{told}{':' if anew.overturned else '.'}", quiet=quiet)
    for one in anew.overturned:
        tell(f"  job {one.job}, {one.label}, {say_stage(one.stage)}: {one.was}, now {one.now}")


def salvage(
    damaged: Annotated[Path, typer.Argument(help="Folder of the damaged book.")],
    into: Annotated[Path, typer.Argument(help="New, empty folder.")],
    as_json: Json = False,
) -> None:
    """Save what can be read of a damaged book into a new one."""
    from voicecheck.workflow.books import salvage as salvage_book

    problems = salvage_book(damaged, into)
    _show_problems(problems, f"everything was saved into {into}", as_json=as_json)


Overwrite = Annotated[
    bool, typer.Option("--force", "--overwrite", help="Replace a file that is there.")
]


def export_job(
    job: JobNumber,
    file: Annotated[Path, typer.Argument(metavar="FILE.zip", help="File to write.")],
    with_owner: Annotated[
        bool,
        typer.Option(
            "--with-owner", help="With the owner's name, contact, photographs and recorded speech."
        ),
    ] = False,
    overwrite: Overwrite = False,
    book: Book = None,
    quiet: Quiet = False,
) -> None:
    """Write a job with its recordings, numbers and files as one file; owners stay at home."""
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        opened.export_job(job, file, with_owner=with_owner, overwrite=overwrite)
    left = "" if with_owner else " Its owner, photographs and recorded speech stayed here."
    tell(f"Wrote {file}.{left}", quiet=quiet)


def export_baseline(
    type_name: Annotated[str, typer.Argument(metavar="TYPE", help="Set type.")],
    path: Annotated[str, typer.Argument(help="transmit, receive, sidetone or loop.")],
    file: Annotated[Path, typer.Argument(metavar="FILE.zip", help="File to write.")],
    bare: Annotated[
        bool, typer.Option("--bare", help="Without the reference runs and recordings.")
    ] = False,
    overwrite: Overwrite = False,
    book: Book = None,
    quiet: Quiet = False,
) -> None:
    """Write a baseline to share; owners, complaints and notes stay at home."""
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        opened.export_baseline(type_name, path, file, runs=not bare, overwrite=overwrite)
    tell(f"Wrote {file}.", quiet=quiet)


def import_parcel(
    file: Annotated[Path, typer.Argument(metavar="FILE.zip", help="As export wrote it.")],
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Take a job or a baseline from a file; nothing that is there is overwritten."""
    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        merged = opened.import_parcel(file)
    if as_json:
        write_json([to_document(one) for one in merged])
        return
    for one in merged:
        tell(f"{one.what} {one.name}: {one.outcome}, stands as {one.stands_as}", quiet=quiet)


def list_changes() -> list[Field]:
    """What may be written about a job; what is not given stays as it is."""
    return [dataclasses.replace(field, default=None) for field in list_words()]


def edit_job(
    job: JobNumber,
    label: Annotated[str | None, typer.Option(help="New label.")] = None,
    type_name: Annotated[str | None, typer.Option("--type", help="New set type.")] = None,
    book: Book = None,
    quiet: Quiet = False,
    **words: str | None,
) -> None:
    """Change what is written about a job."""
    from voicecheck.workflow.books import open_book

    changes = {"label": label, "type_name": type_name, **words}
    wanted = {name: value for name, value in changes.items() if value is not None}
    if not wanted:
        options = ("--label", "--type", *(field.option for field in list_changes()))
        raise InputError(f"edit: name what to change: {', '.join(options[:-1])} or {options[-1]}")
    with open_book(book) as opened:
        opened.edit_job(job, **wanted)
    tell(f"Changed job {job}.", quiet=quiet)


def reopen_job(job: JobNumber, book: Book = None, quiet: Quiet = False) -> None:
    """Open a closed job again."""
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        opened.reopen_job(job)
    tell(f"Job {job} is open again.", quiet=quiet)


def attach(
    job: JobNumber,
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Photographs, papers.")],
    book: Book = None,
    quiet: Quiet = False,
) -> None:
    """Keep copies of files with a job."""
    from voicecheck.workflow.books import attach_file, open_book

    with open_book(book) as opened:
        for file in files:
            attachment = attach_file(opened, job, file)
            tell(f"Attached {attachment.name} to job {job}.", quiet=quiet)


def timeline(job: JobNumber, book: Book = None, as_json: Json = False) -> None:
    """Show what happened with a job, in order."""
    from voicecheck.cli.show import render_table
    from voicecheck.records import to_document
    from voicecheck.records.times import say_own_time
    from voicecheck.words import load_words
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.worklog import say_event

    with open_book(book) as opened:
        events = opened.list_events(job)
    if as_json:
        write_json([to_document(event) for event in events])
        return
    words = load_words()
    rows = [(say_own_time(event.at_utc), *say_event(event, words)) for event in events]
    heads = ("when", "what", "of what")
    write_text(render_table([heads, *rows], indent="") if rows else "nothing yet")
