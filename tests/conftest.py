"""Fixtures shared by all tests."""

import signal
from pathlib import Path

import pytest
from virtual_bench.fixture import shared_card, shared_server, virtual_bench

__all__ = ["shared_card", "shared_server", "virtual_bench"]

# A shell that starts the tests in the background makes them, and every program they start, deaf to
# Ctrl-C; tests of Ctrl-C then fail for no fault of the program.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(autouse=True)
def locks(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Each test locks sound devices in a folder of its own."""
    folder = tmp_path_factory.mktemp("locks")
    monkeypatch.setenv("VOICECHECK_LOCKS", str(folder))
    return folder
