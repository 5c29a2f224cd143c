# mypy: disable-error-code="arg-type,assignment,return-value"
"""
How often the true cause of a simulated fault is named first, and among the first three.

    python tests/bench/hint_rates.py [--cases 200] [--healthy 100] [--keep FOLDER] [--fit]
    python tests/bench/hint_rates.py --every 3 --seats 2 --references 5 --healthy 3 [--keep FOLDER]

Each case is one random single fault of the simulated handset (a new individual each time), swept
on every path with three seats and held against a baseline of eight healthy sets. The true cause
is the row of the fault table that the simulated bench names for the fault. Nothing is told to the
hints but the measurements. With --keep the measurements are stored, so that an edited fault table
is judged again in seconds. With --every so many individuals of each fault are swept and no
further tests are made; only those that are not within count, since the others have no causes. With
--fit it prints the log loss of the probabilities at several temperatures, from which
`voicecheck/verdicts/likelihood.py` has its own.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from voicecheck.bench.simulated import SimulatedBench, list_fault_causes
from voicecheck.errors import RecordingError
from voicecheck.measure import measure_recording
from voicecheck.programme import make_programme
from voicecheck.records import (
    Baseline,
    Hint,
    Measurement,
    Problem,
    Programme,
    Recipe,
    Run,
    from_json,
    to_json,
)
from voicecheck.units import dbspl_from_pa
from voicecheck.verdicts import (
    build_baseline,
    compare_to_baseline,
    likelihood,
    pool_run,
    rank_hints,
)

# Shorter sweeps than the default, for speed: the faults are far above their noise.
RECIPE = Recipe(sweep_s=1.0)
PATHS = ("transmit", "receive", "sidetone", "loop")
N_REFERENCES = 8
ELECTRET_TYPE = ("radio-buzz", "high-threshold")
"""Faults that only a type with an electronic element can have; the others are carbon sets."""
OTHER_NAMES = ("hum-50", "hum-60")
"""The same fault under another name."""


@dataclass(frozen=True)
class Case:
    """One individual on the bench."""

    handset: str
    seed: int
    type_name: str
    cause: str = ""


class Shop:
    """Sweeps individuals, keeping the measurements of each in a folder where one is given."""

    def __init__(self, folder: Path | None, n_seats: int = 3) -> None:
        self.folder = folder
        self.n_seats = n_seats
        self.programme: Programme = make_programme(RECIPE)

    def sweep(self, case: Case) -> tuple[dict[str, Run], dict[str, list[Problem]]]:
        runs: dict[str, Run] = {}
        problems: dict[str, list[Problem]] = {}
        for path in PATHS:
            measured = []
            for seat in range(1, (1 if path == "loop" else self.n_seats) + 1):
                result = self._measure(case, path, seat)
                if isinstance(result, Problem):
                    problems.setdefault(path, []).append(result)
                else:
                    measured.append(result)
            if measured:
                runs[path] = pool_run(measured, job=case.seed, path=path, stage="reference")
        return runs, {path: found for path, found in problems.items() if path not in runs}

    def _measure(self, case: Case, path: str, seat: int) -> Measurement | Problem:
        name = f"{case.handset}-{case.seed}-{path}-{seat}.json"
        kept = self.folder / name if self.folder else None
        if kept is not None and kept.exists():
            text = kept.read_bytes()
            kind = Problem if text.startswith(b'{"kind"') else Measurement
            return from_json(text, kind)
        bench = SimulatedBench(case.handset, seed=case.seed)
        result: Measurement | Problem
        try:
            recording = bench.play_and_record(self.programme, path=path, seat=seat)
            result = measure_recording(self.programme, recording)
        except RecordingError as error:
            result = Problem(kind=error.kind, message=str(error))
        if kept is not None:
            kept.write_bytes(to_json(result))
        return result

    def has(self, case: Case) -> bool:
        """Whether a case is kept in full."""
        name = f"{case.handset}-{case.seed}-tests.json"
        return self.folder is not None and (self.folder / name).exists()

    def test(self, case: Case) -> dict[str, float]:
        """What a checkout adds to the sweeps: low current, strong drive on the coupler, coil."""
        kept = self.folder / f"{case.handset}-{case.seed}-tests.json" if self.folder else None
        if kept is not None and kept.exists():
            return dict(json.loads(kept.read_text()))
        levels = [self._level_db(case, "transmit", feed_ma=feed) for feed in (15.0, 25.0)]
        found = {"test.feed_drop_15_25_db": levels[0] - levels[1]}
        hum = [self._hum_dbfs(case, ear) for ear in ("coil", "coupler")]
        found["test.hum_coil_over_mic_db"] = hum[0] - hum[1]
        found["measured.receive_peak_dbspl"] = self._strong_dbspl(case)
        found = {name: value for name, value in found.items() if math.isfinite(value)}
        if kept is not None:
            kept.write_text(json.dumps(found))
        return found

    def _take(self, case: Case, path: str, **setting: object) -> Measurement | None:
        bench = SimulatedBench(case.handset, seed=case.seed, **setting)
        try:
            return measure_recording(
                self.programme, bench.play_and_record(self.programme, path=path, seat=1)
            )
        except RecordingError:
            return None

    def _level_db(self, case: Case, path: str, **setting: object) -> float:
        taken = self._take(case, path, **setting)
        level = taken.bands.mid_db if taken else None
        return math.nan if level is None else level

    def _hum_dbfs(self, case: Case, ear: str) -> float:
        taken = self._take(case, "receive", ear=ear)
        if taken is None or taken.noise.flat_dbfs is None:
            return math.nan
        return taken.noise.flat_dbfs if taken.noise.mains_dbfs is None else taken.noise.mains_dbfs

    def _strong_dbspl(self, case: Case) -> float:
        taken = self._take(case, "receive", receive_dbm=3.0)
        if taken is None or taken.linearity is None:
            return math.nan
        bench = SimulatedBench(case.handset, seed=case.seed, receive_dbm=3.0)
        full_scale_pa = bench.calibrate("receive").input_per_unit * math.sqrt(0.5)
        return float(np.nanmax(taken.linearity.output_db)) + dbspl_from_pa(full_scale_pa)

    def build_baselines(self, kind: str, n: int = N_REFERENCES) -> dict[str, Baseline]:
        runs = defaultdict(list)
        for index in range(n):
            swept, _ = self.sweep(Case(kind, 9000 + index, kind))
            for path, run in swept.items():
                runs[path].append(run)
        return {path: build_baseline(of, type_name=kind, path=path) for path, of in runs.items()}


def draw_cases(count: int, seed: int) -> Iterator[Case]:
    """Faults in turn of a shuffled list, so that every fault comes up about as often."""
    random = np.random.default_rng(seed)
    causes = {name: row for name, row in list_fault_causes().items() if name not in OTHER_NAMES}
    names: list[str] = []
    for index in range(count):
        if not names:
            names = [str(name) for name in random.permutation(sorted(causes))]
        fault = names.pop()
        kind = "electret" if fault in ELECTRET_TYPE else "carbon"
        worn = "electret" if fault == "high-gain" else kind
        yield Case(f"{worn}+{fault}", 100 + index, kind, causes[fault])


def draw_every(count: int) -> Iterator[Case]:
    """So many individuals of every fault."""
    for name, cause in sorted(list_fault_causes().items()):
        if name not in OTHER_NAMES:
            worn = "electret" if name in (*ELECTRET_TYPE, "high-gain") else "carbon"
            for seed in range(100, 100 + count):
                yield Case(f"{worn}+{name}", seed, worn, cause)


def judge(
    shop: Shop, case: Case, baselines: Mapping[str, Baseline], *, with_tests: bool
) -> tuple[str, tuple[Hint, ...]]:
    runs, problems = shop.sweep(case)
    known = {path: baseline for path, baseline in baselines.items() if path in runs}
    comparison = None
    if known:
        comparison = compare_to_baseline(runs, known, job=case.seed, stage="before")
    extra = shop.test(case) if with_tests else None
    hints = rank_hints(comparison, runs, baselines, problems=problems, extra=extra)
    return (comparison.overall if comparison else "outside"), hints


def print_faults(
    shop: Shop,
    cases: Sequence[Case],
    baselines: Mapping[str, Mapping[str, Baseline]],
    *,
    with_tests: bool,
    is_outside_only: bool = False,
) -> None:
    out = sys.stdout
    places: dict[str, list[int]] = defaultdict(list)
    for case in cases:
        overall, hints = judge(shop, case, baselines[case.type_name], with_tests=with_tests)
        if is_outside_only and overall == "within":
            continue
        codes = [hint.code for hint in hints]
        place = codes.index(case.cause) + 1 if case.cause in codes else 99
        places[f"{case.handset} {case.cause}"].append(place)
        if place > 1:
            named = ", ".join(f"{hint.code} {hint.confidence}" for hint in hints)
            out.write(
                f"{case.handset:28s} {case.seed} {case.cause} {place:2d} {overall}: {named}\n"
            )
            out.flush()
    title = "with the tests of a checkout" if with_tests else "sweeps only"
    out.write(f"\n| fault ({title}) | cases | first | among three |\n|---|---|---|---|\n")
    for name, found in sorted(places.items()):
        first, three = (sum(place <= most for place in found) for most in (1, 3))
        out.write(f"| {name} | {len(found)} | {first} | {three} |\n")
    every = [place for found in places.values() for place in found]
    first, three = (100.0 * np.mean([place <= most for place in every]) for most in (1, 3))
    out.write(f"| all | {len(every)} | {first:.1f} % | {three:.1f} % |\n\n")


def print_fit(
    shop: Shop, cases: Sequence[Case], baselines: Mapping[str, Mapping[str, Baseline]]
) -> None:
    """Mean log loss of the true cause's probability, by temperature; cases within count not."""
    kept = likelihood.TEMPERATURE
    for temperature in (0.7, 0.8, 0.9, 0.95, 1.0, 1.1, 1.3, 2.0, 3.0):
        likelihood.TEMPERATURE = temperature
        losses = []
        for case in cases:
            overall, hints = judge(shop, case, baselines[case.type_name], with_tests=False)
            told = {hint.code: hint.probability or 0.0 for hint in hints}
            if overall != "within" and told:
                # What is not named shares what is left over some forty causes.
                losses.append(-math.log(max(told.get(case.cause, told["other"] / 40.0), 1e-6)))
        sys.stdout.write(f"temperature {temperature}: log loss {np.mean(losses):.3f}\n")
    likelihood.TEMPERATURE = kept


