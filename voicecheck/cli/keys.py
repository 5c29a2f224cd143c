"""One key at a time from a terminal."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from voicecheck.cli.common import tell

GO_ON = " "
_ENTER, _END = "\r\n", "\x04"


def is_terminal() -> bool:
    """Whether somebody sits in front of this who can read and press keys."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def wait_for_key(prompt: str, letters: str = "") -> str:
    """
    Ask, and wait for Space or Enter, or for one of the letters.

    What was typed before the question is thrown away: nothing sounds by a key pressed too early.

    Parameters
    ----------
    prompt : str
    letters : str
        Lower case; other keys are passed over.

    Returns
    -------
    str
        `GO_ON` or the letter.

    Raises
    ------
    KeyboardInterrupt
        On q, Ctrl-C, and when the terminal goes away.
    """
    with _key_by_key() as read_key:
        tell(prompt)
        while True:
            key = read_key().casefold()
            if key in {"q", _END, ""}:
                raise KeyboardInterrupt
            if key == GO_ON or key in _ENTER:
                return GO_ON
            if key in letters:
                return key


@contextmanager
def _key_by_key() -> Iterator[Callable[[], str]]:
    """A terminal that hands over each key as it is pressed, as it was before at the end."""
    try:
        import termios
        import tty
    except ImportError:
        # No such terminals on this system: a line, of which the first letter counts.
        yield lambda: sys.stdin.readline()[:1]
        return
    number = sys.stdin.fileno()
    before = termios.tcgetattr(number)
    try:
        tty.setcbreak(number)
        yield lambda: os.read(number, 1).decode(errors="ignore")
    finally:
        termios.tcsetattr(number, termios.TCSADRAIN, before)
