r"""
What a terminal is given: letters, never commands.

A name, a note or a file's name may hold what moves the cursor, colours the screen, rings its bell
or turns the reading order about. The book keeps it as it was typed; on its way to the screen it is
written out as `\u001b`, which is what JSON makes of it too.
"""

from __future__ import annotations

import re
from typing import Any, TextIO

LONGEST_WORD, LONGEST_LINE = 160, 1500
_COMMANDS = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f"  # C0 but tab and new line, DEL, C1 (ISO/IEC 6429)
    "\u061c\u200e\u200f\u202a-\u202e\u2028\u2029\u2066-\u2069"  # bidi controls (UAX #9), breaks
    "\ufff9-\ufffb\U000e0000-\U000e007f"  # annotations and tags, which nobody sees
    "\ud800-\udfff]"  # halves of letters: bytes of a file's name that are no text
)
_LONG_WORD = re.compile(rf"\S{{{LONGEST_WORD + 1},}}")


def clean_lines(text: str) -> str:
    r"""
    Text of one line or several with every command of a terminal written out.

    Examples
    --------
    >>> print(clean_lines("red\x1b[31m\nand \u202eback"))
    red\u001b[31m
    and \u202eback
    """
    return _COMMANDS.sub(_write_out, text)


def clean_line(text: str) -> str:
    r"""
    As `clean_lines`, in one line.

    Examples
    --------
    >>> clean_line("two\n  lines\r\x07")
    'two lines \\u0007'
    """
    return clean_lines(re.sub(r"\s*[\n\r]\s*", " ", text))


def clean_message(text: str) -> str:
    """
    A message in one line, in which no name is longer than can be read.

    Examples
    --------
    >>> len(clean_message("file " + 300 * "n" + " is not there"))
    137
    """
    line = shorten_words(clean_line(text))
    return line if len(line) <= LONGEST_LINE else f"{line[: LONGEST_LINE - 3]}..."


def shorten_words(text: str) -> str:
    """Text in which the middle of every long name is left out."""
    return _LONG_WORD.sub(lambda found: f"{found[0][:58]}...{found[0][-58:]}", text)


class Screen:
    """
    A stream that writes out commands to the terminal instead of giving them.

    Parameters
    ----------
    stream : text stream
        Standard output or standard error; everything but `write` is its own.
    """

    def __init__(self, stream: TextIO) -> None:
        # The name by which the library of progress bars looks for what it may draw on.
        self.rich_proxied_file = stream

    def write(self, text: str) -> int:
        """Write text, cleaned."""
        self.rich_proxied_file.write(clean_lines(text))
        return len(text)

    def writelines(self, lines: list[str]) -> None:
        """Write lines, cleaned."""
        for line in lines:
            self.write(line)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.rich_proxied_file, name)


def write_over(stream: Any, text: str) -> None:
    """Write text over the line that stands there: the one command that the program gives itself."""
    own = getattr(stream, "rich_proxied_file", stream)
    own.write(f"\r{clean_line(text)}")
    own.flush()


def _write_out(found: re.Match[str]) -> str:
    code = ord(found[0])
    if code < 0x10000:
        return f"\\u{code:04x}"
    code -= 0x10000
    return f"\\u{0xD800 + (code >> 10):04x}\\u{0xDC00 + (code & 0x3FF):04x}"
