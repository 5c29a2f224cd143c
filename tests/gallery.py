"""
Every fault that the simulated bench knows: chart, the owner's sentence, the bench's, the causes.

    OMP_NUM_THREADS=1 python tests/gallery.py [NAME ...]

Writes `reports/gallery`: all of it, or only the named entries. Seeds are fixed and nothing carries
a date, so that a difference between two versions shows only what a change does.
"""

from __future__ import annotations

import dataclasses
import os
import re
import sys
import tempfile
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import lru_cache
from multiprocessing import get_context
from pathlib import Path

from voicecheck.bench.simulated import SimulatedBench
from voicecheck.bench.simulated.faults import list_fault_rows
from voicecheck.charts import draw_response, render_figure
from voicecheck.errors import RecordingError
from voicecheck.jobbook import JobBook
from voicecheck.programme import make_programme
from voicecheck.records import Baseline, Comparison, Hint, Programme, Recipe, Run, SetType
from voicecheck.records.orders import Stated
from voicecheck.report.owner import tell_owner
from voicecheck.verdicts import build_baseline
from voicecheck.words import load_words
from voicecheck.workflow.papers.comparing import compare
from voicecheck.workflow.papers.reporting import collect_content
from voicecheck.workflow.sweeping.run import sweep
from voicecheck.workflow.telling import tell

