"""The microphone's curve of a bench: out of a file, or as it was typed."""

from __future__ import annotations

from pathlib import Path

from voicecheck.bench.calibration.microphone import format_curve, parse_curve
from voicecheck.errors import InputError
from voicecheck.incoming import decode_text, read_ordinary
from voicecheck.records.benches import MicrophoneCurve

MOST_BYTES = 1_000_000
TYPED = "typed"


def read_curve_file(name: str) -> MicrophoneCurve | None:
    """
    The curve in a file; `None` for an empty name, which takes a curve off a bench.

    Raises
    ------
    InputError
        It cannot be read, or holds something else.
    """
    if not name:
        return None
    file = Path(name)
    try:
        content = read_ordinary(file, MOST_BYTES)
        if len(content) > MOST_BYTES:
            raise InputError(f"microphone curve {name}: too long for two columns, Hz and dB")
        text = decode_text(content)
    except (OSError, ValueError) as error:
        message = f"microphone curve {name}: cannot be read ({error}); give a UTF-8 text file"
        raise InputError(message) from error
    return parse_curve(text, file.name)


def read_typed_curve(text: str) -> MicrophoneCurve | None:
    """
    The curve in a field of a form; a first line "# name" names it, an empty field is none.

    Raises
    ------
    InputError
        The field holds something else.
    """
    if not text.strip():
        return None
    first = text.strip().splitlines()[0]
    label = first.removeprefix("#").strip()[:80] if first.startswith("#") else ""
    return parse_curve(text, label or TYPED)


def write_typed_curve(curve: MicrophoneCurve | None) -> str:
    """What `read_typed_curve` reads the curve back from; empty for none."""
    return f"# {curve.label}\n{format_curve(curve)}" if curve else ""
