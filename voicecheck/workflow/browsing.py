"""What a browser on this machine can read."""

from __future__ import annotations

from pathlib import Path


def find_readable() -> Path | None:
    """
    Where files for a browser, and its own, may lie: `None` for the usual temporary folder.

    A browser from a Snap package sees neither /tmp nor hidden folders, only the plain home.
    """
    return Path.home() if Path("/snap/bin").is_dir() else None
