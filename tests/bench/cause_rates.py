# mypy: disable-error-code="arg-type,operator,type-arg"
"""
How far the probabilities of likely causes can be believed.

    python tests/bench/cause_rates.py [--cases 9000] [--seed 14] [--through-sound 40]

Scored on faults that `tests/plants/faulty.py` makes of the populations' own parts: it shares no
formula, number or code with the table of faults, and draws faults as often as they come to a shop
(most sets have one common fault). The figures of each telephone are those of its plants; a case
counts when something is outside. `--through-sound` plays some of them, measures them, and holds
the probabilities against those at the level of figures.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain, pairwise
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from plants import faulty
from plants.drawn import BANDS_HZ, POINTS_HZ
from plants.fixed import TALK_AMPLITUDE

from voicecheck.verdicts import rank_causes
from voicecheck.verdicts.evidence import Usual
from voicecheck.verdicts.faults import load_fault_table
from voicecheck.verdicts.hints import LEAST_PROBABILITY, MOST_HINTS, OTHER

CODES = {
    "packed": "F01", "starved": "F01", "aged": "F04", "hissing": "F04", "burnt": "F12",
    "loose": "F05", "muffled": "F02", "over-sensitive": "F06", "jammed": "F07", "frying": "F03",
    "hook": "F20", "cord": "F19", "fading": "F22", "settling": "F43", "roaming": "F44",
    "hum": "F26", "talk-short": "F08", "talk-open": "F09", "hear-open": "F18",
    "weak-magnet": "F13", "bent": "F14", "touching": "F15", "limiting": "F16",
    "other-type": "F47", "unbalanced": "F23", "winding": "F24", "long-line": "F25",
    "seal": "F28", "distance": "F29", "recorder": "F30", "mouth": "F41", "ear": "F42",
    "outdated": "F45", "lost-samples": "F46", "room": "F48",
    **dict.fromkeys(faulty.UNLISTED, OTHER),
}  # fmt: skip
"""What each fault is called in the table."""
N_REFERENCES, N_SEATS = 8, 3
OUTSIDE_SD = 3.7
"""About where eight reference sets put the limits of a path's quantities."""
SUREST_SD = {"thd": 1.0, "compression": 0.15, "noise": 0.6}
EDGES = np.linspace(0.0, 1.0, 11)
PATHS = {"talk": "transmit", "hear": "receive"}


def read_plant(drawn: Any) -> dict[str, Any]:
    """Figures of one set on one path, as a measurement has them."""
    plant, a = drawn.plant, TALK_AMPLITUDE
    curve_db = plant.response_db(POINTS_HZ, a)
    bands = {}
    for name, (low_hz, high_hz) in BANDS_HZ.items():
        inside = (low_hz <= POINTS_HZ) & (high_hz >= POINTS_HZ)
        bands[name] = 10 * np.log10(np.mean(10 ** (curve_db[inside] / 10)))
    at_1khz = [float(plant.response_db(1000.0, k * a)) for k in (0.1, 1.0, 2.0)]
    thd = plant.thd_percent(np.array([315.0, 500.0, 1000.0]), a)
    h2, h3 = (float(plant.harmonic_ratio(order, 500.0, a)) for order in (2, 3))
    jump = [float(plant.thd_percent(1000.0, k * a)) for k in (2.0, 0.5)]
    return {
        "level": bands["mid_db"], "low": bands["low_db"],
        "slope": bands["high_db"] - bands["low_db"],
        "thd": 20 * np.mean(np.log10(np.maximum(thd, 0.05))),
        "h2": 20 * np.log10(max(h2, 5e-4)), "h3": 20 * np.log10(max(h3, 5e-4)),
        "h2_over_h3": 20 * np.log10(max(h2, 5e-4) / max(h3, 5e-4)),
        "noise": float(plant.noise_dbfs()),
        "compression": at_1khz[1] - at_1khz[2], "threshold": at_1khz[1] - at_1khz[0],
        "thd_jump": 20 * np.log10(max(jump[0], 0.05) / max(jump[1], 0.05)),
        "peak_hz": POINTS_HZ[int(np.argmax(curve_db))], "shape": curve_db - np.mean(curve_db),
    }  # fmt: skip


