"""
Times a large job book: 100 000 jobs with 400 000 measurements, against the bare SQL.

Run: python tests/bench/jobbook_scale.py [n_jobs] [folder]

Jobs and measurements are made in bulk, each row as the book itself writes it (the run's document
a pooled measurement of 53 points; that of a single recording kept to its scalars, so that the
file stays near 1 GB). Warm: the median of five after one that is not counted.
"""

from __future__ import annotations

import contextlib
import dataclasses
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import msgspec
import numpy as np
import sqlalchemy as sa
from jobbook_samples import draw_measurement, draw_run, make_type

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


def time_warm(call: Callable[[], object]) -> float:
    """Median seconds of five calls after a first."""
    call()
    taken = []
    for _ in range(5):
        start = time.perf_counter()
        call()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def measure(folder: Path, n_jobs: int) -> None:
    """Print a line for each question, beside the bare SQL that answers it."""
    middle = n_jobs // 2
    with (
        JobBook.open(folder, create=False) as book,
        contextlib.closing(sqlite3.connect(folder / "book.db")) as raw,
    ):

        def bare(query: str, *values: object) -> Callable[[], object]:
            return lambda: raw.execute(query, values).fetchall()

        like = "search_text LIKE ? AND search_text LIKE ?"
        rare, common = (f"%willow {middle}%", "%set%"), ("%crackles%", "%oak%")
        newest = "SELECT * FROM job ORDER BY id DESC LIMIT 50"
        a_type = "SELECT r.document FROM run r JOIN job j ON r.job_id = j.id"
        questions: list[tuple[str, Callable[[], object], Callable[[], object]]] = [
            (
                "open the book",
                lambda: JobBook.open(folder, create=False).close(),
                lambda: sqlite3.connect(folder / "book.db").execute("SELECT 1 FROM job").close(),
            ),
            ("list the newest 50", book.list_jobs, bare(newest)),
            (
                "list 50 in the middle",
                lambda: book.list_jobs(offset=middle),
                bare(f"{newest} OFFSET ?", middle),
            ),
            (
                "search, many found",
                lambda: book.list_jobs(search="crackles oak"),
                bare(f"SELECT * FROM job WHERE {like} ORDER BY id DESC LIMIT 50", *common),
            ),
            (
                "search, none or one found",
                lambda: book.list_jobs(search=f"willow {middle} set"),
                bare(f"SELECT * FROM job WHERE {like} ORDER BY id DESC LIMIT 50", *rare),
            ),
            (
                "count what a search finds",
                lambda: book.count_jobs(search="crackles oak", state="open"),
                bare(f"SELECT count(*) FROM job WHERE {like} AND closed_utc IS NULL", *common),
            ),
            (
                "open a job",
                lambda: book.load_job(middle),
                bare("SELECT * FROM job WHERE id = ?", middle),
            ),
            (
                "list the newest 50 sets",
                book.list_sets,
                bare("SELECT * FROM telephone ORDER BY id DESC LIMIT 50"),
            ),
            (
                "search sets, one found",
                lambda: book.list_sets(search="green no. 77 bell"),
                bare("SELECT * FROM telephone WHERE search_text LIKE '%no. 77%' LIMIT 50"),
            ),
            (
                "a set's history",
                lambda: load_history(book, 77),
                bare("SELECT * FROM job WHERE telephone_id = 77"),
            ),
            (
                "its levels over the years",
                lambda: list_levels(book, 77),
                bare(
                    "SELECT r.document FROM run r JOIN job j ON r.job_id = j.id "
                    "WHERE j.telephone_id = 77"
                ),
            ),
            (
                "its runs and measurements",
                lambda: book.list_runs(job=middle),
                bare("SELECT * FROM run WHERE job_id = ?", middle),
            ),
            (
                "reference runs of a type",
                lambda: book.list_runs(type_name="Type 0", stage="reference", recordings=False),
                bare(f"{a_type} WHERE r.stage = 'reference' AND j.set_type_id = 1"),
            ),
        ]
        for name, call, sql in questions:
            taken_s, bare_s = time_warm(call), time_warm(sql)
            sys.stdout.write(
                f"{name:28} {taken_s * 1e3:9.2f} ms   bare SQL {bare_s * 1e3:9.2f} ms   "
                f"ratio {taken_s / bare_s:7.1f}\n"
            )
        start = time.perf_counter()
        runs = book.list_runs(
            type_name="Type 0", stage="reference", path="transmit", recordings=False
        )
        baseline = build_baseline(runs, type_name="Type 0", path="transmit")
        built_s = time.perf_counter() - start
        sys.stdout.write(f"baseline of {baseline.n} runs, loaded and built: {built_s:.2f} s\n")


def main() -> None:
    """Make the book where there is none, then time it."""
    n_jobs = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(sys.argv[2]) if len(sys.argv) > 2 else Path(temporary) / "book"
        if not folder.exists():
            start = time.perf_counter()
            fill(folder, n_jobs)
            size_mb = (folder / "book.db").stat().st_size / 1e6
            made_s = time.perf_counter() - start
            sys.stdout.write(f"{n_jobs} jobs made in {made_s:.0f} s, {size_mb:.0f} MB\n")
        measure(folder, n_jobs)


if __name__ == "__main__":
    main()
