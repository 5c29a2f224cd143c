"""
Every figure of speed and memory as a ratio over its floor, in one table.

    OMP_NUM_THREADS=1 python tests/bench/all_ratios.py [--short] [--keep] [PART ...]

Each figure is timed in turn with the least that any program would need for it, so that a faster or
a busy machine moves both. `--short` takes under three minutes on two idle cores, the whole some
twenty. The stored table of the same form (`ratios.md`) stands beside; `--keep` stores this one
there in its place, or its parts in place of theirs. Nothing is judged here: a ratio that went up is
for a person to look at.
"""

from __future__ import annotations

import argparse
import os
import platform
import re
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy
import scipy
from speed_analysis import list_analysis, list_cores, list_starts
from speed_archive import list_archive
from speed_book import list_book
from speed_checks import list_checks
from speed_comparison import list_comparisons
from speed_page import list_pages
from speed_papers import list_papers
from timing import Ratio

STORED = Path(__file__).parent / "ratios.md"
PARTS: Mapping[str, Callable[..., Iterator[Ratio]]] = {
    "analysis": list_analysis,
    "start": list_starts,
    "cores": list_cores,
    "checks": list_checks,
    "comparison": list_comparisons,
    "papers": list_papers,
    "page": list_pages,
    "book": list_book,
    "archive": list_archive,
}
NUMBER = re.compile(r"\s*\d")
HEADS = {True: "## Short form", False: "## Whole"}
TOP = "| what | measured | floor | ratio | stored | floor is |\n|---|--:|--:|--:|--:|---|\n"


def describe_machine() -> str:
    """What ran it, without naming anybody's machine."""
    words = [f"{os.cpu_count()} cores", platform.machine(), platform.system()]
    cpus = Path("/proc/cpuinfo")
    if cpus.is_file():
        found = re.search(r"^model name\s*:\s*(.+)$", cpus.read_text(encoding="utf-8"), re.M)
        words += [found[1]] if found else []
    if hasattr(os, "getloadavg"):
        words.append(f"load {os.getloadavg()[0]:.1f} at the start")
    words += [f"Python {platform.python_version()}", f"numpy {numpy.__version__}"]
    return ", ".join([*words, f"scipy {scipy.__version__}"])


def read_stored(text: str, *, short: bool) -> dict[str, float]:
    r"""
    Ratios of one form's stored table, by name.

    Examples
    --------
    >>> line = "| chart: PNG | 4.0 ms | 2.0 ms | 2.00 | 1.90 | a bare figure |"
    >>> read_stored(f"## Short form\\n{line}", short=True)
    {'chart: PNG': 2.0}
    """
    _, _, part = text.partition(HEADS[short])
    rows = (line.split("|") for line in part.partition("\n## ")[0].splitlines())
    return {row[1].strip(): float(row[4]) for row in rows if len(row) > 6 and NUMBER.match(row[4])}


def write_row(one: Ratio, stored: Mapping[str, float]) -> str:
    """A line of the table, the stored ratio beside it."""
    was = _say(stored[one.name]) if one.name in stored else ""
    return (
        f"| {one.name} | {_say(one.value)} {one.unit} | {_say(one.floor)} {one.unit} | "
        f"{_say(one.ratio)} | {was} | {one.against} |\n"
    )


def _say(value: float) -> str:
    return f"{value:.0f}" if value >= 100.0 else f"{value:.3g}"


def keep(machine: str, rows: Sequence[str], *, short: bool, whole: bool = True) -> None:
    """Put rows in place of the stored ones of the same form; all of them, or those of a name."""
    text = STORED.read_text(encoding="utf-8") if STORED.is_file() else ""
    tables = {
        form: text.partition(head)[2].partition("\n## ")[0].strip() for form, head in HEADS.items()
    }
    stored = tables[short].partition(TOP)[2].splitlines(keepends=True)
    kept = {} if whole else {row.split("|")[1]: f"{row.rstrip()}\n" for row in stored}
    kept |= {row.split("|")[1]: row for row in rows}
    tables[short] = f"{machine}\n\n{TOP}{''.join(kept.values())}".strip()
    title = text.partition("\n## ")[0].strip()
    parts = [title, *(f"{HEADS[form]}\n\n{tables[form]}" for form in HEADS if tables[form])]
    STORED.write_text("\n\n".join(parts) + "\n", encoding="utf-8")


def main() -> None:
    """Print the table as it grows."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parts", nargs="*", metavar="PART", help=f"of {', '.join(PARTS)}")
    parser.add_argument("--short", action="store_true", help="fewer rounds, smaller books")
    parser.add_argument("--keep", action="store_true", help=f"store the table in {STORED.name}")
    chosen = parser.parse_args()
    if unknown := set(chosen.parts) - PARTS.keys():
        parser.error(f"no such part: {', '.join(sorted(unknown))}")
    text = STORED.read_text(encoding="utf-8") if STORED.is_file() else ""
    stored = read_stored(text, short=chosen.short)
    machine, rows = f"{describe_machine()}.", []
    sys.stdout.write(f"{machine}\n\n{TOP}")
    for name in chosen.parts or PARTS:
        for one in PARTS[name](short=chosen.short):
            rows.append(write_row(one, {}))
            sys.stdout.write(write_row(one, stored))
            sys.stdout.flush()
    if chosen.keep:
        keep(machine, rows, short=chosen.short, whole=not chosen.parts)


if __name__ == "__main__":
    main()
