"""Eight writers on either database, which is taken away in the middle: nothing reported is lost."""

from __future__ import annotations

import os
from pathlib import Path

import crowds
import postgres_server
import pytest
from services import need


@pytest.mark.parametrize("which", crowds.PLACES)
def test_eight_writers_whose_database_is_taken_away(which: str, tmp_path: Path) -> None:
    need("PLATFORM", None if hasattr(os, "fork") else "this system has no fork")
    if which == "postgresql":
        need("POSTGRES", postgres_server.find_missing())
    figures = crowds.try_crowd(tmp_path, which, n_steps=8, seed=19)
    assert figures.wrong == []
    assert len(figures.done) >= 8 * crowds.N_WRITERS
    assert len(figures.refused) > 4, "some were refused, or nothing was taken away"
    assert {kind for kind, _ in figures.done} == set(crowds.KINDS)
