"""
Every command that writes, with words that make it write; the folder that they are typed in.

`test_hard_kills.py` asks for a new command here, and tries that what only reads writes nothing.
"""

from __future__ import annotations

import contextlib
import dataclasses
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer
from audio_files import run_main
from jobbook_samples import draw_recording
from telling import TYPE, fill_book

import voicecheck.__main__
from voicecheck.bench.wavfile import save_programme
from voicecheck.cli.commands import ENTRIES
from voicecheck.cli.main import make_app
from voicecheck.jobbook import JobBook
from voicecheck.programme import make_programme
from voicecheck.records import Recipe, SetType

DAY = "2031-05-04"

WRITERS = {
    "signal": "signal out/x.wav --kind quick",
    "report": "report 3 --out out",
    "slip": "slip 3 out/slip.html",
    "compare": "compare 3 --against before",
    "import": "import in/job.zip",
    "edit": "edit 3 --complaint faint",
    "reopen": "reopen 4",
    "attach": "attach 3 in/paper.txt",
    "sweep": "sweep 3 --path loop --stage after --simulated carbon --seats 1",
    "trial": "trial crackle 3 --simulated carbon",
    "shop": "shop --name Example",
    "dial": "dial 3 --simulated healthy:3 --picture out/x.png",
    "tones": "tones 3 --simulated busy",
    "flex": "flex 3 --simulated cord-break",
    "bell": "bell 3 --simulated healthy",
    "speak": "speak 3 --simulated quiet --stage after --listen out/x.wav",
    "parts": "parts feed 3 --simulated healthy",
    "check": "check 3 --done 1",
    "demo": "demo --out out --quiet",
    "type add": "type add 'Lakeside 4' --transmitter carbon",
    "type edit": "type edit 'Hillview 2' --region Norway",
    "type remove": "type remove 'Seaview 9'",
    "job open": "job open two --type 'Hillview 2' --owner 'A. Example'",
    "job edit": "job edit 3 --complaint faint",
    "job note": "job note 3 'new cord'",
    "job cause": "job cause 3 'worn cord'",
    "job done": "job done 3",
    "job attach": "job attach 3 in/paper.txt",
    "job export": "job export 3 out/job.zip",
    "job forget": "job forget 3 --yes",
    "job close": "job close 3",
    "job reopen": "job reopen 4",
    "job label": "job label 3 out/label.svg",
    "job move": "job move 3 run-9 --to after --why 'swept after the work'",
    "job aside": "job aside 3 run-9 --why 'off its coupler'",
    "job back": "job back 3 run-8 --why 'it was on it'",
    "job remove": "job remove 3",
    "job restore": "job restore 6",
    "baseline build": "baseline build 'Hillview 2'",
    "baseline export": "baseline export 'Hillview 2' --by Club --out out/x.json",
    "baseline import": "baseline import in/club.json --as 'Seaview 9'",
    "set show": "set show 3 --picture out/years.svg",
    "set edit": "set edit 1 --colour green",
    "work part": "work part 3 cord --new brown",
    "work adjust": "work adjust 3 clapper --old far --new near",
    "work ohms": "work ohms 3 receiver 63.5",
    "work time": "work time 3 40",
    "work hazard": "work hazard 3 'worn cord'",
    "work answer": "work answer 5 2 'cord replaced'",
    "work withdraw": "work withdraw 3 1 --why 'wrong job'",
    "work correct": "work correct 3 1 'new cord, brown'",
    "book backup": "book backup out/copy",
    "book restore": f"book restore {DAY} out/restored",
    "book reanalyze": "book reanalyze --workers 1 --backend threading",
    "book salvage": "book salvage book out/saved",
    "book empty-bin": "book empty-bin --yes",
    "export job": "export job 3 out/job.zip --with-owner",
    "export baseline": "export baseline 'Hillview 2' transmit out/baseline.zip",
    "bench add": "bench add shed --device none",
    "bench edit": "bench edit attic --feed-ma 40",
    "bench remove": "bench remove attic",
    "protocol start": f"protocol start --type '{TYPE}'",
    "protocol next": "protocol next 7 --part 'loop-back 2' --simulated electret --yes",
    "protocol hide": f"protocol hide 7 out/envelope.json {'--plant none ' * 10}",
    "protocol bundle": "protocol bundle 7 out/corpus.zip",
    "selftest": "selftest --only standards --out out",
    "line readings": "line 3 --on-hook-v 48 --loop-ma 13",
    "line add": "line add hall --break-low-ms 40 --break-high-ms 90",
}  # fmt: skip
FURTHER = {"check --template": "check --template out/list.csv"}
"""Another way to call a writing command, which writes elsewhere."""
READERS = {
    "analyze": "analyze in/take.wav --signal in/signal.wav",
    "frying": "frying in/take.wav",
    "element": "element 3",
    "masks": "masks",
    "timeline": "timeline 3",
    "handsets": "handsets",
    "fits": "fits 3 --line 'exchange, Sweden'",
    "statistics": "statistics",
    "help": "help",
    "type list": "type list",
    "job list": "job list",
    "job show": "job show 3",
    "job timeline": "job timeline 3",
    "job takes": "job takes 3",
    "baseline list": "baseline list",
    "baseline show": "baseline show 'Hillview 2'",
    "set list": "set list",
    "work list": "work list 3",
    "book verify": "book verify",
    "bench list": "bench list",
    "bench show": "bench show attic",
    "line list": "line list",
    "protocol show": "protocol show 7",
    "protocol again": "protocol again in/corpus.zip --quiet",
    "line show": "line show 'exchange, Sweden'",
}
SAVES_AS_OTHERS = {
    **dict.fromkeys(
        ("devices", "watch", "bench calibrate", "bench check", "bench tone"),
        "needs a sound device, and saves as `bench edit` does",
    ),
    "protocol open": "needs two evenings, and saves as `protocol hide` does",
    "page": "runs until it is stopped, and saves as the commands do",
}
"""What is not tried here, and why."""
BOOKLESS = {
    "check --template",
    "protocol again",
    "selftest",
    "signal",
    "demo",
    "masks",
    "handsets",
    "help",
    "analyze",
    "frying",
    "book salvage",
}


