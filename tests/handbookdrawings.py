"""
The drawings of the handbook, made from the same shapes as those of the calibration.

`python tests/handbookdrawings.py` writes them.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

from voicecheck.handbook import FOLDER
from voicecheck.web.wiring import draw_wiring

SHAPES = Path(FOLDER).parent / "bench" / "wiring.toml"
LABELS = {
    "line_drive": "2", "line_tap": "1", "mouth": "1", "ear": "2", "load": "600 ohm",
    "note": "|10k or more", "feed": "40 mA", "distance": ", 25 mm from the lips",
}  # fmt: skip
"""Of a bench like any other."""
STYLE = (
    "<style>rect{fill:#fff;stroke:#222;stroke-width:1.5}polyline,path{fill:none;stroke:#222;"
    "stroke-width:2}text{fill:#222;text-anchor:middle;font:15px sans-serif}</style>"
    '<rect width="100%" height="100%" style="stroke:none"/>'
)


def draw_all() -> dict[str, str]:
    """Each drawing by its file's name."""
    drawings = {}
    for name in tomllib.loads(SHAPES.read_text(encoding="utf-8")):
        svg = str(draw_wiring(name, LABELS, name))
        head, _, rest = svg.partition(">")
        head = head.replace('class="wiring"', 'xmlns="http://www.w3.org/2000/svg"')
        drawings[f"wires-{name}.svg"] = f"{head}>{STYLE}{rest}\n"
    return drawings


if __name__ == "__main__":
    for file, text in draw_all().items():
        (FOLDER / file).write_text(text, encoding="utf-8")
