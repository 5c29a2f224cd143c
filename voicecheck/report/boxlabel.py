"""The label of a set's box, with a code that a telephone's camera reads."""

from __future__ import annotations

from html import escape

from voicecheck.errors import InputError

WIDTH_MM, HEIGHT_MM = 62.0, 29.0
QUIET_MODULES = 4
"""Empty border of the code, modules (ISO/IEC 18004)."""
LONGEST = {"label": 26, "type": 30}
MOST_IN_CODE = 120
JOINERS = "\u200c\u200d"


def draw_label(*, job: int, number: int | None, label: str, type_name: str, came_in: str) -> bytes:
    """
    A label as an SVG document.

    Parameters
    ----------
    job : int
    number : int or None
        Of the set.
    label, type_name : str
    came_in : str
        Day.

    Returns
    -------
    bytes
        62 mm by 29 mm. The code holds the job's number and label as text; it leads to nothing.

    Raises
    ------
    InputError
        The extra `label` is not installed.
    """
    try:
        import segno
    except ImportError as error:
        raise InputError(
            "label: needs the extra `label` (pip install 'voicecheck[label]'); nothing was written"
        ) from error
    label, type_name = _keep_letters(label), _keep_letters(type_name)
    text = f"job {job}: {label}"
    if len(text) > MOST_IN_CODE:
        text = text[: MOST_IN_CODE - 1] + "…"
    matrix = segno.make(text, error="m", micro=False).matrix
    side = len(matrix) + 2 * QUIET_MODULES
    cells = "".join(
        f"M{x + QUIET_MODULES} {y + QUIET_MODULES}h1v1h-1z"
        for y, row in enumerate(matrix)
        for x, dark in enumerate(row)
        if dark
    )
    of_set = f"Set {number}. " if number is not None else ""
    lines = (
        (9.5, 5.6, "bold", f"Job {job}"),
        (15.5, 3.6, "bold", _cut(label, LONGEST["label"])),
        (20.5, 3.0, "normal", _cut(type_name, LONGEST["type"])),
        (25.5, 2.8, "normal", f"{of_set}Came in {came_in}"),
    )
    texts = "".join(
        f'<text x="29" y="{y}" font-size="{size}" font-weight="{weight}">{escape(line)}</text>'
        for y, size, weight, line in lines
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH_MM}mm" height="{HEIGHT_MM}mm" '
        f'viewBox="0 0 {WIDTH_MM} {HEIGHT_MM}" font-family="DejaVu Sans, sans-serif">'
        f"<title>{escape(text)}</title>"
        f'<rect width="{WIDTH_MM}" height="{HEIGHT_MM}" fill="#fff"/>'
        f'<g transform="translate(1 1) scale({(HEIGHT_MM - 2.0) / side:.6f})">'
        f'<path shape-rendering="crispEdges" d="{cells}"/></g>{texts}</svg>\n'
    ).encode()


def _cut(text: str, longest: int) -> str:
    text = " ".join(text.split())
    return text if len(text) <= longest else text[: longest - 1] + "…"


def _keep_letters(text: str) -> str:
    """One line of what can be seen, and what joins letters; XML bears no control characters."""
    return " ".join(
        "".join(c for c in text if c.isprintable() or c in JOINERS or c.isspace()).split()
    )
