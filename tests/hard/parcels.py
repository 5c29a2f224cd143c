"""
Parcels that nobody should send, made from a good one and a seed.

By hand, with the figures of `tests/bench/hard.md`:

    python tests/hard/parcels.py --parcels 10000 --seed 1
"""

from __future__ import annotations

import argparse
import copy
import hashlib
import io
import json
import sys
import tempfile
import time
import zipfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from jobbook_samples import (
    draw_comparison,
    draw_likely_baseline,
    draw_measurement,
    draw_recording,
    draw_small_run,
    make_type,
)

from voicecheck.cli.screen import clean_message
from voicecheck.errors import InputError, RecordingError
from voicecheck.jobbook import JobBook
from voicecheck.records import Recipe

Files = dict[str, bytes]
DEEP = "[" * 200_000
HOSTILE: tuple[Any, ...] = (
    None, True, "", "x", "../../..", "\0", "\ud800", "n" * 100_000, 0, -1, 1e9, 10**400, 1e308,
    -1e308, 0.5, [], {}, [[]], [1e308, None], [1, 2, 3], {"a": 1}, "1e999", "2031-99-99T99:99:99Z",
)  # fmt: skip


@dataclass
class Figures:
    """What came of many parcels."""

    outcomes: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    slowest_s: float = 0.0


def make_good(folder: Path) -> Files:
    """The files of a parcel with everything that one can have."""
    with JobBook.open(folder / "source") as book:
        book.add_type(make_type())
        job = book.open_job("hall set", "Lakeside 4", owner="", complaint="it crackles").job
        stored = book.save_recording(draw_recording(1, 600), Recipe())
        run = draw_small_run(1, job)
        seats = (draw_measurement(7, stored.sha256).replace(fine=None),)
        book.save_run(run)
        book.save_run(type(run)(**{**_fields(run), "recordings": seats}))
        book.save_comparison(draw_comparison(job))
        book.add_note(job, "clapper bent")
        (folder / "paper.txt").write_bytes(b"paper" * 50)
        book.attach_file(job, folder / "paper.txt")
        book.save_baseline(draw_likely_baseline())
        one = book.export_job(job, folder / "job.zip")
        two = book.export_baseline("Lakeside 4", "transmit", folder / "baseline.zip", runs=False)
    files = read(two.read_bytes()) | read(one.read_bytes())
    return files


def _fields(record: Any) -> dict[str, Any]:
    return {name: getattr(record, name) for name in record.__dataclass_fields__}


