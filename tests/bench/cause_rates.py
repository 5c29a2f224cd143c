# mypy: disable-error-code="arg-type,operator,type-arg"
"""
How far the probabilities of likely causes can be believed.

    python tests/bench/cause_rates.py [--cases 9000] [--seed 14] [--through-sound 40] [--pairs 400]
    python tests/bench/cause_rates.py --trials

Scored on faults that `tests/plants/faulty.py` makes of the populations' own parts: it shares no
code and no table with the fault table, and draws faults as often as they come to a shop
(most sets have one common fault). The figures of each telephone are those of its plants; a case
counts when something is outside. `--through-sound` plays some of them, measures them, and holds
the probabilities against those at the level of figures. `--pairs` makes two faults at a time, and
as many single ones, and counts what is named besides the first cause. `--trials` does
the trial that the likeliest cause asks for, on the same telephone (`tests/plants/tried.py`), and
scores again.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain, pairwise
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from cause_figures import (
    CODES,
    N_REFERENCES,
    PATHS,
    Type,
    draw_cases,
    draw_pairs,
    is_outside,
    read_evidence,
)
from plants import faulty, tried

from voicecheck.errors import InputError
from voicecheck.measure import measure_recording
from voicecheck.programme import make_programme
from voicecheck.records import Programme, Recipe, Recording, Run, Trial
from voicecheck.verdicts import build_baseline, gather_evidence, pool_run, rank_causes
from voicecheck.verdicts.besides import find_unexplained
from voicecheck.verdicts.evidence import gather_usual
from voicecheck.verdicts.faults import load_fault_table
from voicecheck.verdicts.hints import (
    LEAST_PROBABILITY,
    MEDIUM_PROBABILITY,
    MOST_HINTS,
    OTHER,
    rank_besides,
)
from voicecheck.verdicts.trialjudge import judge_trial
from voicecheck.verdicts.trialodds import weigh_outcomes
from voicecheck.workflow.separating import TRIED_BY

AUDIBLE = (
    "packed", "muffled", "weak-magnet", "seal", "long-line", "limiting", "ear", "mouth",
    "hissing", "over-sensitive", "jammed", "starved",
)  # fmt: skip
"""Faults that are whole in the sound of the plants."""
MOST_TRIED = 3
EDGES = np.linspace(0.0, 1.0, 11)


@dataclass(frozen=True)
class Told:
    """What a case was, and what was told of it: probabilities by code, "other" last."""

    name: str
    code: str
    shown: dict[str, float]
    every: dict[str, float]


def tell(name: str, evidence: dict[str, float], kind: Type, trials: Sequence[Trial] = ()) -> Told:
    ranked = rank_causes(evidence, kind.usual, outcomes=weigh_outcomes(trials))
    every = {one.row.code: one.probability for one in ranked}
    shown = {
        one.row.code: one.probability
        for one in ranked[:MOST_HINTS]
        if one.probability >= LEAST_PROBABILITY
    }
    shown[OTHER] = max(0.0, 1.0 - sum(shown.values()))
    every[OTHER] = max(0.0, 1.0 - sum(every.values()))
    return Told(name, CODES[name], shown, every)


DEPARTS = {
    "level_db": "transmit.level", "noise_db": "transmit.noise", "tilt_db": "transmit.slope",
    "thd_db": "transmit.thd",
}  # fmt: skip
"""What a swap looks at, and the clue that is the same."""


@dataclass(frozen=True)
class Settled:
    """A case before and after the trial that the likeliest of its causes asks for."""

    before: Told
    after: Told
    trial: str
    outcome: str


def settle(name: str, t: Any, evidence: dict[str, float], kind: Type, rng: Any) -> Settled:
    """Do the trial of the first cause that has one, if it is one of the first three."""
    before = tell(name, evidence, kind)
    ranked = [one.row for one in rank_causes(evidence, kind.usual)[:MOST_TRIED]]
    trial = next((TRIED_BY[row.next_test] for row in ranked if row.next_test in TRIED_BY), "")
    if not trial:
        return Settled(before, before, "", "")
    departs = {k: evidence[clue] for k, clue in DEPARTS.items() if clue in evidence}
    tried_one = tried.follow(name, t, departs, rng)
    try:
        outcome = judge_trial(trial, tried.play(trial, tried_one, rng))[0]
    except InputError:
        return Settled(before, before, trial, "")
    done = Trial(name=trial, outcome=outcome, transmitter="carbon")
    return Settled(before, tell(name, evidence, kind, (done,)), trial, outcome)


def print_settled(settled: list[Settled]) -> None:
    """The reliability of the percentages after a trial, and what each trial moved."""
    print_report([one.after for one in settled])
    out = sys.stdout
    out.write("\n| trial | cases | true cause first before | after | Brier before | after |\n")
    out.write("|---|---|---|---|---|---|\n")
    by_trial: dict[str, list[Settled]] = defaultdict(list)
    for one in settled:
        by_trial[one.trial].append(one)
        if one.trial:
            by_trial["any of them"].append(one)
    for trial, cases in sorted(by_trial.items()):
        sides = [[one.before for one in cases], [one.after for one in cases]]
        first = [100 * np.mean([find_place(one) == 1 for one in side]) for side in sides]
        brier = [score(side)[0] for side in sides]
        out.write(f"| {trial or 'none'} | {len(cases)} | {first[0]:.0f} % | {first[1]:.0f} % | ")
        out.write(f"{brier[0]:.3f} | {brier[1]:.3f} |\n")


def find_place(told: Told) -> int:
    """Place of the true cause, from 1; something else stands where its probability puts it."""
    order = sorted(told.every, key=lambda code: -told.every[code])
    return order.index(told.code) + 1 if told.code in order else len(order) + 1


def name_bench(told: list[Told]) -> list[bool]:
    """Of the cases that are the bench's: whether a cause of the bench stands first."""
    jig = {row.code for row in load_fault_table().rows if row.is_jig}
    return [
        max(one.every, key=lambda code: one.every[code]) in jig
        for one in told
        if faulty.KINDS[one.name].is_bench
    ]


