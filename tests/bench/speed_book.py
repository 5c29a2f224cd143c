"""
A large job book: 100 000 jobs with 400 000 measurements, over the bare SQL.

A part of `all_ratios.py`. Jobs and measurements are made in bulk, each row as the book itself
writes it (the run's document a pooled measurement of 53 points; that of a single recording kept to
its scalars, so that the file stays near 1 GB).
"""

from __future__ import annotations

import contextlib
import dataclasses
import sqlite3
import tempfile
from collections.abc import Iterator
from pathlib import Path

import msgspec
import numpy as np
import sqlalchemy as sa
from jobbook_samples import draw_measurement, draw_run, make_type
from timing import Job, Ratio, hold

from voicecheck.jobbook import JobBook, tables
from voicecheck.jobbook.rows import compute_digest, encode_record
from voicecheck.verdicts import build_baseline
from voicecheck.workflow.sets import list_levels, load_history

N_TYPES, PER_JOB, PER_SET, BATCH = 100, 4, 5, 5000
NOW = "2031-05-04T10:20:30.000+00:00"
OWNERS = ("Ash", "Birch", "Cedar", "Elm", "Hazel", "Larch", "Maple", "Oak", "Rowan", "Willow")


def make_rows(table: sa.Table, rows: list[dict[str, object]]) -> list[dict[str, object]]:
    """Rows with their digests, every column named."""
    names = [column.name for column in table.c]
    whole = [dict.fromkeys(names) | row for row in rows]
    return [row | {"digest": compute_digest(row)} for row in whole]


