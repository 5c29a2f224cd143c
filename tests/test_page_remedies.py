"""No page tells anyone to type a command that a page does."""

import re
from pathlib import Path

from voicecheck.web.remedies import find_place, link_commands

PACKAGE = Path(__file__).parents[1] / "voicecheck"
TYPED_ONLY = ("book ", "page", "demo", "protocol ")
"""Commands about the book itself, and those of the protocol, which no page has."""


def list_named() -> set[str]:
    """Commands that sentences of the program name, beside those of the command line itself."""
    named = set()
    for file in PACKAGE.rglob("*.py"):
        if "cli" in file.parts or file.name == "remedies.py":
            continue
        for found in re.findall(r"`voicecheck ([^`\n]+)`", file.read_text(encoding="utf-8")):
            named.add(re.sub(r'"?\{[^}]*\}"?', "7", found))
    return named


def test_every_command_that_is_named_has_a_page() -> None:
    named = list_named()
    assert len(named) > 8
    left = {one for one in named if not one.startswith(TYPED_ONLY) and find_place(one) is None}
    assert left == set()


def test_what_is_not_a_command_stays_text() -> None:
    told = link_commands('<b> "7" `code` `voicecheck book verify` `voicecheck devices` lists')
    assert "<b>" not in told
    assert "`code`" in told
    assert '<a href="/benches">' in told