def score(told: list[Told]) -> tuple[float, float]:
    """Brier score over all causes, and that of the best constant forecast."""
    codes = [*(row.code for row in load_fault_table().rows), OTHER]
    truth = np.array([[one.code == code for code in codes] for one in told], float)
    said = np.array([[one.every.get(code, 0.0) for code in codes] for one in told])
    constant = truth.mean(axis=0)
    return (
        float(np.mean(np.sum((said - truth) ** 2, axis=1))),
        float(np.mean(np.sum((constant - truth) ** 2, axis=1))),
    )


def list_bins(told: list[Told]) -> Iterator[tuple[float, float, int, float, float, float]]:
    """From, to, how many, mean stated, share true, its standard error."""
    pairs = [(p, code == one.code) for one in told for code, p in one.shown.items()]
    p, hit = np.array([a for a, _ in pairs]), np.array([b for _, b in pairs], float)
    for low, high in pairwise(EDGES):
        inside = (p >= low) & ((p < high) | (high == EDGES[-1]))
        n = int(inside.sum())
        if n:
            share = float(hit[inside].mean())
            error = float(np.sqrt(max(share * (1 - share), 0.25 / n) / n))
            yield low, high, n, float(p[inside].mean()), share, error


def print_report(told: list[Told]) -> None:
    out = sys.stdout
    out.write("| stated | causes told | mean stated | came true | standard error | |\n")
    out.write("|---|---|---|---|---|---|\n")
    for low, high, n, stated, share, error in list_bins(told):
        is_kept = abs(share - stated) <= 0.07 + 2 * error
        mark = "" if is_kept else "beyond 7 points and two standard errors"
        out.write(
            f"| {100 * low:.0f} to {100 * high:.0f} % | {n} | {100 * stated:.1f} % | "
            f"{100 * share:.1f} % | {100 * error:.1f} | {mark} |\n"
        )
    own, constant = score(told)
    out.write(f"\nBrier score {own:.3f}; of the best constant forecast {constant:.3f}\n\n")
    places: dict[str, list[int]] = defaultdict(list)
    for one in told:
        places[f"{one.name} {one.code}"].append(find_place(one))
    out.write("| fault | cases | first | among three |\n|---|---|---|---|\n")
    bench = [p for one in told if faulty.KINDS[one.name].is_bench for p in [find_place(one)]]
    known = [find_place(one) for one in told if one.code != OTHER]
    rows = [
        *sorted(places.items()), ("all that the table has", known),
        ("all", list(chain(*places.values()))), ("of the bench", bench),
    ]  # fmt: skip
    for name, found in rows:
        first, three = (100 * float(np.mean(np.array(found) <= most)) for most in (1, 3))
        out.write(f"| {name} | {len(found)} | {first:.0f} % | {three:.0f} % |\n")
    found_bench = 100 * np.mean(name_bench(told))
    out.write(f"\nA cause of the bench first when it is the bench: {found_bench:.0f} %\n")


