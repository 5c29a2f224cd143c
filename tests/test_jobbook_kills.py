"""Killed at any moment, the book opens with everything that was reported as saved."""

from __future__ import annotations

import os
from collections import Counter
from pathlib import Path

from jobbook_kills import run_rounds
from services import need


def test_nothing_reported_is_lost_in_15_kills(tmp_path: Path) -> None:
    """The study of 300 is tests/bench/jobbook_kills_300.py."""
    need("PLATFORM", None if hasattr(os, "fork") else "this system has no fork")
    said: Counter[str] = sum(run_rounds(tmp_path, 15, seed=4), Counter())
    assert said["opened"] > 3
    assert said.total() > 20
