"""Fixtures shared by all tests."""

import importlib.util
import json
import signal
from pathlib import Path

import pytest
from documents import check_document
from services import is_required
from virtual_bench.fixture import shared_card, shared_server, virtual_bench

from voicecheck.records import documents

__all__ = ["shared_card", "shared_server", "virtual_bench"]

# A shell that starts the tests in the background makes them, and every program they start, deaf to
# Ctrl-C; tests of Ctrl-C then fail for no fault of the program.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """How the sealed recordings of this commit went, whether the test failed or not."""
    for report in terminalreporter.stats.get("passed", []) + terminalreporter.stats.get(
        "failed", []
    ):
        for name, told in getattr(report, "user_properties", ()):
            if name == "sealed":
                terminalreporter.write_line(str(told))


@pytest.fixture(autouse=True)
def locks(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Each test locks sound devices in a folder of its own."""
    folder = tmp_path_factory.mktemp("locks")
    monkeypatch.setenv("VOICECHECK_LOCKS", str(folder))
    return folder


@pytest.fixture(autouse=True)
def valid_documents(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever JSON a test makes the program print or file is what its schema says."""
    if importlib.util.find_spec("jsonschema") is None and not is_required("LIBRARIES"):
        return
    format_json = documents.format_json

    def check_and_format(document: object) -> str:
        text = format_json(document)
        check_document(json.loads(text))
        return text

    monkeypatch.setattr(documents, "format_json", check_and_format)