def measure_plants(t: Any, programme: Programme, rng: Any) -> dict[str, Run]:
    """Play a telephone's plants and measure what comes back, one seat on each path."""
    runs = {}
    for path, name in PATHS.items():
        samples = getattr(t, path).plant.play(programme.samples, programme.rate_hz, rng)
        recording = Recording(samples=samples, rate_hz=programme.rate_hz)
        measured = measure_recording(programme, recording)
        runs[name] = pool_run([measured], job=1, path=name, stage="reference")
    return runs


def print_through_sound(n: int, seed: int) -> None:
    """
    The same telephones by their figures and through their sound, side by side.

    What only instruments tell (losses, bursts, current, own voice) is left out of both.
    """
    rng = np.random.default_rng(seed)
    programme = make_programme(Recipe(sweep_s=1.0))
    talking, hearing = faulty.TALKING[0], faulty.HEARING[0]
    good = [faulty.draw_telephone(rng, talking, hearing) for _ in range(N_REFERENCES)]
    kind = Type.of([t.talk for t in good], [t.hear for t in good], talking, hearing)
    swept = [measure_plants(t, programme, rng) for t in good]
    baselines = {
        name: build_baseline(
            [replace(runs[name], job=job) for job, runs in enumerate(swept, 1)],
            type_name="T", path=name,
        )
        for name in PATHS.values()
    }  # fmt: skip
    rows: list[tuple[str, Any, Any]] = []
    while len(rows) < n:
        t = faulty.draw_telephone(rng, talking, hearing)
        name = AUDIBLE[len(rows) % len(AUDIBLE)]
        faulty.KINDS[name].make(t, rng)
        read = read_evidence(t, kind, rng)
        if not is_outside(read, kind.usual):
            continue
        heard = gather_evidence(measure_plants(t, programme, rng), baselines)
        both = read.keys() & heard.keys()
        by_sound = rank_causes({clue: heard[clue] for clue in both}, gather_usual(baselines))
        by_figures = rank_causes({clue: read[clue] for clue in both}, kind.usual)
        rows.append((name, by_sound, by_figures))
    print_agreement(rows)