@dataclass(frozen=True)
class Type:
    """A type of telephone with eight good sets on each path."""

    talking: Any
    hearing: Any
    figures: dict[str, dict[str, Any]]
    usual: dict[str, Usual]

    @classmethod
    def draw(cls, rng: Any, talking: Any, hearing: Any) -> Type:
        figures, usual = {}, {}
        for path, population in (("talk", talking), ("hear", hearing)):
            read = [read_plant(population.draw(rng)) for _ in range(N_REFERENCES)]
            figures[path] = {name: np.mean([r[name] for r in read], axis=0) for name in read[0]}
            for name in ("level", "low", "slope", "thd", "h2", "h3", "noise", "compression",
                         "threshold", "h2_over_h3"):  # fmt: skip
                mean = figures[path][name] if name == "h2_over_h3" else 0.0
                sd = float(np.std([r[name] for r in read], ddof=1))
                one = Usual(mean=mean, sd=sd, n=N_REFERENCES)
                usual[f"{PATHS[path]}.{name}"] = one
        usual["transmit.noise_slope"] = Usual(mean=-9.0, sd=1.5, n=N_REFERENCES)
        return cls(talking, hearing, figures, usual)


def read_curves(t: Any, path: str, kind: Type, rng: Any) -> dict[str, float]:
    """Clues of one path that come from its curves, with the noise of three seats."""
    own, usual = read_plant(getattr(t, path)), kind.figures[path]
    level_db = own["level"] + t.seat_db * rng.standard_normal(N_SEATS) * (path == "talk")
    moved = {name: own[name] - usual[name] for name in ("thd", "h2", "h3", "slope", "noise",
                                                        "compression", "threshold")}  # fmt: skip
    found = {name: value + rng.normal(0.0, 0.15) for name, value in moved.items()}
    found["level"] = float(np.mean(level_db)) - usual["level"]
    found["low_rel"] = own["low"] - own["level"] - usual["low"] + usual["level"]
    found["h2_over_h3"] = own["h2_over_h3"]
    found["thd_jump"] = own["thd_jump"]
    found["peak_shift_percent"] = 100 * (own["peak_hz"] / usual["peak_hz"] - 1)
    found["shape_rms"] = float(np.sqrt(np.mean((own["shape"] - usual["shape"]) ** 2)))
    if path == "talk":
        found["seat_sd"] = float(np.std(level_db, ddof=1))
    return found


def read_rest(t: Any, path: str, rng: Any) -> dict[str, float]:
    """Clues of one path that instruments find beside its curves."""
    found = {
        "dead": 0.0,
        "kurtosis": t.kurtosis[path] * np.exp(0.03 * rng.standard_normal()),
        "losses": t.losses[path] * np.exp(0.2 * rng.standard_normal()),
        "mains": t.mains_db[path],
        "tonal": (t.tonal_db if path == "talk" else 2.0) + rng.normal(0.0, 0.6),
        "take_drift": (t.wander_db if path == "talk" else t.hear_wander_db) + rng.normal(0.0, 0.1),
    }
    if path == "talk":
        found |= {
            "bursts": t.bursts_per_s,
            "bursts_in_signal": t.burst_share,
            "noise_slope": rng.normal(-9.0, 1.5) if t.slope_db is None else t.slope_db,
            "fade": -0.3 * t.wander_db + rng.normal(0.0, 0.06),
            "unsteady": float(t.is_unsteady) * rng.choice([1.0, 0.67, 0.0], p=[0.5, 0.3, 0.2]),
            "overload": float(t.is_overloaded),
        }
    return found


def read_evidence(t: Any, kind: Type, rng: Any) -> dict[str, float]:
    """Everything a bench would know of a telephone; some of it is not always taken."""
    found = {}
    for path, name in PATHS.items():
        if path in t.dead:
            found[f"{name}.dead"] = 1.0
            continue
        read = read_curves(t, path, kind, rng) | read_rest(t, path, rng)
        found |= {f"{name}.{clue}": float(value) for clue, value in read.items()}
    if "talk" not in t.dead and "hear" not in t.dead:
        # Noise of the talking set reaches the ear over the line, more or less.
        risen = 10 ** (found["transmit.noise"] / 10) - 1
        found["receive.noise"] += 10 * np.log10(max(0.1, 1 + rng.uniform(0.0, 1.0) * risen))
        if rng.random() < 0.85:
            found["both.sidetone_excess"] = t.own_voice_db + rng.normal(0.0, 0.8)
    if rng.random() < 0.85:
        found["loop.level"] = t.loop_db + rng.normal(0.0, 0.03)
        found["loop.losses"] = t.losses["loop"]
    if rng.random() < 0.7:
        drop = 1 / (1 + 0.2 * (t.resistance - 1)) if t.current > 0.2 else 1.0
        found["measured.feed_ratio"] = t.current * drop * np.exp(0.04 * rng.standard_normal())
        found["measured.dc_ohm_ratio"] = t.resistance * np.exp(0.15 * rng.standard_normal())
    tests = {
        "flex_events_per_min": t.cord_per_min, "press_events_per_min": t.hook_per_min,
        "drift_5min_db": t.soak_db,
    }  # fmt: skip
    return found | {f"test.{name}": v for name, v in tests.items() if v is not None}


