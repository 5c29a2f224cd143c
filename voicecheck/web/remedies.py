"""Sentences that name a command, as a page says them: the place that does the same, as a link."""

from __future__ import annotations

import re
from urllib.parse import quote

from markupsafe import Markup, escape

COMMAND = re.compile(r"`voicecheck ([^`]+)`")
PLACES: tuple[tuple[str, str, str], ...] = (
    (r'bench check "?([^"]+)"?', "/bench?name={0}", "the daily check"),
    (r"bench add", "/benches", "setting up a bench"),
    (r"devices", "/benches", "the list of sound devices"),
    (r"handsets", "/", "“Try it without a bench” of any job"),
    (r"job reopen (\d+)", "/jobs/{0}", "“Reopen the job”"),
    (r"job open", "/#open", "opening a job"),
    (r"job done (\d+)", "/jobs/{0}", "“The work is done”"),
    (r"job takes (\d+)", "/jobs/{0}", "its takes"),
    (r"job (?:aside|back|move) (\d+) .*", "/jobs/{0}", "its takes"),
    (r"work (?:answer|list) (\d+).*", "/jobs/{0}#work-done", "its work"),
    (r"set (?:list|edit|show).*", "/sets", "the sets"),
    (r"job open .*--set.*", "/sets", "the set's own page"),
    (r"job restore (\d+)", "/", "taking it out of the bin"),
    (r"fits (\d+).*", "/jobs/{0}?mark=line#fit", "how it fits a line"),
    (r"line (?:list|show).*", "#fit", "the choice of lines"),
    (r"line add.*", "/help/checks", "how to keep a line of your own"),
    (r"sweep --path \w+", "#starts", "a sweep by hand"),
    (r"line --loop-ma", "#readings", "readings of a meter"),
    (r"type add", "/types", "adding a set type"),
    (r'baseline build "?([^"]+)"?', "/type?name={0}", "building the baseline"),
    (r"baseline build", "/types", "building the baseline"),
    (r"baseline import FILE", "/types", "bringing in a baseline"),
)
"""
Command, page that does it, and what is on the link.

Lines by name are told of on one page alone, a job's, so the place of what they need is on it.
"""


def quote_name(name: str) -> str:
    """
    A name as part of an address, whatever it holds.

    Examples
    --------
    >>> quote_name("a/b & c")
    'a%2Fb%20%26%20c'
    """
    return quote(name.encode("utf-8", "replace"), safe="")


def find_place(command: str) -> tuple[str, str] | None:
    """
    Page that does what a command does, and words for it; `None` where there is none.

    Examples
    --------
    >>> find_place("job reopen 7")
    ('/jobs/7', '“Reopen the job”')
    """
    for pattern, address, words in PLACES:
        if found := re.fullmatch(pattern, command):
            return address.format(*(quote_name(one) for one in found.groups())), words
    return None


def link_commands(line: str) -> Markup:
    """
    A sentence as part of a page, with links in place of the commands that have a page.

    Examples
    --------
    >>> link_commands("<7> is closed; `voicecheck job reopen 7` opens it again")
    Markup('&lt;7&gt; is closed; <a href="/jobs/7">“Reopen the job”</a> opens it again')
    """
    parts, at = [], 0
    for found in COMMAND.finditer(line):
        place = find_place(found[1])
        parts.append(escape(line[at : found.start()]))
        if place is None:
            parts.append(escape(found[1]))
        else:
            parts.append(Markup('<a href="{}">{}</a>').format(*place))
        at = found.end()
    return Markup("").join([*parts, escape(line[at:])])
