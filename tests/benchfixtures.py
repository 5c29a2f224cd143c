# mypy: disable-error-code="attr-defined,var-annotated"
"""Fixtures of the tests of the bench pages: a book, a client, a bench in it."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from benchpage import DEVICES
from pagetest import (
    fill_book,
    open_client,
)

from voicecheck.records.benches import BenchSetup
from voicecheck.workflow.benches.store import (
    add_setup,
)
from voicecheck.workflow.books import open_book


@pytest.fixture
def where(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    monkeypatch.setattr("voicecheck.web.benchpages.list_sound_devices", lambda: DEVICES)
    return fill_book(tmp_path)


@pytest.fixture
def client(where: Any) -> Iterator[Any]:
    with open_client(where) as client:
        yield client


@pytest.fixture
def bench(where: Any) -> None:
    """A bench with four channels in the book."""
    with open_book(where) as book:
        add_setup(book, BenchSetup(name="attic", device="Oak two-way"))
