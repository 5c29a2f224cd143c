"""Jobs, takes and set types filed, moved and taken away on the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from voicecheck.cli.main import make_app
from voicecheck.errors import InputError

OLDER = ("edit", "reopen", "attach", "timeline")


def call(*words: str, book: Path, error: type[Exception] | None = None) -> str:
    done = CliRunner().invoke(make_app(), list(words), env={"VOICECHECK_BOOK": str(book)})
    if error is not None:
        assert isinstance(done.exception, error), done.output
        return str(done.exception)
    assert done.exception is None, done.exception
    return done.output


@pytest.fixture
def book(tmp_path: Path) -> Path:
    where = tmp_path / "book"
    call("type", "add", "Lakeside 4", "--transmitter", "carbon", book=where)
    call("job", "open", "hall set", "--type", "Lakeside 4", book=where)
    return where


def test_a_check_is_listed_moved_put_aside_and_brought_back(book: Path) -> None:
    call("dial", "1", "--simulated", "healthy:37", book=book)
    (take,) = json.loads(call("job", "takes", "1", "--json", book=book))
    assert (take["name"], take["stage"], take["simulated"]) == ("dial", "before", True)
    call("job", "move", "1", take["key"], "--to", "after", "--why", "wrong stage", book=book)
    call("job", "aside", "1", take["key"], "--why", "another set", book=book)
    told = call("job", "takes", "1", book=book)
    assert "after" in told
    assert "put aside: another set" in told
    call("job", "back", "1", take["key"], "--why", "the same set", book=book)
    lines = call("job", "timeline", "1", book=book)
    for words in ("wrong stage", "another set", "the same set"):
        assert words in lines
    near = call("job", "move", "1", take["key"], "--to", "aftr", "--why", "x", book=book,
                error=InputError)  # fmt: skip
    assert "one letter away from after" in near


def test_the_bin_is_emptied_only_when_somebody_says_so(book: Path) -> None:
    call("job", "remove", "1", book=book)
    assert "hall set" not in call("job", "list", book=book)
    assert "needs --yes" in call("book", "empty-bin", book=book, error=InputError)
    call("job", "restore", "1", book=book)
    call("job", "remove", "1", book=book)
    assert json.loads(call("book", "empty-bin", "--yes", "--json", book=book)) == {"deleted": [1]}
    call("type", "edit", "Lakeside 4", "--region", "sweden", book=book)
    assert "Sweden" in call("type", "list", "--json", book=book)
    call("type", "remove", "Lakeside 4", book=book)
    assert call("type", "list", "--json", book=book).strip() == "[]"


def test_commands_of_a_job_stand_together_and_the_older_spellings_work(book: Path) -> None:
    shown = call("job", "--help", book=book)
    for name in ("open", "edit", "note", "close", "reopen", "attach", "timeline", "export"):
        assert f"  {name} " in shown
    top = call("--help", book=book)
    for name in OLDER:
        assert f"  {name} " not in top
    call("edit", "1", "--label", "desk set", book=book)
    assert "desk set" in call("timeline", "1", book=book)


def test_a_sweep_without_a_stage_takes_that_of_the_job(book: Path) -> None:
    call("job", "done", "1", book=book)
    run = json.loads(
        call("sweep", "1", "--path", "loop", "--simulated", "carbon", "--seats", "1", "--json",
             "--quiet", book=book)
    )  # fmt: skip
    assert run["stage"] == "after"