def fill(folder: Path, n_jobs: int) -> None:
    """Make the book in bulk."""
    with JobBook.open(folder) as book:
        for number in range(N_TYPES):
            book.add_type(make_type(f"Type {number}"))
        pooled = draw_measurement(1).replace(fine=None, distortion=None)
        run = dataclasses.replace(draw_run(1, recordings=()), pooled=pooled)
        document = msgspec.json.decode(encode_record(run))
        single = encode_record(pooled.replace(response=None))
        engine = book._engine.execution_options(writing=True)
        sets = [make_set(number) for number in range(1, n_jobs // PER_SET + 2)]
        with engine.begin() as connection:
            connection.execute(sa.insert(tables.telephone), make_rows(tables.telephone, sets))
        for first in range(0, n_jobs, BATCH):
            numbers = range(first + 1, min(first + BATCH, n_jobs) + 1)
            with engine.begin() as connection:
                for table, rows in make_batch(numbers, document, single, n_jobs // PER_SET).items():
                    connection.execute(sa.insert(table), make_rows(table, rows))


def make_set(number: int) -> dict[str, object]:
    """One set; its jobs lie far apart in the book, as years do."""
    label, type_name = f"set {number}", f"Type {number % N_TYPES}"
    words = {"marks": f"No. {number}", "part_dates": "bell 1951", "colour": "green"}
    text = "\n".join((label, type_name, *words.values())).casefold()
    of_type: dict[str, object] = {"set_type_id": number % N_TYPES + 1, "made_utc": NOW}
    return {
        "id": number,
        "label": label,
        "mark": f"s{number}",
        "search_text": text,
        **of_type,
        **words,
    }


def make_batch(
    numbers: range, document: dict[str, object], single: str, n_sets: int
) -> dict[sa.Table, list[dict[str, object]]]:
    """Rows of some jobs, by table: one run of four recordings each, every tenth a reference."""
    made: dict[sa.Table, list[dict[str, object]]] = {
        table: []
        for table in (
            *(tables.job, tables.event, tables.note, tables.run),
            *(tables.measurement, tables.run_measurement),
        )
    }
    for number in numbers:
        owner = f"{OWNERS[number % 10]} {OWNERS[number // 10 % 10]} {number}"
        label, type_name = f"set {number}", f"Type {number % N_TYPES}"
        stage = "reference" if number % 10 == 0 else "before"
        text = f"{label}\n{type_name}\n{owner}\nit crackles and nobody hears me\nclapper bent"
        job: dict[str, object] = {
            "id": number,
            "label": label,
            "set_type_id": number % N_TYPES + 1,
            "owner": owner,
            "complaint": "it crackles and nobody hears me",
            "opened_utc": NOW,
            "closed_utc": NOW if number % 3 else None,
            "search_text": text.casefold(),
            "mark": f"{number:032x}",
            "telephone_id": number % n_sets + 1,
        }
        made[tables.job].append(job)
        told: dict[str, object] = {"job_id": number, "at_utc": NOW, "kind": "opened"}
        made[tables.event].append({"id": number, "text": label, **told})
        note: dict[str, object] = {"job_id": number, "added_utc": NOW, "text": "clapper bent"}
        made[tables.note].append({"id": number, **note})
        figures: dict[str, object] = {"at_1khz_db": -6.25, "slr_db": 11.5, "version": "0.1.0"}
        varied = document
        if stage == "reference":
            level_db = np.random.default_rng(number).normal(-6.0, 1.5, 53).tolist()
            pooled: dict[str, dict[str, object]] = document["pooled"]  # type: ignore[assignment]
            response = {**pooled["response"], "level_db": level_db}
            varied = {**document, "pooled": {**pooled, "response": response}}
        filed = msgspec.json.encode({**varied, "job": number, "stage": stage}).decode()
        run: dict[str, object] = {"job_id": number, "path": "transmit", "stage": stage}
        run |= {"n_seats": PER_JOB, "saved_utc": NOW, "document": filed}
        made[tables.run].append({"id": number, **run, **figures})
        for position in range(PER_JOB):
            seat = (number - 1) * PER_JOB + position + 1
            one: dict[str, object] = {"n_problems": 0, "made_utc": NOW, "document": single}
            made[tables.measurement].append({"id": seat, **one, **figures})
            link: dict[str, object] = {"run_id": number, "position": position}
            made[tables.run_measurement].append({"id": seat, **link, "measurement_id": seat})
    return made


def list_book(*, short: bool) -> Iterator[Ratio]:
    """Lists, searches, one job, one set, and the building of a baseline."""
    n_jobs = 5000 if short else 100_000
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) / "book"
        fill(folder, n_jobs)
        with (
            JobBook.open(folder, create=False) as book,
            contextlib.closing(sqlite3.connect(folder / "book.db")) as raw,
        ):
            for name, call, bare in list_questions(book, raw, folder, n_jobs // 2):
                yield hold(f"book: {name}, {n_jobs} jobs", call, bare, "the bare SQL", rounds=5)


def list_questions(
    book: JobBook, raw: sqlite3.Connection, folder: Path, middle: int
) -> Iterator[tuple[str, Job, Job]]:
    """What is asked of the book, beside the SQL that answers it."""

    def bare(query: str, *values: object) -> Job:
        return lambda: raw.execute(query, values).fetchall()

    def connect() -> None:
        with contextlib.closing(sqlite3.connect(folder / "book.db")) as another:
            another.execute("SELECT 1 FROM job").fetchone()

    jobs, found = "SELECT * FROM job", "search_text LIKE ? AND search_text LIKE ?"
    newest = "ORDER BY id DESC LIMIT 50"
    rare, common = (f"%willow {middle}%", "%set%"), ("%crackles%", "%oak%")
    runs = "SELECT r.document FROM run r JOIN job j ON r.job_id = j.id WHERE"
    yield "open it", lambda: JobBook.open(folder, create=False).close(), connect
    yield "list the newest 50", book.list_jobs, bare(f"{jobs} {newest}")
    yield (
        "list 50 in the middle",
        lambda: book.list_jobs(offset=middle),
        bare(f"{jobs} {newest} OFFSET ?", middle),
    )
    yield (
        "search, many found",
        lambda: book.list_jobs(search="crackles oak"),
        bare(f"{jobs} WHERE {found} {newest}", *common),
    )
    yield (
        "search, none or one found",
        lambda: book.list_jobs(search=f"willow {middle} set"),
        bare(f"{jobs} WHERE {found} {newest}", *rare),
    )
    yield (
        "count what a search finds",
        lambda: book.count_jobs(search="crackles oak", state="open"),
        bare(f"SELECT count(*) FROM job WHERE {found} AND closed_utc IS NULL", *common),
    )
    yield "open a job", lambda: book.load_job(middle), bare(f"{jobs} WHERE id = ?", middle)
    yield "list the newest 50 sets", book.list_sets, bare(f"SELECT * FROM telephone {newest}")
    yield (
        "search sets, one found",
        lambda: book.list_sets(search="green no. 77 bell"),
        bare("SELECT * FROM telephone WHERE search_text LIKE '%no. 77%' LIMIT 50"),
    )
    yield (
        "a set's history",
        lambda: load_history(book, 77),
        bare(f"{jobs} WHERE telephone_id = 77"),
    )
    yield (
        "a set's levels over the years",
        lambda: list_levels(book, 77),
        bare(f"{runs} j.telephone_id = 77"),
    )
    yield (
        "a job's runs and measurements",
        lambda: book.list_runs(job=middle),
        bare(f"{runs} j.id = ?", middle),
    )
    yield (
        "reference runs of a type",
        lambda: book.list_runs(type_name="Type 0", stage="reference", recordings=False),
        bare(f"{runs} r.stage = 'reference' AND j.set_type_id = 1"),
    )
    yield (
        "a baseline of them, loaded and built",
        lambda: build_baseline(
            book.list_runs(
                type_name="Type 0", stage="reference", path="transmit", recordings=False
            ),
            type_name="Type 0",
            path="transmit",
        ),
        bare(f"{runs} r.stage = 'reference' AND j.set_type_id = 1"),
    )
