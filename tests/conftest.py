"""Fixtures shared by all tests."""

import pytest
from virtual_bench.fixture import shared_card, shared_server, virtual_bench

__all__ = ["shared_card", "shared_server", "virtual_bench"]


@pytest.fixture(autouse=True)
def locks(tmp_path_factory, monkeypatch):
    """Each test locks sound devices in a folder of its own."""
    folder = tmp_path_factory.mktemp("locks")
    monkeypatch.setenv("VOICECHECK_LOCKS", str(folder))
    return folder
