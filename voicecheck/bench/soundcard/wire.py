"""Messages between the program and its sound process: one line of JSON, then raw bytes."""

from __future__ import annotations

import json
from typing import Any, BinaryIO

Message = dict[str, Any]


def send(file: BinaryIO, header: Message, content: bytes | memoryview = b"") -> None:
    """Write one message; `header` must be JSON-able."""
    line = json.dumps({**header, "n_bytes": len(content)})
    file.write(line.encode() + b"\n")
    file.write(content)
    file.flush()


def receive(file: BinaryIO) -> tuple[Message, bytes] | None:
    """Read one message; `None` when the other end has gone."""
    line = file.readline()
    if not line.endswith(b"\n"):
        return None
    header: Message = json.loads(line)
    content = file.read(header["n_bytes"])
    return (header, content) if len(content) == header["n_bytes"] else None