def read(content: bytes) -> Files:
    """Names and contents of a ZIP file."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def pack(files: Files, *, how: int = zipfile.ZIP_DEFLATED) -> bytes:
    """A parcel of these files whose digests are right."""
    contents = json.loads(files["parcel.json"])
    contents["files"] = {
        name: hashlib.sha256(data).hexdigest()
        for name, data in files.items()
        if name != "parcel.json"
    }
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", how) as archive:
        for name, data in {**files, "parcel.json": json.dumps(contents).encode()}.items():
            archive.writestr(name, data)
    return out.getvalue()


def change(files: Files, name: str, act: Callable[[Any], None]) -> bytes:
    """The parcel with one document changed."""
    document = json.loads(files[name])
    act(document)
    return pack({**files, name: json.dumps(document).encode()})


def spoil_schema(files: Files, rng: np.random.Generator) -> bytes:
    """Some values of some document, wherever they lie, made what they should not be."""
    names = sorted(name for name in files if name.endswith(".json") and name != "parcel.json")
    name = names[int(rng.integers(len(names)))]

    def act(document: Any) -> None:
        for _ in range(int(rng.integers(1, 4))):
            at: Any = document
            while True:
                keys = sorted(at) if isinstance(at, dict) else range(len(at))
                if not len(keys):
                    break
                key: Any = keys[int(rng.integers(len(keys)))]
                if isinstance(at[key], (dict, list)) and rng.random() < 0.9:
                    at = at[key]
                    continue
                how = rng.random()
                if how < 0.1:
                    del at[key]
                elif how < 0.2 and isinstance(at, list):
                    at.append(at[key])
                else:
                    # A copy, which later changes may reach into.
                    at[key] = copy.deepcopy(HOSTILE[int(rng.integers(len(HOSTILE)))])
                break

    return change(files, name, act)


def spoil_bytes(files: Files, rng: np.random.Generator) -> bytes:
    """Bytes of the packed file, or of a file in it, changed; or cut off."""
    if rng.random() < 0.5:
        content = bytearray(pack(files, how=zipfile.ZIP_STORED))
        for _ in range(int(rng.integers(1, 6))):
            # The list of files at the end counts for as much as all the rest.
            reach = 1500 if rng.random() < 0.6 else len(content)
            content[-int(rng.integers(1, reach))] = int(rng.integers(256))
        return bytes(content[: int(rng.integers(len(content)))] if rng.random() < 0.1 else content)
    name = sorted(set(files) - {"parcel.json"})[int(rng.integers(len(files) - 1))]
    data = bytearray(files[name])
    for _ in range(int(rng.integers(1, 6))):
        data[int(rng.integers(len(data)))] = int(rng.integers(256))
    made = dict(files)
    del made[name]
    # A file that is named by its content keeps an honest name, so that the inside is looked at.
    stem = hashlib.sha256(data).hexdigest()
    if name.startswith("recordings/"):
        name = f"recordings/{stem}.flac"
    elif name.startswith("attachments/"):
        name = f"attachments/{stem}"
    return pack({**made, name: bytes(data)})


def make_silence(seconds: float, rate_hz: int, comment: str) -> bytes:
    """A recording of hours that packs to nothing."""
    out = io.BytesIO()
    with soundfile.SoundFile(out, "w", rate_hz, 1, "PCM_24", format="FLAC") as flac:
        flac.comment = comment
        block = np.zeros(60 * rate_hz, dtype=np.int32)
        for _ in range(round(seconds / 60.0)):
            flac.write(block)
    return out.getvalue()


def list_state(book: JobBook, folder: Path) -> tuple[object, ...]:
    """Everything that a refused parcel could leave behind."""
    with book._reading() as connection:
        from voicecheck.jobbook import tables

        counts = tuple(
            connection.execute(table.select()).rowcount
            if connection.dialect.name != "sqlite"
            else len(connection.execute(table.select()).all())
            for table in tables.metadata.sorted_tables
        )
    names = sorted(
        str(path.relative_to(folder))
        for path in folder.rglob("*")
        if path.is_file() and "book.db" not in path.name
    )
    return counts, tuple(names)


def judge(figures: Figures, book: JobBook, folder: Path, content: bytes, what: str) -> None:
    """Take a parcel in: refused in one line with nothing left, or whole and readable."""
    (path := folder.parent / "hostile.zip").write_bytes(content)
    before = list_state(book, folder)
    begun = time.perf_counter()
    try:
        book.import_parcel(path)
    except (InputError, RecordingError) as error:
        figures.outcomes["refused"] += 1
        said = str(error)
        if "\n" in said or len(clean_message(said)) > 1500:
            figures.wrong.append(f"{what}: {said[:200]!r} is not one short line")
        if list_state(book, folder) != before:
            figures.wrong.append(f"{what}: left something behind ({said[:200]})")
    except Exception as error:
        figures.outcomes["failed"] += 1
        figures.wrong.append(f"{what}: {type(error).__name__}: {str(error)[:200]}")
    else:
        figures.outcomes["taken in"] += 1
        try:
            _use(book)
        except Exception as error:
            figures.wrong.append(f"{what}: taken in, then {type(error).__name__}: {error}"[:300])
    figures.slowest_s = max(figures.slowest_s, time.perf_counter() - begun)


def _use(book: JobBook) -> None:
    """Read everything that a parcel can bring, and hold it against itself."""
    for job in book.list_jobs(limit=10_000):
        book.load_job(job.job)
        book.list_events(job.job)
        book.list_comparisons(job.job)
    book.list_runs()
    book.list_baselines()
    # A parcel may come without its recordings; that is said, and no damage.
    if problems := [one for one in book.verify() if one.kind != "missing-recording"]:
        raise ValueError(problems[0].message)


def run_many(folder: Path, n_parcels: int, seed: int) -> Figures:
    """Half with a value changed, half with bytes; each tenth good book is begun anew."""
    rng, figures = np.random.default_rng(seed), Figures()
    files = make_good(folder)
    for first in range(0, n_parcels, 50):
        place = folder / f"book{first}"
        with JobBook.open(place) as book:
            for number in range(first, min(first + 50, n_parcels)):
                spoil = spoil_schema if number % 2 else spoil_bytes
                content = spoil(files, rng)
                judge(figures, book, place, content, f"seed {seed} parcel {number}")
    return figures


def main() -> None:
    """Print the figures; exit status 1 where anything ended as it must not."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--parcels", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        figures = run_many(Path(place), asked.parcels, asked.seed)
    told = ", ".join(f"{name}: {n}" for name, n in sorted(figures.outcomes.items()))
    lines = [
        f"{asked.parcels} parcels, seed {asked.seed}: {told}; {len(figures.wrong)} wrong",
        f"slowest {figures.slowest_s:.2f} s",
        *figures.wrong,
    ]
    sys.stdout.write("\n".join(lines) + "\n")
    sys.exit(bool(figures.wrong))


if __name__ == "__main__":
    main()
