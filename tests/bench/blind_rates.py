"""
How often the program's intervals hold the truth of sealed recordings (`tests/blind`).

    python tests/bench/blind_rates.py [RECORDINGS] [SEED]

Every figure of every recording, whether without a fault, with a plain one or with a faint one that
may stay unnamed; what the fault bends is not judged, what is withheld is counted apart.
"""

from __future__ import annotations

import json
import math
import sys
import tempfile
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from blind import making
from blind.judging import Judged, judge
from helpers import run_program

RATES_HZ = (48000, 48000, 44100, 96000)
RARE = 0.003
"""Chance of so many misses that they are no chance."""
KINDS = ("none", "plain", "faint")


@dataclass(frozen=True)
class Opened:
    """Verdicts of one recording, and which fault was in it."""

    seed: int
    fault: str
    is_plain: bool
    verdicts: Sequence[Judged]

    @property
    def kind(self) -> str:
        if self.fault == "none":
            return "none"
        return "plain" if self.is_plain else "faint"


def make_and_judge(folder: Path, seed: int, n: int, program: Path | None) -> list[Opened]:
    """Make sealed recordings, let the program answer, open and judge."""
    found = []
    # Plain Python is slow: it plays the short programme at one rate.
    kind, rates_hz = ("default", RATES_HZ) if program else ("quick", (48000,))
    for rate_hz in sorted(set(rates_hz)):
        played = folder / f"{rate_hz}.wav"
        signal = ("signal", played, "--rate", rate_hz, "--kind", kind, "--json")
        description = played.with_suffix(".json")
        description.write_text(run_program(*signal, folder=folder).stdout)
        seeds = [1000 * seed + k for k in range(n) if rates_hz[k % len(rates_hz)] == rate_hz]
        if not seeds:
            continue
        sealed = [
            making.make_sealed(folder / f"{one}", played, description, seed=one, program=program)
            for one in seeds
        ]
        recordings = [one.recording for one in sealed]
        analyze = ("analyze", *recordings, "--signal", played, "--json", "--quiet")
        answers = json.loads(run_program(*analyze, folder=folder).stdout)
        # One recording is one document, several are a list of them.
        answers = answers if isinstance(answers, list) else [answers]
        for own, one, answer in zip(seeds, sealed, answers, strict=True):
            verdicts = judge(answer, one.truth, one.seal)
            truth = json.loads(one.truth.read_text(encoding="utf-8"))
            found.append(Opened(own, truth["fault"], truth["must_be_named"], verdicts))
    return found


def count_first(opened: Sequence[Opened]) -> dict[str, Counter[str]]:
    """Verdicts by figure; of several points of one figure the first, which was drawn, counts."""
    found: dict[str, Counter[str]] = {}
    for one in opened:
        first = {verdict.name: verdict.verdict for verdict in reversed(one.verdicts)}
        for name, verdict in first.items():
            found.setdefault(name, Counter())[verdict] += 1
    return found


def fewest_rare(n: int) -> int:
    """Fewest misses of n that true 95 % intervals give less often than `RARE`."""
    at_least = 1.0
    for k in range(n + 1):
        if at_least < RARE:
            return k
        at_least -= math.comb(n, k) * 0.05**k * 0.95 ** (n - k)
    return n + 1


def count_all(opened: Sequence[Opened]) -> Mapping[tuple[str, str], Counter[str]]:
    """Verdicts of every point by figure and kind of fault."""
    found: dict[tuple[str, str], Counter[str]] = {}
    for one in opened:
        for verdict in one.verdicts:
            found.setdefault((verdict.name, one.kind), Counter())[verdict.verdict] += 1
    return found


def list_misses(opened: Sequence[Opened]) -> list[str]:
    """A line for every miss of every recording."""
    return [
        f"{one.seed} ({one.fault}) {verdict.line}"
        for one in opened
        for verdict in one.verdicts
        if verdict.verdict == "miss"
    ]


def show(count: Counter[str]) -> str:
    judged = count["hit"] + count["miss"]
    return f"{count['hit']} of {judged}" if judged else "-"


def main() -> None:
    n, seed = (int(word) for word in [*sys.argv[1:], "100", "1"][:2])
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        opened = make_and_judge(folder, seed, n, making.compile_plant(folder))
    counted = count_all(opened)
    sys.stdout.write("| figure | no fault | plain | faint | inside % | withheld | touched |\n")
    sys.stdout.write(f"{'|---' * 7}|\n")
    for name in dict.fromkeys(name for name, _ in counted):
        parts = [counted.get((name, kind), Counter()) for kind in KINDS]
        whole = sum(parts, Counter())
        share = 100 * whole["hit"] / max(1, whole["hit"] + whole["miss"])
        cells = [*map(show, parts), f"{share:.1f}", str(whole["withheld"]), str(whole["touched"])]
        sys.stdout.write(f"| {name} | {' | '.join(cells)} |\n")
    sys.stdout.write("\n" + "\n".join(list_misses(opened)) + "\n")


if __name__ == "__main__":
    main()
