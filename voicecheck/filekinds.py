"""Kinds of files, known by how they begin; their names say nothing."""

from __future__ import annotations

import codecs
import re

HEAD_BYTES = 4096
"""Enough for every signature and for the schema, which the program's documents name first."""
SIGNATURES = (
    (b"fLaC", "FLAC"),
    (b"FORM", "AIFF"),
    (b"OggS", "Ogg"),
    (b"\x89PNG\r\n\x1a\n", "PNG"),
    (b"\xff\xd8\xff", "JPEG"),
    (b"GIF8", "GIF"),
    (b"%PDF-", "PDF"),
    (b"PK\x03\x04", "ZIP"),
    (b"SQLite format 3\0", "database"),
)
SCHEMA = re.compile(rb'"schema"\s*:\s*"(voicecheck\.[a-z-]+)/')


def recognise(head: bytes) -> str:
    r"""
    Kind of a file by its beginning.

    Parameters
    ----------
    head : bytes
        At least the first 4096 bytes of a file that is longer.

    Returns
    -------
    str
        For messages, and to be compared.

    Examples
    --------
    >>> recognise(b"RIFF\x00\x00\x00\x00WAVEfmt "), recognise(b"a,b"), recognise(b"\x00\x01")
    ('WAV', 'text', 'unknown data')
    >>> recognise(b'{"schema": "voicecheck.run/1"}'), recognise(b'{"a": 1}')
    ('JSON voicecheck.run', 'JSON of another program')
    """
    head = head[:HEAD_BYTES]
    if head[:4] in (b"RIFF", b"RF64") and head[8:12] == b"WAVE":
        return "WAV"
    for signature, kind in SIGNATURES:
        if head.startswith(signature):
            return kind
    try:
        # The last character of a longer file may be cut in two.
        codecs.getincrementaldecoder("utf-8")().decode(head, final=len(head) < HEAD_BYTES)
    except UnicodeDecodeError:
        return "unknown data"
    # A label may hold a stray one, and so does the page that shows it; data hold many.
    if head.count(b"\0") * 10 > len(head):
        return "unknown data"
    if head.lstrip()[:1] in (b"{", b"["):
        found = SCHEMA.search(head)
        return f"JSON {found[1].decode()}" if found else "JSON of another program"
    return "text"