def print_agreement(rows: Sequence[tuple[str, Any, Any]]) -> None:
    out, same, apart, first = sys.stdout, [], [], []
    for name, by_sound, by_figures in rows:
        code = CODES[name]
        p, q = (
            sum(one.probability for one in ranked if one.row.code == code)
            for ranked in (by_sound, by_figures)
        )
        same.append(by_sound[0].row.code == by_figures[0].row.code)
        first.append([by_sound[0].row.code == code, by_figures[0].row.code == code])
        apart.append(p - q)
        out.write(f"| {name} {code} | {100 * p:.0f} % | {100 * q:.0f} % | ")
        out.write(f"{by_sound[0].row.code} | {by_figures[0].row.code} |\n")
    heard, read = 100 * np.mean(first, axis=0)
    out.write(
        f"\n{len(rows)} telephones: same first cause {100 * np.mean(same):.0f} %; the true one "
        f"first {heard:.0f} % by sound, {read:.0f} % by figures; its probability apart by "
        f"{100 * np.mean(apart):+.1f} points in the mean, {100 * np.median(np.abs(apart)):.1f} in "
        "the median of sizes\n"
    )


@dataclass(frozen=True)
class Besides:
    """First cause, what it leaves open, and the codes that are named for that."""

    first: str
    unexplained: tuple[str, ...]
    codes: tuple[str, ...]


def tell_besides(evidence: dict[str, float], kind: Type) -> Besides:
    first = rank_causes(evidence, kind.usual)[0]
    if first.probability < MEDIUM_PROBABILITY:
        return Besides(first.row.code, (), ())
    left = find_unexplained(first.row, evidence, kind.usual)
    named = rank_besides(first.row, evidence, kind.usual)
    return Besides(first.row.code, left, tuple(one.row.code for one in named))


def print_pairs(n: int, seed: int) -> None:
    """What is told besides, of single faults and of two at a time."""
    single = [tell_besides(evidence, kind) for _, _, evidence, kind in draw_cases(n, seed)]
    pairs = [({CODES[talk], CODES[hear]}, tell_besides(evidence, kind))
             for talk, hear, evidence, kind in draw_pairs(n, seed)]  # fmt: skip
    found = [(codes, one) for codes, one in pairs if one.first in codes]
    rows = {
        "single: something unexplained": [bool(one.unexplained) for one in single],
        "single: a cause named besides": [bool(one.codes) for one in single],
        "two: the first cause is one of them": [one.first in codes for codes, one in pairs],
        "of these, something unexplained": [bool(one.unexplained) for _, one in found],
        "of these, the other named first besides": [
            one.codes[:1] == tuple(codes - {one.first}) for codes, one in found
        ],
        "two: a cause named besides that is neither": [
            not set(one.codes) <= codes for codes, one in pairs
        ],
    }
    sys.stdout.write("| | cases | share |\n|---|---|---|\n")
    for name, hits in rows.items():
        sys.stdout.write(f"| {name} | {len(hits)} | {100 * np.mean(hits):.1f} % |\n")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=9000)
    parser.add_argument("--seed", type=int, default=14)
    parser.add_argument("--through-sound", type=int, default=0, metavar="N")
    parser.add_argument("--pairs", type=int, default=0, metavar="N")
    parser.add_argument("--trials", action="store_true")
    chosen = parser.parse_args()
    if chosen.pairs:
        print_pairs(chosen.pairs, chosen.seed)
        return
    if chosen.through_sound:
        print_through_sound(chosen.through_sound, chosen.seed)
        return
    started = time.process_time()
    if chosen.trials:
        rng = np.random.default_rng([chosen.seed, 17])
        print_settled([settle(*case, rng) for case in draw_cases(chosen.cases, chosen.seed)])
        sys.stdout.write(f"\n{chosen.cases} cases, seed {chosen.seed}, "
                         f"{time.process_time() - started:.0f} s of processor time\n")  # fmt: skip
        return
    told = [tell(name, evidence, kind)
            for name, _, evidence, kind in draw_cases(chosen.cases, chosen.seed)]  # fmt: skip
    print_report(told)
    sys.stdout.write(f"{chosen.cases} cases, seed {chosen.seed}, "
                     f"{time.process_time() - started:.0f} s of processor time\n")  # fmt: skip


if __name__ == "__main__":
    main()
