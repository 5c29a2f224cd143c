"""Commands run as an ordinary user: the tests may be run by root, who sees no rights at all."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from services import give_up

NOBODY = 65534
"""The user of that number owns nothing, on Debian as elsewhere (common practice, no source)."""


def run_as_nobody(
    command: Sequence[str | Path], *, home: Path | None = None
) -> subprocess.CompletedProcess[str]:
    """Run a command as a user who owns nothing, with no group of the caller's."""
    if os.name == "nt" or os.getuid() != 0:
        give_up("PLATFORM", "only root can become another user")
    environment = {"PATH": os.environ["PATH"], "HOME": str(home or "/nonexistent")}
    return subprocess.run(
        [str(word) for word in command], user=NOBODY, group=NOBODY, extra_groups=[],
        capture_output=True, text=True, errors="replace",
        env=environment, cwd="/", timeout=120, check=False,
    )  # fmt: skip


def run_program_as_nobody(
    *arguments: str | Path, home: Path | None = None
) -> subprocess.CompletedProcess[str]:
    """
    The command line of the program, as that user.

    Root's own Python may be closed to others, so that all is loaded before the rights go.
    """
    if os.name == "nt" or os.getuid() != 0:
        give_up("PLATFORM", "only root can become another user")
    code = f"""
import os, sys, tempfile
from voicecheck.cli.main import main, make_app
from voicecheck.jobbook import JobBook
from typer.testing import CliRunner
with tempfile.TemporaryDirectory() as folder:
    words = [folder if word == sys.argv[-1] else word for word in sys.argv[1:-1]]
    CliRunner().invoke(make_app(), words)
sys.argv.pop()
os.setgroups([])
os.setgid({NOBODY})
os.setuid({NOBODY})
os.umask(0o022)
main()
"""
    # The last word says which of them is the book: loading is done with another.
    book = arguments[arguments.index("--book") + 1] if "--book" in arguments else ""
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments), str(book)],
        env={**os.environ, "HOME": str(home or "/nonexistent")},
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
