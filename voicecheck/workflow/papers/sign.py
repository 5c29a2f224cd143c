"""The shop's sign, made harmless: PNG drawn anew, SVG taken apart and only its shapes kept."""

from __future__ import annotations

import base64
import io
import re
import xml.etree.ElementTree as ET
from pathlib import Path

from voicecheck.errors import InputError
from voicecheck.incoming import read_ordinary

MOST_BYTES = 2 << 20
MOST_PIXELS, SIGN_PIXELS = 40_000_000, 900
MOST_ELEMENTS = 5000
SVG = "http://www.w3.org/2000/svg"
ELEMENTS = frozenset(
    {
        "svg", "g", "path", "rect", "circle", "ellipse", "line", "polyline", "polygon", "text",
        "tspan", "title", "desc", "defs", "linearGradient", "radialGradient", "stop", "clipPath",
    }
)  # fmt: skip
ATTRIBUTES = frozenset(
    {
        "d", "x", "y", "x1", "y1", "x2", "y2", "cx", "cy", "r", "rx", "ry", "width", "height",
        "points", "viewBox", "preserveAspectRatio", "transform", "fill", "fill-rule",
        "fill-opacity",
        "stroke", "stroke-width", "stroke-linecap", "stroke-linejoin", "stroke-dasharray",
        "stroke-opacity", "opacity", "font-family", "font-size", "font-weight", "font-style",
        "text-anchor", "letter-spacing", "id", "offset", "stop-color", "stop-opacity",
        "gradientUnits", "gradientTransform", "clip-path", "clip-rule", "dx", "dy",
    }
)  # fmt: skip
INSIDE = re.compile(r"url\(#[\w-]+\)")


def read_sign(path: str | Path) -> str:
    """
    A sign from a file, as an address of data that may stand in any paper.

    Parameters
    ----------
    path : path
        PNG or SVG, 2 MB at most.

    Returns
    -------
    str

    Raises
    ------
    InputError
        No such file, another kind, too large, or damaged.
    """
    path = Path(path)
    try:
        content = read_ordinary(path, MOST_BYTES)
    except OSError as error:
        raise InputError(f"sign {path.name}: cannot be read ({error.strerror})") from error
    if len(content) > MOST_BYTES:
        raise InputError(f"sign {path.name}: need 2 MB at most; save it smaller")
    if content.startswith(b"\x89PNG"):
        return _address("image/png", _draw_anew(content, path.name))
    return _address("image/svg+xml", clean_svg(content, path.name))


def clean_svg(content: bytes, name: str) -> bytes:
    """
    The shapes and texts of an SVG document, and nothing that acts or asks for anything outside.

    Raises
    ------
    InputError
        No SVG, with a document type or entities, or of too many parts.
    """
    if b"<!DOCTYPE" in content.upper() or b"<!ENTITY" in content.upper() or b"\0" in content:
        raise InputError(f"sign {name}: has a document type; save it as plain SVG or PNG")
    try:
        root = ET.fromstring(content)
    except (ET.ParseError, ValueError) as error:
        raise InputError(f"sign {name}: need PNG or SVG, got neither ({error})") from error
    if root.tag != f"{{{SVG}}}svg":
        raise InputError(f"sign {name}: need PNG or SVG, got <{str(root.tag)[:40]}>")
    if sum(1 for _ in root.iter()) > MOST_ELEMENTS:
        raise InputError(f"sign {name}: need {MOST_ELEMENTS} shapes at most; save it as PNG")
    _clean(root)
    ET.register_namespace("", SVG)
    return bytes(ET.tostring(root, encoding="utf-8"))


def _clean(element: ET.Element) -> None:
    kept = {name: value for name, value in element.attrib.items() if _is_harmless(name, value)}
    element.attrib.clear()
    element.attrib.update(kept)
    for child in list(element):
        tag = child.tag if isinstance(child.tag, str) else ""
        if tag.startswith(f"{{{SVG}}}") and tag.rpartition("}")[2] in ELEMENTS:
            _clean(child)
        else:
            element.remove(child)


def _is_harmless(name: str, value: str) -> bool:
    outside = INSIDE.sub("", value)
    return name in ATTRIBUTES and not re.search(r"url\s*\(|://|javascript:|\\|@", outside, re.I)


def _draw_anew(content: bytes, name: str) -> bytes:
    from PIL import Image

    buffer = io.BytesIO()
    try:
        with Image.open(io.BytesIO(content), formats=("PNG",)) as opened:
            if opened.width * opened.height > MOST_PIXELS:
                raise InputError(f"sign {name}: need {MOST_PIXELS} pixels at most; save it smaller")
            drawn = opened.convert("RGBA")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise InputError(f"sign {name}: damaged PNG; save it anew") from error
    drawn.thumbnail((SIGN_PIXELS, SIGN_PIXELS))
    drawn.save(buffer, "PNG", optimize=True)
    return buffer.getvalue()


def _address(media_type: str, content: bytes) -> str:
    return f"data:{media_type};base64,{base64.b64encode(content).decode()}"
