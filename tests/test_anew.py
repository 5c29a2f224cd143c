"""What an upgrade changed in old verdicts is told when old recordings are analysed anew."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest
from telling import call

from voicecheck.jobbook import JobBook
from voicecheck.records import Recording
from voicecheck.workflow import books
from voicecheck.workflow.anew import analyse_anew
from voicecheck.workflow.papers.comparing import compare

SWEEP = ("--path", "transmit", "--seats", "1", "--simulated", "electret")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A set measured before and after, by a version that is old by now."""
    where = tmp_path_factory.mktemp("anew") / "book"
    call("type", "add", "Lakeside 4", "--transmitter", "electret", book=where)
    call("job", "open", "hall set", "--type", "Lakeside 4", book=where)
    for stage, seed in (("before", 1), ("after", 2)):
        call("sweep", "1", *SWEEP, "--stage", stage, "--seed", seed, book=where)
    return where


def test_verdicts_that_are_others_are_told_and_the_rest_counted(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = books._measure_one

    def measure_louder_after(recording: Recording, recipe: Any) -> Any:
        # As if this version read the second take, a new one, as six decibels louder.
        measurement = real(recording, recipe)
        if recording.sha256 in louder and measurement.response is not None:
            response = measurement.response
            made = dataclasses.replace(response, level_db=response.level_db + 6.0)
            return measurement.replace(response=made)
        return measurement

    with JobBook.open(folder) as book:
        old = compare(book, 1, stage="after", against="before")
        assert old.overall == "within"
        after = book.list_runs(job=1, stage="after")[0]
        louder = {one.recording.sha256 for one in after.recordings}
        monkeypatch.setattr("voicecheck.__version__", "9.9.9")
        monkeypatch.setattr(books, "_measure_one", measure_louder_after)
        anew = analyse_anew(book, n_workers=1, backend="threading")
        assert (anew.analysed.n_recordings, anew.analysed.n_runs) == (2, 2)
        changes = [one for one in anew.overturned if one.against.kind == "before"]
        (one,) = changes
        # One recording on either side calls nothing real.
        assert (one.job, one.stage, one.was, one.now) == (1, "after", "within", "doubtful")
        assert any(line.startswith("transmit response: within, now") for line in one.findings)
        assert anew.n_verdicts >= len(anew.overturned)
        assert analyse_anew(book, n_workers=1, backend="threading").n_verdicts == 0


def test_command_says_how_many_verdicts_were_looked_at(folder: Path) -> None:
    told = call("book", "reanalyze", "--workers", "1", book=folder, is_all=True)
    assert "old verdicts are others now" in told
