"""The handbook that ships with the program: its pages as text and as HTML."""

from __future__ import annotations

import functools
import re
from dataclasses import dataclass
from pathlib import Path

from voicecheck.errors import InputError

FOLDER = Path(__file__).parent / "data" / "handbook"
CONTENTS = "index"
LINK = re.compile(r"\]\(([a-z-]+)\.md\)")
REMARK = re.compile(r"<!--.*?-->\n?", re.DOTALL)
"""What tests read of a page, and nobody else."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Topic:
    """
    One page of the handbook.

    Parameters
    ----------
    name : str
        As it is asked for; the stem of its file.
    title : str
    text : str
        Markdown (CommonMark with tables), links to other pages as `name.md`.
    """

    name: str
    title: str
    text: str


@functools.cache
def list_topics() -> tuple[str, ...]:
    """Names of the pages, in the order of the contents; the contents themselves first."""
    return CONTENTS, *dict.fromkeys(LINK.findall(_read(CONTENTS)))


@functools.cache
def load_topic(name: str = CONTENTS) -> Topic:
    """
    One page of the handbook.

    Parameters
    ----------
    name : str

    Returns
    -------
    Topic

    Raises
    ------
    InputError
        There is no such page; the message names those that there are.

    Examples
    --------
    >>> load_topic("carbon").title
    'Carbon'
    """
    if name not in list_topics():
        known = ", ".join(list_topics()[1:])
        raise InputError(f"handbook: need one of {known}, got {name[:40]!r}")
    text = REMARK.sub("", _read(name))
    title = text.partition("\n")[0].removeprefix("# ").strip()
    return Topic(name=name, title=title, text=text)


def _read(name: str) -> str:
    return (FOLDER / f"{name}.md").read_text(encoding="utf-8")


@functools.cache
def render_topic(name: str = CONTENTS, base: str = "/help/") -> str:
    """
    One page as HTML, without head and body.

    Parameters
    ----------
    name : str
    base : str
        What the addresses of other pages and of drawings begin with.

    Returns
    -------
    str
        Its tables can be scrolled by keyboard; its headings can be led to.

    Raises
    ------
    InputError
        There is no such page.
    """
    from markdown_it import MarkdownIt

    text = load_topic(name).text
    text = LINK.sub(rf"]({base}\1)", text)
    text = re.sub(r"\]\(([a-z-]+\.svg)\)", rf"]({base}\1)", text)
    # No HTML of a page's own: what stands in a page is text.
    html = str(MarkdownIt("commonmark", {"html": False}).enable("table").render(text))
    scrolled = '<div class="wide" tabindex="0" role="region" aria-label="Table"><table>'
    html = html.replace("<table>", scrolled).replace("</table>", "</table></div>")
    return html.replace("<th>", '<th scope="col">')


def list_drawings() -> tuple[str, ...]:
    """Names of the drawings, as pages name them."""
    return tuple(sorted(path.name for path in FOLDER.glob("*.svg")))


def read_drawing(name: str) -> bytes:
    """
    One drawing as SVG.

    Raises
    ------
    InputError
        There is no such drawing.
    """
    if name not in list_drawings():
        raise InputError(f"handbook: there is no drawing {name[:40]!r}")
    return (FOLDER / name).read_bytes()
