# mypy: disable-error-code="assignment"
"""
"Where do I add ...?" of DEVELOPERS.md, performed on a copy of the tree.

Each touches the files that its row names and no other, in a process that sees the copy alone. A
check and a step of a calibration are added whole by the made-up ones of `test_check_kinds.py` and
`test_page_benches.py`.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from services import need_module

ROOT = Path(__file__).parents[1]


class Tree:
    """A copy of package and tests; it counts the files that a recipe touches."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.touched = folder, set[str]()
        for name in ("voicecheck", "tests"):
            unwanted = shutil.ignore_patterns("__pycache__")
            shutil.copytree(ROOT / name, folder / name, ignore=unwanted)
        shutil.copy2(ROOT / "pyproject.toml", folder)

    def edit(self, name: str, old: str, new: str) -> None:
        """Replace a piece of text that stands there once."""
        path = self.folder / "voicecheck" / name
        text = path.read_text(encoding="utf-8")
        assert text.count(old) == 1, f"{name}: {text.count(old)} times {old!r}"
        path.write_text(text.replace(old, new), encoding="utf-8")
        self.touched.add(name)

    def add(self, name: str, text: str) -> None:
        """A new file, or more at the end of one."""
        with (self.folder / "voicecheck" / name).open("a", encoding="utf-8") as file:
            file.write(text)
        self.touched.add(name)

    def run(self, *words: str, code: int = 0) -> str:
        """What Python prints with these words, in the copy."""
        # Temporary folders of its own: other test runs tidy up the common ones meanwhile.
        own = {"PYTHONPATH": str(self.folder), "PYTEST_DEBUG_TEMPROOT": str(self.folder)}
        environment = {**os.environ, **own}
        command = [sys.executable, *words]
        done = subprocess.run(
            command, cwd=self.folder, env=environment, capture_output=True, text=True, check=False
        )
        assert done.returncode == code, done.stdout + done.stderr
        return done.stdout

    def ask(self, code: str) -> Any:
        """The value of `told` after this code."""
        return json.loads(self.run("-c", f"import json\n{code}\nprint(json.dumps(told))"))


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return Tree(tmp_path)


def test_the_copy_is_what_runs(tree: Tree) -> None:
    told = tree.ask("import voicecheck; told = voicecheck.__file__")
    assert Path(told) == tree.folder / "voicecheck" / "__init__.py"


def test_another_default_programme(tree: Tree) -> None:
    tree.edit("records/signals.py", "n_sweeps: int = 3", "n_sweeps: int = 4")
    document = json.loads(tree.run("-m", "voicecheck", "signal", "OUT.wav", "--json"))
    assert [block["kind"] for block in document["blocks"]].count("sweep") == 4
    assert len(tree.touched) == 1


def test_a_hint(tree: Tree) -> None:
    row = (
        "F98,transmit,an invented symptom,an invented signature,bell.level_db -5..-20 ~ 2,500,"
        "an invented cause,look,listen,element-swap,no,MEM,MEM\n"
    )
    tree.add("data/fault_table.csv", row)
    told = tree.ask(
        "from voicecheck.verdicts import rank_causes\n"
        "told = [one.row.code for one in rank_causes({'bell.level_db': -12.0})]"
    )
    assert told[0] == "F98"
    assert len(tree.touched) == 1


def test_a_report_language(tree: Tree) -> None:
    tree.add("data/words/it.toml", '[language]\nname = "Italiano"\ndecimal = ","\n')
    told = tree.ask(
        "from voicecheck.words import load_words\n"
        "words = load_words('it')\n"
        "told = [words.number(1.5), words.say('path', 'transmit')]"
    )
    assert told == ["1,5", "How it talks"]
    assert len(tree.touched) == 1


def test_a_colour_of_the_limits(tree: Tree) -> None:
    old = "--curve-limits: #dde3da; --curve-limits-edge: #76826f"
    tree.edit("data/web/palette.css", old, old.replace("#dde3da", "#ddeeff"))
    assert tree.ask("from voicecheck.charts.style import BAND_FACE as told") == "#ddeeff"
    assert len(tree.touched) == 1


QUANTITY = 'Quantity(name="rustle_db", unit="dB", family="noise", is_judged=True),\n    '


def test_a_quantity(tree: Tree) -> None:
    """Row and reader; the word that is forgotten is missed by name, and then it is whole."""
    test = ("-m", "pytest", "-q", "-p", "no:randomly", "tests/test_quantities.py", "-k")
    test += ("every_row_has_a_reader",)
    first = 'Quantity(name="high_over_low_db"'
    tree.edit("records/quantities.py", first, QUANTITY + first)
    assert "reader of rustle_db" in tree.run(*test, code=1)
    reader = '    "slope_db_per_decade": lambda'
    tree.edit("verdicts/readings.py", reader, f'    "rustle_db": lambda m: 1.5,\n{reader}')
    told = tree.run(*test, code=1)
    assert "word of rustle_db" in told
    assert "reader of rustle_db" not in told
    tree.edit(
        "data/words/en.toml",
        "slope_db_per_decade = ",
        'rustle_db = "rustle"\nslope_db_per_decade = ',
    )
    tree.run(*test)
    assert len(tree.touched) == 3


WORD = """
    shelf: Annotated[
        str, Meta(max_length=200, description="Where the set stands.", extra={"label": "Shelf"})
    ] = ""


JOB_WORDS = """
STEP = """    Step("0008", "where a set stands", ("ALTER TABLE job ADD COLUMN shelf TEXT",)),
)


def apply_steps("""
PAGES = """
from pagetest import open_client
with open_client("book") as client:
    told = [client.get("/").text, client.get("/jobs/1").text]
    client.post("/jobs/1/edit", data={"shelf": "by the door"})
"""


def test_a_word_of_a_job(tree: Tree) -> None:
    """A book from before it has it, too; both forms, storing, search and parcels know it."""
    need_module("starlette")
    voicecheck = ("-m", "voicecheck")
    book = ("--book", "book")
    tree.run(*voicecheck, "type", "add", "Lakeside 4", "--transmitter", "carbon", *book)
    tree.run(*voicecheck, "job", "open", "first", "--type", "Lakeside 4", *book)
    tree.edit("records/jobwords.py", "\n\nJOB_WORDS = ", WORD)
    tree.edit(
        "jobbook/tables.py", '_text("complaint"),', '_text("complaint"), _maybe_text("shelf"),'
    )
    tree.edit("jobbook/tables.py", 'SCHEMA_VERSION = "0007"', 'SCHEMA_VERSION = "0008"')
    tree.edit("jobbook/migrations.py", ")\n\n\ndef apply_steps(", STEP)
    words = ("job", "open", "second", "--type", "Lakeside 4", "--shelf", "top, left")
    tree.run(*voicecheck, *words, *book)
    assert "shelf: top, left" in tree.run(*voicecheck, "job", "show", "2", *book)
    jobs, first = tree.ask(f"import sys; sys.path.insert(0, 'tests'){PAGES}")
    assert 'Shelf <input name="shelf" maxlength="200">' in jobs
    assert 'Shelf <input name="shelf" value="" maxlength="200">' in first
    tree.run(*voicecheck, "export", "job", "1", "one.zip", *book)
    tree.run(*voicecheck, "import", "one.zip", "--book", "other")
    assert "shelf: by the door" in tree.run(*voicecheck, "job", "show", "1", "--book", "other")
    found = json.loads(tree.run(*voicecheck, "job", "list", "door", "--json", "--book", "other"))
    assert [job["shelf"] for job in found] == ["by the door"]
    assert len(tree.touched) == 3