FOLDER = Path(__file__).parents[1] / "reports" / "gallery"
RECIPE = Recipe(sweep_s=1.0)
"""Shorter sweeps than the default, for speed: the faults are far above their noise."""
PATHS = ("transmit", "receive", "sidetone")
N_REFERENCES, N_SEATS, FIRST_REFERENCE, SEED = 8, 2, 9000, 100
MOST_CAUSES, SMALLEST_SHOWN = 5, 0.01
MOST_PROBLEMS = 4
OTHER = "other"
PARTS = {
    "set": "Nothing wrong", "transmitter": "Transmitter", "receiver": "Receiver", "cord": "Cord",
    "contact": "Contacts", "network": "Network", "line": "Line", "feed": "Feed",
    "jig": "Jig, bench and room",
}  # fmt: skip
"""Headings, by the part that a fault sits in."""
TYPES = {
    ("carbon", ""): "Harbour 12",
    ("electret", ""): "Quayside 3",
    ("carbon", "receive_dbm=3"): "Harbour 12, driven at +3 dBm",
    ("carbon", "ear=coil"): "Harbour 12, heard by a pickup coil",
    ("electret", "feed_ma=15"): "Quayside 3, fed with 15 mA",
}
"""Invented set types: one for each transmitter and way to measure that a fault needs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exhibit:
    """One simulated fault, as `simulated_faults.csv` has it."""

    name: str
    part: str
    handset: str
    row: str
    path: str
    options: str
    text: str

    @property
    def transmitter(self) -> str:
        return self.handset.partition("+")[0]

    @property
    def type_name(self) -> str:
        return TYPES[self.transmitter, self.options]

    def make_bench(self, handset: str, seed: int) -> SimulatedBench:
        pairs = (pair.split("=") for pair in self.options.split())
        given: dict[str, object] = {
            name: value if name == "ear" else float(value) for name, value in pairs
        }
        return SimulatedBench(handset, seed=seed, **given)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """What is shown of a fault: its part of the page, its line of the table, its chart."""

    name: str
    text: str
    line: str
    chart: str


def list_exhibits() -> list[Exhibit]:
    """Every name, in the order of the parts that they sit in."""
    exhibits = [
        Exhibit(
            name=row["name"], part=row["part"], handset=row["example"], row=row["row"],
            path=row["path"] or "transmit", options=row["options"], text=row["text"],
        )
        for row in list_fault_rows()
    ]  # fmt: skip
    return sorted(exhibits, key=lambda one: list(PARTS).index(one.part))


@lru_cache
def load_programme() -> Programme:
    return make_programme(RECIPE)


def take_run(
    book: JobBook, job: int, exhibit: Exhibit, path: str, bench: SimulatedBench
) -> Run | str:
    """A run of one path, or why it gave no numbers."""
    stated = Stated(conditioned=True) if exhibit.transmitter == "carbon" else None
    try:
        return sweep(
            book, job, stage="before", path=path, n_seats=N_SEATS, stated=stated,
            bench=bench, programme=load_programme(),
        ).run  # fmt: skip
    except RecordingError as error:
        return f"No numbers from {path}: {error}."


def open_book(folder: str | Path, exhibit: Exhibit) -> JobBook:
    book = JobBook.open(Path(folder) / "book")
    feed_ma = 15.0 if "feed_ma" in exhibit.options else 40.0
    book.add_type(SetType(name=exhibit.type_name, transmitter=exhibit.transmitter, feed_ma=feed_ma))
    return book


def build_baselines(exhibit: Exhibit) -> tuple[Baseline, ...]:
    """Of healthy sets, measured as the fault is."""
    runs: list[Run] = []
    with tempfile.TemporaryDirectory() as folder, open_book(folder, exhibit) as book:
        for seed in range(FIRST_REFERENCE, FIRST_REFERENCE + N_REFERENCES):
            job = book.open_job(f"good set {seed}", exhibit.type_name).job
            bench = exhibit.make_bench(exhibit.transmitter, seed)
            taken = [take_run(book, job, exhibit, path, bench) for path in PATHS]
            runs += [run for run in taken if isinstance(run, Run)]
    return tuple(
        dataclasses.replace(
            build_baseline(
                [run for run in runs if run.path == path], type_name=exhibit.type_name, path=path
            ),
            simulated=True,
        )
        for path in PATHS
    )


def make_entry(exhibit: Exhibit, baselines: Sequence[Baseline]) -> Entry:
    """Sweep the fault in a book of its own, compare, tell."""
    words = load_words()
    with tempfile.TemporaryDirectory() as folder, open_book(folder, exhibit) as book:
        for baseline in baselines:
            book.save_baseline(baseline)
        job = book.open_job(exhibit.name, exhibit.type_name).job
        bench = exhibit.make_bench(exhibit.handset, SEED)
        taken = [take_run(book, job, exhibit, path, bench) for path in PATHS]
        runs = {run.path: run for run in taken if isinstance(run, Run)}
        comparison = compare(book, job, stage="before")
        said = tell(book, comparison)
        owner = tell_owner(collect_content(book, job), words)
    lines = [
        f"## {exhibit.name}",
        f"{exhibit.text[:1].upper()}{exhibit.text[1:]}. {_say_source(exhibit)}",
        f"![{exhibit.name}]({exhibit.name}.svg)",
        f"**The owner reads:** {' '.join((owner.sentence, *owner.found))}",
        f"**The bench reads:** {said.headline}",
        "\n".join(f"- {part.name}: {part.state}; {part.sentence}" for part in said.parts),
        *(told for told in taken if isinstance(told, str)),
        _tell_recordings(runs),
        _list_causes(comparison, exhibit),
    ]
    return Entry(
        name=exhibit.name,
        text="\n\n".join(filter(None, lines)),
        line=_write_line(exhibit, comparison),
        chart=draw_chart(exhibit, runs, comparison, baselines),
    )


def _say_source(exhibit: Exhibit) -> str:
    row = f", row {exhibit.row} of the fault table" if exhibit.row else ", in no row of its own"
    more = f"; bench: {exhibit.options}" if exhibit.options else ""
    return f"Simulated as `{exhibit.handset}`, seed {SEED}{row}{more}."


def _tell_recordings(runs: Mapping[str, Run]) -> str:
    """What the takes themselves gave away, each kind once."""
    told = {
        problem.kind: f"- {load_words().say('path_term', path)}: {problem.message}"
        for path, run in reversed(list(runs.items()))
        for problem in reversed(run.pooled.problems)
    }
    lines = list(reversed(told.values()))[:MOST_PROBLEMS]
    return "\n".join(("**Told of the recordings:**\n", *lines)) if lines else ""


def _rank_causes(comparison: Comparison) -> list[Hint]:
    """Causes of what the first one leaves unexplained are another list."""
    causes = [hint for hint in comparison.hints if not hint.beside]
    return sorted(causes, key=lambda hint: -(hint.probability or 0.0))


def _list_causes(comparison: Comparison, exhibit: Exhibit) -> str:
    """Causes with their percentages, the true one marked."""
    causes = _rank_causes(comparison)
    shown = [
        hint
        for place, hint in enumerate(causes)
        if hint.code == exhibit.row
        or (place < MOST_CAUSES and (hint.probability or 0.0) >= SMALLEST_SHOWN)
    ]
    if not shown:
        return "No cause is named."
    rows = [
        f"| {_say_percent(hint)} | {hint.cause}{' **(this one)**' * (hint.code == exhibit.row)} |"
        for hint in shown
    ]
    return "\n".join(["| probability | cause |", "|--:|---|", *rows])


def _say_percent(hint: Hint) -> str:
    return f"{100.0 * (hint.probability or 0.0):.0f} %"


def _write_line(exhibit: Exhibit, comparison: Comparison) -> str:
    """A line of the table: the verdict, the first cause, at which place the true one stands."""
    causes = [hint for hint in _rank_causes(comparison) if hint.code != OTHER]
    codes = [hint.code for hint in causes]
    place = str(codes.index(exhibit.row) + 1) if exhibit.row in codes else "not named"
    first = (
        f"{causes[0].cause.partition(';')[0]}, {_say_percent(causes[0])}"
        if causes and (causes[0].probability or 0.0) >= SMALLEST_SHOWN
        else ""
    )
    return (
        f"| [{exhibit.name}](#{exhibit.name}) | {comparison.overall} | {first} | "
        f"{place if exhibit.row else ''} |"
    )


def draw_chart(
    exhibit: Exhibit,
    runs: Mapping[str, Run],
    comparison: Comparison,
    baselines: Sequence[Baseline],
) -> str:
    """The response of the path that shows the fault best, as SVG without dates."""
    path = exhibit.path if exhibit.path in runs else next(iter(runs))
    run = runs[path]
    pooled = run.pooled.replace(conditions=run.pooled.conditions.replace(time_utc=""), version="")
    figure = draw_response(
        [dataclasses.replace(run, pooled=pooled, taken_utc="")],
        baseline=next(one for one in baselines if one.path == path),
        comparison=comparison,
        set_type=SetType(name=exhibit.type_name),
    )
    return slim(render_figure(figure, "svg").decode("utf-8"))


def slim(svg: str) -> str:
    """A third of the size: tenths of a point, nothing said of the file, fonts that all have."""
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"\s*<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r"(?<![#\w])-?\d+\.\d+", _shorten, svg)
    svg = re.sub(r"^ +", "", svg, flags=re.MULTILINE)
    used = dict.fromkeys(re.findall(r'(?:url\(|xlink:href=")#([^)"]+)', svg))
    names = {name: f"n{place}" for place, name in enumerate(used)}
    svg = re.sub(
        r' id="([^"]+)"', lambda one: f' id="{names[one[1]]}"' if one[1] in names else "", svg
    )
    svg = re.sub(r'(url\(|xlink:href=")#([^)"]+)', lambda one: f"{one[1]}#{names[one[2]]}", svg)
    return svg.replace("'DejaVu Sans'", "'DejaVu Sans', Verdana, sans-serif")


def _shorten(number: re.Match[str]) -> str:
    return f"{float(number[0]):.1f}".removesuffix(".0")


def write_page(entries: Mapping[str, Entry]) -> str:
    """The page: what this is, a table of all, then each by itself."""
    exhibits = list_exhibits()
    judged = [one for one in exhibits if one.row]
    first = sum(entries[one.name].line.endswith("| 1 |") for one in judged)
    within = [one for one in exhibits[1:] if "| within |" in entries[one.name].line]
    head = (Path(__file__).parent / "gallery_head.md").read_text(encoding="utf-8").strip()
    counts = {"n_judged": len(judged), "n_first": first, "n_within": len(within)}
    parts = [head.format(n=len(exhibits), **counts)]
    for part, title in PARTS.items():
        lines = [entries[one.name].line for one in exhibits if one.part == part]
        top = f"| {title} | verdict | first cause named | true one at |\n|---|---|---|---|"
        parts.append("\n".join((top, *lines)))
    return "\n\n".join([*parts, *(entries[one.name].text for one in exhibits)]) + "\n"


def make_entries(exhibits: Sequence[Exhibit]) -> dict[str, Entry]:
    """Entries on all cores; healthy sets of each type are measured once."""
    of_type = {one.type_name: one for one in exhibits}
    with ProcessPoolExecutor(os.cpu_count(), mp_context=get_context("spawn")) as pool:
        baselines = dict(zip(of_type, pool.map(build_baselines, of_type.values()), strict=True))
        made = pool.map(make_entry, exhibits, [baselines[one.type_name] for one in exhibits])
        return {entry.name: entry for entry in made}


def read_entries() -> dict[str, Entry]:
    """What is stored."""
    page = (FOLDER / "index.md").read_text(encoding="utf-8")
    texts = {part.partition("\n")[0]: f"## {part}".strip() for part in page.split("\n## ")[1:]}
    lines = {found[1]: found[0] for found in re.finditer(r"^\| \[(.+?)\].*$", page, re.MULTILINE)}
    return {
        name: Entry(
            name=name,
            text=text,
            line=lines[name],
            chart=(FOLDER / f"{name}.svg").read_text(encoding="utf-8"),
        )
        for name, text in texts.items()
    }


def main() -> None:
    """Make what is asked for and put it beside what is there."""
    exhibits = list_exhibits()
    chosen = [one for one in exhibits if one.name in sys.argv[1:]] or exhibits
    entries = read_entries() if len(chosen) < len(exhibits) else {}
    entries |= make_entries(chosen)
    FOLDER.mkdir(parents=True, exist_ok=True)
    for entry in entries.values():
        (FOLDER / f"{entry.name}.svg").write_text(entry.chart, encoding="utf-8")
    (FOLDER / "index.md").write_text(write_page(entries), encoding="utf-8")


if __name__ == "__main__":
    main()
