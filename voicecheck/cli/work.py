"""`work`: what was done to a set, resistances, time, hazards; notes corrected; `slip`."""

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

if TYPE_CHECKING:
    from voicecheck.records.sets import Work

Number = Annotated[int, typer.Argument(metavar="N", help="Number of the entry, as listed.")]
What = Annotated[str, typer.Argument(help="Which part, winding, work or hazard.")]
Old = Annotated[str, typer.Option("--old", help="What it was before.")]
New = Annotated[str, typer.Option("--new", help="What it is now.")]


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    works = typer.Typer(
        help="Write down parts, adjustments, resistances, time and hazards of a job.",
        rich_markup_mode=None,
        no_args_is_help=True,
    )
    works.command("list")(list_work)
    works.command("part")(fit_part)
    works.command("adjust")(adjust)
    works.command("ohms")(read_ohms)
    works.command("time")(spend_time)
    works.command("hazard")(find_hazard)
    works.command("answer")(answer)
    works.command("withdraw")(withdraw)
    works.command("correct")(correct)
    app.add_typer(works, name="work")
    app.command("slip")(write_slip)


def list_work(job: JobNumber, book: Book = None, as_json: Json = False) -> None:
    """List the work of a job; resistances beside the type's own values."""
    from voicecheck.cli.show import render_table
    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.work import list_entries

    with open_book(book) as opened:
        record = opened.load_job(job)
        entries = list_entries(record, opened.load_type(record.type_name))
    if as_json:
        write_json([{**to_document(one.work), "verdict": one.verdict} for one in entries])
        return
    rows = [
        (str(one.work.number), one.work.added_utc[:10], one.text, one.verdict or "")
        for one in entries
    ]
    write_text(render_table(rows, indent="") if rows else "nothing is written down yet")


def _keep(book: str | None, job: int, work: Work, *, quiet: bool) -> None:
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.work import list_entries

    with open_book(book) as opened:
        kept = opened.add_work(job, work)
        record = opened.load_job(job)
        entries = list_entries(record, opened.load_type(record.type_name))
    one = next(one for one in entries if one.work.number == kept.number)
    verdict = f" {one.verdict}." if one.verdict else ""
    tell(f"Kept with job {job} as entry {kept.number}: {one.text}.{verdict}", quiet=quiet)


def fit_part(
    job: JobNumber,
    what: What,
    old: Old = "",
    new: New = "",
    book: Book = None,
    quiet: Quiet = False,
) -> None:
    """Keep a part that was fitted, with its old and new value."""
    from voicecheck.records.sets import Work

    _keep(book, job, Work(kind="part", what=what, old_value=old, new_value=new), quiet=quiet)


def adjust(
    job: JobNumber,
    what: What,
    old: Old = "",
    new: New = "",
    book: Book = None,
    quiet: Quiet = False,
) -> None:
    """Keep an adjustment, with what it was and is."""
    from voicecheck.records.sets import Work

    work = Work(kind="adjustment", what=what, old_value=old, new_value=new)
    _keep(book, job, work, quiet=quiet)


def read_ohms(
    job: JobNumber,
    what: What,
    ohm: Annotated[float, typer.Argument(help="Resistance, ohm.")],
    book: Book = None,
    quiet: Quiet = False,
) -> None:
    """Keep a resistance; it is held against the type's value of the same name."""
    from voicecheck.records.sets import Work

    _keep(book, job, Work(kind="ohms", what=what, value=ohm), quiet=quiet)


def spend_time(
    job: JobNumber,
    minutes: Annotated[float, typer.Argument(help="Minutes.")],
    what: Annotated[str, typer.Argument(help="On what.")] = "work",
    book: Book = None,
    quiet: Quiet = False,
) -> None:
    """Keep time spent."""
    from voicecheck.records.sets import Work

    _keep(book, job, Work(kind="time", what=what, value=minutes), quiet=quiet)


def find_hazard(job: JobNumber, what: What, book: Book = None, quiet: Quiet = False) -> None:
    """Keep a hazard found in the set: nothing is measured until it is answered."""
    from voicecheck.records.sets import Work

    _keep(book, job, Work(kind="hazard", what=what), quiet=quiet)
    tell("Disconnect the set. Nothing is measured before somebody says what was done.", quiet=quiet)


def answer(
    job: JobNumber,
    number: Number,
    words: Annotated[str, typer.Argument(help="What was done, so that the set is safe.")],
    book: Book = None,
    quiet: Quiet = False,
) -> None:
    """Say what was done about a hazard; measuring goes on."""
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        opened.answer_hazard(job, number, words)
    tell(f"Hazard {number} of job {job} is answered.", quiet=quiet)


def withdraw(
    job: JobNumber,
    number: Number,
    why: Annotated[str, typer.Option("--why", metavar="REASON", help="For the time line.")],
    book: Book = None,
    quiet: Quiet = False,
) -> None:
    """Let an entry no longer count; it stays in the list."""
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        opened.withdraw_work(job, number, why)
    tell(f"Entry {number} of job {job} is withdrawn.", quiet=quiet)


def correct(
    job: JobNumber,
    place: Annotated[int, typer.Argument(metavar="NOTE", help="Which note, from 1.")],
    text: Annotated[str, typer.Argument(help="What it should say.")],
    book: Book = None,
    quiet: Quiet = False,
) -> None:
    """Write a note anew; what it said stays in the time line."""
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        opened.correct_note(job, place, text)
    tell(f"Note {place} of job {job} is corrected.", quiet=quiet)


def write_slip(
    job: JobNumber,
    file: Annotated[Path, typer.Argument(metavar="FILE.html|FILE.pdf", help="File to write.")],
    kind: Annotated[str, typer.Option(help="take-in or hand-back.")] = "take-in",
    paper: Annotated[
        str, typer.Option(help="A4 or Letter; what the language prints on, if left out.")
    ] = "",
    language: Annotated[
        str | None, typer.Option(help="A language file's name; else the job's own, else en.")
    ] = None,
    force: Force = False,
    book: Book = None,
    quiet: Quiet = False,
) -> None:
    """Write the slip that goes with a set when it comes in, or when it goes home."""
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.papers.slips import make_slip

    is_pdf = file.suffix.lower() == ".pdf"
    with open_book(book) as opened:
        slip = make_slip(opened, job, kind, pdf=is_pdf, paper=paper, language=language)
    with open_door(force=force, quiet=quiet) as door:
        door.write(file, slip)
    tell(f"Wrote {file}.", quiet=quiet)
