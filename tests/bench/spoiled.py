"""
Spoiled recordings: how often the truth is inside what is stated, or the cause is named.

    python tests/bench/spoiled.py [--seeds 20] [--first 900] [--kinds a,b] [--severities medium]
                                  [--cores 1] [--why] [--moods-only]

Every kind at three severities, with three sets a seed; `--why` adds what was typically wrong.
"""

from __future__ import annotations

import argparse
import sys
import warnings
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TextIO

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from plants.spoiler import SEVERITIES
from spoiled_judge import NAMES, Verdict, judge
from spoiled_sets import SETS, Bench, Spoiled, add_room, round_to_16_bits, wander

Found = dict[tuple[str, ...], Verdict]
FIRST_SEED = 900
MOODS: dict[str, tuple[dict[str, Any], Callable[[Bench], Spoiled] | None, str]] = {
    "clean": ({}, None, ""),
    "carbon that settles": ({"settling_db": 1.4, "jumps_per_s": 0.12}, None, ""),
    "carbon that packs": ({"packing_db_per_sweep": 0.35}, None, ""),
    "carbon that fries": (
        {"frying_per_s": 5.0, "breathing_db": -42.0},
        None,
        "burst short-silence",
    ),
    "carbon that remembers": ({"memory_db": (0.4, 0.4, 0.4)}, None, ""),
    "clock wanders by 2 ppm": ({}, wander, ""),
    "steady room noise": ({}, add_room, "noise"),
    "16 bit, 20 dB headroom": ({}, round_to_16_bits, ""),
}
"""What a set and a bench may be: changes of the set, of the recording, what may be said of it."""


COLUMNS = {
    "right %": "is_right",
    "inside %": "is_inside",
    "strictly %": "is_strict",
    "named %": "is_named",
    "off %": "is_off",
    "curve kept %": "has_curve",
    "error, dB rms": "error_db",
    "half-width, dB": "half_db",
}


def try_seed(seed: int, kinds: Sequence[str], severities: Sequence[str]) -> Found:
    """Verdicts by (kind, severity, set) for one seed."""
    found: Found = {}
    for name in SETS:
        bench = Bench(name, seed)
        for kind in kinds:
            for severity in severities:
                found[kind, severity, name] = judge(bench, bench.spoil(kind, severity))
    return found


def try_moods(seed: int, moods: Sequence[str] = tuple(MOODS)) -> Found:
    """Verdicts by (mood, set) for one seed; carbon's moods with carbon only."""
    found: Found = {}
    for mood in moods:
        changes, spoil, _ = MOODS[mood]
        for name in SETS[:1] if changes else SETS:
            bench = Bench(name, seed, changes=tuple(changes.items()))
            take = bench.take
            spoiled = spoil(bench) if spoil else Spoiled(take.samples, take.played.rate_hz, take)
            found[mood, name] = judge(bench, spoiled)
    return found


def run_seeds(work: Callable[[int], Found], seeds: Sequence[int], cores: int) -> list[Found]:
    if cores == 1:
        return [work(seed) for seed in seeds]
    import joblib

    pool: Any = joblib.Parallel(n_jobs=cores)
    return list(pool(joblib.delayed(work)(seed) for seed in seeds))


def _percent(values: Sequence[bool]) -> str:
    return f"{100 * np.mean(values):.0f}" if values else "-"


def _small(values: Sequence[float]) -> str:
    known = [v for v in values if np.isfinite(v)]
    return f"{np.median(known):.2g}" if known else "-"


