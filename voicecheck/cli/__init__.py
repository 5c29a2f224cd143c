"""The command line. Heavy libraries load inside the commands, so that `--help` is instant."""

from voicecheck.cli.main import main, make_app

__all__ = ["main", "make_app"]