def is_outside(evidence: dict[str, float], usual: dict[str, Usual]) -> bool:
    """Whether a comparison would call something outside; its limits are stated, not its code."""
    for name, one in usual.items():
        what = name.partition(".")[2]
        if name not in evidence or what in {"h2", "h3", "h2_over_h3", "threshold", "noise_slope"}:
            continue
        off = (evidence[name] - one.mean) / max(one.sd, SUREST_SD.get(what, 0.5))
        is_upper = what in {"thd", "noise", "compression"}
        if (off if is_upper else abs(off)) > OUTSIDE_SD * np.sqrt(1 + 1 / one.n):
            return True
    limits = {
        "dead": 0.5, "kurtosis": 5.0, "losses": 2.0, "mains": -2.0, "take_drift": 0.5,
        "unsteady": 0.5, "seat_sd": 2.0, "overload": 0.5,
    }  # fmt: skip
    beyond = [
        abs(value) > limits[what] if what == "take_drift" else value > limits[what]
        for name, value in evidence.items()
        if (what := name.partition(".")[2]) in limits
    ]
    own_voice = abs(evidence.get("both.sidetone_excess", 0.0)) > 4.0
    return any(beyond) or own_voice or abs(evidence.get("loop.level", 0.0)) > 0.3


def draw_cases(n: int, seed: int) -> Iterator[tuple[str, Any, dict[str, float], Type]]:
    """Faults as they come, that show as something outside."""
    rng = np.random.default_rng(seed)
    types = [
        Type.draw(rng, talking, hearing)
        for _ in range(3)
        for talking in faulty.TALKING
        for hearing in faulty.HEARING
    ]
    of_hearing = {(id(one.talking), one.hearing.name): one for one in types}
    while n:
        (name,) = faulty.draw_kinds(rng, 1)
        kind = types[rng.integers(len(types))]
        t = faulty.draw_telephone(rng, kind.talking, kind.hearing)
        faulty.KINDS[name].make(t, rng)
        # A fault that needs another make of receiver is held against that make.
        kind = (
            of_hearing[id(kind.talking), t.hear_population.name]
            if (t.hear_population.name != kind.hearing.name)
            else kind
        )
        evidence = read_evidence(t, kind, rng)
        if is_outside(evidence, kind.usual):
            n -= 1
            yield name, t, evidence, kind


@dataclass(frozen=True)
class Told:
    """What a case was, and what was told of it: probabilities by code, "other" last."""

    name: str
    code: str
    shown: dict[str, float]
    every: dict[str, float]


def tell(name: str, evidence: dict[str, float], kind: Type) -> Told:
    ranked = rank_causes(evidence, kind.usual)
    every = {one.row.code: one.probability for one in ranked}
    shown = {
        one.row.code: one.probability
        for one in ranked[:MOST_HINTS]
        if one.probability >= LEAST_PROBABILITY
    }
    shown[OTHER] = max(0.0, 1.0 - sum(shown.values()))
    every[OTHER] = max(0.0, 1.0 - sum(every.values()))
    return Told(name, CODES[name], shown, every)


def find_place(told: Told) -> int:
    """Place of the true cause, from 1; something else stands where its probability puts it."""
    order = sorted(told.every, key=lambda code: -told.every[code])
    return order.index(told.code) + 1 if told.code in order else len(order) + 1


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
    of_bench = {row.code for row in load_fault_table().rows if row.is_jig}
    named = [
        max(one.every, key=lambda code: one.every[code]) in of_bench
        for one in told
        if faulty.KINDS[one.name].is_bench
    ]
    known = [find_place(one) for one in told if one.code != OTHER]
    rows = [
        *sorted(places.items()), ("all that the table has", known),
        ("all", list(chain(*places.values()))), ("of the bench", bench),
    ]  # fmt: skip
    for name, found in rows:
        first, three = (100 * float(np.mean(np.array(found) <= most)) for most in (1, 3))
        out.write(f"| {name} | {len(found)} | {first:.0f} % | {three:.0f} % |\n")
    out.write(f"\nA cause of the bench first when it is the bench: {100 * np.mean(named):.0f} %\n")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=9000)
    parser.add_argument("--seed", type=int, default=14)
    chosen = parser.parse_args()
    started = time.process_time()
    told = [tell(name, evidence, kind)
            for name, _, evidence, kind in draw_cases(chosen.cases, chosen.seed)]  # fmt: skip
    print_report(told)
    sys.stdout.write(f"{chosen.cases} cases, seed {chosen.seed}, "
                     f"{time.process_time() - started:.0f} s of processor time\n")  # fmt: skip


if __name__ == "__main__":
    main()