def print_healthy(shop: Shop, count: int, baselines: Mapping[str, Mapping[str, Baseline]]) -> None:
    above, outside = 0, 0
    for index in range(count):
        kind = "electret" if index % 4 == 3 else "carbon"
        case = Case(kind, 5000 + index, kind)
        overall, hints = judge(shop, case, baselines[kind], with_tests=False)
        above += any(hint.confidence != "low" for hint in hints)
        outside += overall == "outside"
    sys.stdout.write(
        f"healthy sets: {count}; outside {outside}; with a hint above low confidence {above}\n"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--every", type=int, default=0, help="individuals of each fault")
    parser.add_argument("--seats", type=int, default=3)
    parser.add_argument("--references", type=int, default=N_REFERENCES)
    parser.add_argument("--healthy", type=int, default=100)
    parser.add_argument("--keep", type=Path, help="folder for the measurements")
    parser.add_argument("--fit", action="store_true", help="log loss by temperature, and no more")
    parser.add_argument("--only-kept", action="store_true", help="pass over what is not kept yet")
    chosen = parser.parse_args()
    if chosen.keep is not None:
        chosen.keep.mkdir(parents=True, exist_ok=True)
    shop = Shop(chosen.keep, n_seats=chosen.seats)
    baselines = {
        kind: shop.build_baselines(kind, chosen.references) for kind in ("carbon", "electret")
    }
    is_every = bool(chosen.every)
    cases = list(draw_every(chosen.every) if is_every else draw_cases(chosen.cases, seed=5))
    if chosen.only_kept:
        cases = [case for case in cases if shop.has(case)]
    if chosen.fit:
        print_fit(shop, cases, baselines)
        return
    for with_tests in (False,) if is_every else (True, False):
        print_faults(shop, cases, baselines, with_tests=with_tests, is_outside_only=is_every)
    print_healthy(shop, chosen.healthy, baselines)


if __name__ == "__main__":
    main()