def list_commands(command: Any = None, words: tuple[str, ...] = ()) -> Iterator[str]:
    """Name of every command of the program, older spellings too."""
    assert ENTRIES[-1].names == ("page",), voicecheck.__main__.__doc__
    command = typer.main.get_command(make_app()) if command is None else command
    inner = getattr(command, "commands", {})
    if not inner:
        yield " ".join(words)
    for name, one in inner.items():
        yield from list_commands(one, (*words, name))


def make_place(place: Path) -> None:
    """A folder with a book in `book`, files to be taken in, in `in`, and an empty `out`."""
    for name in ("in", "out", "home"):
        (place / name).mkdir(parents=True)
    (place / "in/photo.jpg").write_bytes(bytes(range(256)) * 400)
    (place / "in/paper.txt").write_bytes(b"paper" * 5000)
    fill_book(place / "book", n_good=2)
    with JobBook.open(place / "book") as book:
        _fill_further(book, place)
    save_programme(make_programme(Recipe(n_sweeps=1)), place / "in/signal.wav")
    with typed_in(place):
        for words in (
            "type add 'Lakeside 4' --transmitter carbon --book elsewhere",
            "job open abroad --type 'Lakeside 4' --owner 'C. Example' --book elsewhere",
            "sweep 1 --path loop --simulated carbon --seats 1 --book elsewhere",
            "job attach 1 in/photo.jpg --book elsewhere",
            "job export 1 in/job.zip --with-owner --book elsewhere",
            f"baseline export '{TYPE}' --by Club --out in/club.json --book book",
            f"protocol start --type '{TYPE}' --book book",
            "protocol next 7 --part 'resistor 1' --simulated electret --yes --book book",
            "protocol bundle 7 in/corpus.zip --book book",
            "bench add attic --device none --book book",
            "speak 3 --simulated quiet --stage before --book book",
        ):
            code, _, said = run_main(*split(words))
            assert code == 0, (words, said)
    shutil.copy(place / "in/signal.wav", place / "in/take.wav")
    with JobBook.open(place / "elsewhere") as abroad, JobBook.open(place / "book") as book:
        (run,) = abroad.list_runs()
        (sha256,) = abroad.list_recordings()
        book.save_recording(abroad.load_recording(sha256), abroad.load_recipe(sha256))
        old = tuple(one.replace(version="0.0.9") for one in run.recordings)
        book.save_run(dataclasses.replace(run, job=3, recordings=old))
    shutil.rmtree(place / "elsewhere")


def _fill_further(book: JobBook, place: Path) -> None:
    from voicecheck.records.sets import Work

    book.edit_job(3, owner="A. Example")
    book.put_aside(3, "run-8", "off its coupler")
    book.add_work(3, Work(kind="part", what="cord"))
    book.attach_file(3, place / "in/photo.jpg")
    book.add_note(3, "bell low")
    book.save_recording(draw_recording(1, 600), Recipe())
    book.open_job("closed", TYPE, owner="B. Example")
    book.close_job(4)
    book.open_job("dangerous", TYPE)
    book.add_work(5, Work(kind="hazard", what="worn cord"))
    book.open_job("a mistake", TYPE)
    book.remove_job(6)
    book.add_type(SetType(name="Seaview 9", region="Sweden"))
    book.backup_of_day(DAY)


def split(line: str) -> list[str]:
    """Words of a line as a shell splits them."""
    import shlex

    return shlex.split(line)


def get_words(name: str) -> list[str]:
    """A command with its book."""
    words = split({**WRITERS, **FURTHER, **READERS}[name])
    return words if name in BOOKLESS else [*words, "--book", "book"]


@contextlib.contextmanager
def typed_in(place: Path) -> Iterator[None]:
    """Words are typed in that folder, which is the user's home, too."""
    before, environment = Path.cwd(), dict(os.environ)
    os.chdir(place)
    os.environ.update({"HOME": f"{place}/home", "XDG_DATA_HOME": f"{place}/home/data"})
    os.environ.update({"XDG_CACHE_HOME": f"{place}/home/cache", "VOICECHECK_BACKUPS": "off"})
    try:
        yield
    finally:
        os.chdir(before)
        os.environ.clear()
        os.environ.update(environment)
