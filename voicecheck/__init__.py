"""
Measures how a rotary-era telephone talks and hears.

The functions of a script: `open_book`, whose jobs sweep, compare and report; `make_programme`,
`save_programme`, `load_programme`, `load_recording`, `analyze`. They load what they need when they
are first asked for.
"""

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_WHERE = {
    "Recipe": "voicecheck.records",
    "Recording": "voicecheck.records",
    "analyze": "voicecheck.workflow.analysis",
    "load_programme": "voicecheck.bench.wavfile",
    "load_recording": "voicecheck.bench.wavfile",
    "make_programme": "voicecheck.workflow.recipes",
    "open_book": "voicecheck.workflow.scripts",
    "save_programme": "voicecheck.bench.wavfile",
}

__all__ = ["__version__", *_WHERE]  # noqa: PLE0604 (names are looked up in the table)


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        return getattr(import_module(_WHERE[name]), name)
    message = f"module {__name__!r} has no attribute {name!r}"
    raise AttributeError(message)


def __dir__() -> list[str]:
    return sorted(__all__)
