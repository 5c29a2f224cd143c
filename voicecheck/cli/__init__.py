"""The command line. Heavy libraries load inside the commands, so that `--help` is instant."""

from voicecheck.cli.main import app, main

__all__ = ["app", "main"]