def write_kinds(out: TextIO, found: list[Found], severities: Sequence[str], *, why: bool) -> None:
    """One line a kind; in each cell the severities, and at last what all come to."""
    names = [f"kind ({' / '.join(severities)})", *COLUMNS, *["what is wrong"] * why]
    out.write(f"| {' | '.join(names)} |\n|{'---|' * len(names)}\n")
    kinds = list(dict.fromkeys(kind for kind, _, _ in found[0]))
    for kind in kinds:
        cells = {s: [v for one in found for k, v in one.items() if k[:2] == (kind, s)]
                 for s in severities}  # fmt: skip
        out.write(f"| {kind} | " + " | ".join(_tell_cells(list(cells.values()))) + " |")
        out.write(f" {_tell_why(found, kind)} |\n" if why else "\n")
    for name, wanted in (("all", severities), *((s, (s,)) for s in severities)):
        every = [v for one in found for k, v in one.items() if k[1] in wanted]
        out.write(f"| **{name}** | {' | '.join(_tell_cells([every]))} |{' |' if why else ''}\n")


def _tell_cells(groups: Sequence[Sequence[Verdict]]) -> Iterator[str]:
    for heading, name in COLUMNS.items():
        tell: Callable[[Any], str] = _percent if heading.endswith("%") else _small
        yield " / ".join(tell([getattr(v, name) for v in group]) for group in groups)


def _tell_why(found: list[Found], kind: str) -> str:
    """Up to three complaints with their number, and what was named in place of the cause."""
    wrong = [(k, v) for one in found for k, v in one.items() if k[0] == kind and not v.is_right]
    sets = Counter(k[2] for k, _ in wrong)
    what = Counter(part.split(" ")[0] for _, v in wrong for part in v.why.split(", "))
    said = Counter(kind for _, v in wrong for kind in v.kinds or ("nothing",))
    example = next((v.why[:60] for _, v in wrong), "")
    parts = (
        " ".join(f"{k} {n}" for k, n in counter.most_common(4)) for counter in (sets, what, said)
    )
    return "; ".join((*parts, example)) if wrong else ""


def write_moods(out: TextIO, found: list[Found], *, why: bool) -> None:
    out.write("\n| what is normal | false alarms | inside % | strictly % | "
              "error, dB rms | half-width, dB |\n")  # fmt: skip
    out.write("|---|---|---|---|---|---|\n")
    for mood, (_, _, allowed) in MOODS.items():
        ones = [v for one in found for k, v in one.items() if k[0] == mood]
        alarms = [set(v.kinds) - set(allowed.split()) for v in ones]
        said = Counter(kind for one in alarms for kind in one)
        told = f" ({', '.join(f'{k} {n}' for k, n in said.most_common(3))})" if said else ""
        wrong = Counter(
            part.split(" ")[0] for v in ones if not v.is_inside for part in v.why.split(", ")
        )
        told_wrong = f" ({', '.join(f'{k} {n}' for k, n in wrong.most_common(4))})" * bool(wrong)
        out.write(f"| {mood} | {sum(map(bool, alarms))} of {len(ones)}{told} | "
                  f"{_percent([v.is_inside for v in ones])}{told_wrong * why} | "
                  f"{_percent([v.is_strict for v in ones])} | "
                  f"{_small([v.error_db for v in ones])} | "
                  f"{_small([v.half_db for v in ones])} |\n")  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=FIRST_SEED)
    parser.add_argument("--kinds", default=",".join(NAMES))
    parser.add_argument("--severities", default=",".join(SEVERITIES))
    parser.add_argument("--cores", type=int, default=1)
    parser.add_argument("--why", action="store_true")
    parser.add_argument("--moods-only", action="store_true")
    asked = parser.parse_args()
    warnings.simplefilter("ignore")
    out, seeds = sys.stdout, range(asked.first, asked.first + asked.seeds)
    kinds, severities = asked.kinds.split(","), asked.severities.split(",")
    out.write(f"Seeds {seeds[0]} to {seeds[-1]}, {datetime.now(UTC):%Y-%m-%d}.\n\n")
    if not asked.moods_only:
        found = run_seeds(lambda seed: try_seed(seed, kinds, severities), seeds, asked.cores)
        write_kinds(out, found, severities, why=asked.why)
        out.flush()
    write_moods(out, run_seeds(try_moods, seeds, asked.cores), why=asked.why)


if __name__ == "__main__":
    main()
