"""`job done`, `takes`, `move`, `aside`, `back`, `remove`; `type edit` and `type remove`."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from voicecheck.cli.common import Book, JobNumber, Json, Quiet, tell, write_json, write_text
from voicecheck.cli.keys import is_terminal, wait_for_key
from voicecheck.errors import InputError

Take = Annotated[
    str, typer.Argument(metavar="TAKE", help="run-12 or check-34, as `job takes` lists them.")
]
Why = Annotated[str, typer.Option("--why", metavar="REASON", help="For the time line.")]


def register_jobs(jobs: typer.Typer) -> None:
    """Add the commands to those of a job."""
    jobs.command("takes")(list_takes)
    jobs.command("move")(move_take)
    jobs.command("aside")(put_aside)
    jobs.command("back")(bring_back)
    jobs.command("remove")(remove_job)
    jobs.command("restore")(restore_job)


def register_types(types: typer.Typer) -> None:
    """Add the commands to those of a set type."""
    types.command("edit")(edit_type)
    types.command("remove")(remove_type)


def finish_work(
    job: JobNumber,
    undo: Annotated[
        bool, typer.Option("--undo", help="The work is not done: the job is as found again.")
    ] = False,
    book: Book = None,
    quiet: Quiet = False,
) -> None:
    """Say that the work is done: what is measured from now on is after the work."""
    from voicecheck.cli.tellshow import tell_next
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        opened.set_stage(job, "before" if undo else "after")
        done = "the work is done; what is measured now is after the work"
        tell(f"Job {job}: {'as found again' if undo else done}.", quiet=quiet)
        tell_next(opened, job, quiet=quiet)


def list_takes(job: JobNumber, book: Book = None, as_json: Json = False) -> None:
    """List the runs and checks of a job, those put aside, too."""
    from voicecheck.cli.show import render_table, say_simulated
    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.takes import list_takes as list_them
    from voicecheck.workflow.wording import say_stage

    with open_book(book) as opened:
        takes = list_them(opened, job)
    if as_json:
        write_json([to_document(take) for take in takes])
        return
    rows = [
        (
            take.key,
            take.name,
            say_stage(take.stage),
            take.told,
            f"put aside: {take.aside}" if take.aside else "",
        )
        for take in takes
    ]
    heads = ("take", "what", "stage", "found", "")
    if any(take.simulated for take in takes):
        write_text(say_simulated())
    write_text(render_table([heads, *rows], indent="") if rows else "nothing was measured yet")


def move_take(
    job: JobNumber,
    take: Take,
    to: Annotated[str, typer.Option("--to", metavar="STAGE", help="Where it belongs.")],
    why: Why,
    book: Book = None,
    quiet: Quiet = False,
) -> None:
    """File a run or a check under another stage."""
    from voicecheck.records.terms import check_stage
    from voicecheck.workflow.books import open_book

    check_stage(to)
    with open_book(book) as opened:
        opened.move(job, take, to, why)
    tell(f"{take} is at stage {to} now; compare again.", quiet=quiet)


def put_aside(
    job: JobNumber, take: Take, why: Why, book: Book = None, quiet: Quiet = False
) -> None:
    """Let a run or a check no longer count; it stays in the book."""
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        opened.put_aside(job, take, why)
    tell(f"{take} is put aside; `voicecheck job back {job} {take}` undoes it.", quiet=quiet)


def bring_back(
    job: JobNumber, take: Take, why: Why, book: Book = None, quiet: Quiet = False
) -> None:
    """Let a run or a check that was put aside count again."""
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        opened.bring_back(job, take, why)
    tell(f"{take} counts again; compare again.", quiet=quiet)


def remove_job(job: JobNumber, book: Book = None, quiet: Quiet = False) -> None:
    """Put a job into the bin; `book empty-bin` deletes it for good."""
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        opened.remove_job(job)
    tell(
        f"Job {job} is in the bin; `voicecheck job restore {job}` takes it out, "
        "`voicecheck book empty-bin` deletes it for good.",
        quiet=quiet,
    )


def restore_job(job: JobNumber, book: Book = None, quiet: Quiet = False) -> None:
    """Take a job out of the bin."""
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        opened.restore_job(job)
    tell(f"Job {job} is back.", quiet=quiet)


def empty_bin(
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Delete the jobs in the bin for good."""
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        removed = opened.list_removed()
        if removed and not yes:
            told = ", ".join(f"{number} ({label})" for number, label in removed)
            if not is_terminal():
                raise InputError(f"book empty-bin: needs --yes to delete jobs {told} for good")
            wait_for_key(f"Delete jobs {told} for good? Space to go on, q to stop.")
        numbers = opened.empty_bin()
    if as_json:
        write_json({"deleted": list(numbers)})
    else:
        tell(f"{len(numbers)} jobs are deleted.", quiet=quiet)


def edit_type(
    name: Annotated[str, typer.Argument(metavar="TYPE", help="Set type.")],
    transmitter: Annotated[
        str | None, typer.Option(help="carbon, electret or moving-coil.")
    ] = None,
    feed_ma: Annotated[float | None, typer.Option(help="Feed current, mA.")] = None,
    region: Annotated[str | None, typer.Option(help="Region for dial and tone limits.")] = None,
    wiring: Annotated[str | None, typer.Option(help="Wiring notes: terminals, colours.")] = None,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Change what is given of a set type."""
    import dataclasses

    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.settypes import check_typed

    given: dict[str, Any] = {"transmitter": transmitter, "feed_ma": feed_ma, "region": region}
    given["wiring"] = wiring
    changes = {key: value for key, value in given.items() if value is not None}
    with open_book(book) as opened:
        changed = check_typed(dataclasses.replace(opened.load_type(name), **changes))
        opened.edit_type(changed)
    if as_json:
        write_json(to_document(changed))
    else:
        tell(f"Changed set type {name}.", quiet=quiet)


def remove_type(
    name: Annotated[str, typer.Argument(metavar="TYPE", help="Set type.")],
    baselines: Annotated[bool, typer.Option("--baselines", help="Its baselines, too.")] = False,
    book: Book = None,
    quiet: Quiet = False,
) -> None:
    """Take a set type away that no job has."""
    from voicecheck.workflow.books import open_book

    with open_book(book) as opened:
        opened.remove_type(name, baselines=baselines)
    tell(f"Removed set type {name}.", quiet=quiet)
