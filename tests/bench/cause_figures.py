# mypy: disable-error-code="arg-type,operator,type-arg"
"""Telephones of `tests/plants/faulty.py` as a bench would know them: figures of their plants."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from plants import faulty
from plants.drawn import BANDS_HZ, POINTS_HZ
from plants.fixed import TALK_AMPLITUDE

from voicecheck.verdicts.evidence import Usual
from voicecheck.verdicts.hints import OTHER

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
        talks = [talking.draw(rng) for _ in range(N_REFERENCES)]
        return cls.of(talks, [hearing.draw(rng) for _ in talks], talking, hearing)

    @classmethod
    def of(cls, talks: Any, hears: Any, talking: Any, hearing: Any) -> Type:
        figures, usual = {}, {}
        for path, good in (("talk", talks), ("hear", hears)):
            read = [read_plant(drawn) for drawn in good]
            figures[path] = {name: np.mean([r[name] for r in read], axis=0) for name in read[0]}
            for name in ("level", "low", "slope", "thd", "h2", "h3", "noise", "compression",
                         "threshold", "h2_over_h3"):  # fmt: skip
                mean = figures[path][name] if name == "h2_over_h3" else 0.0
                sd = float(np.std([r[name] for r in read], ddof=1))
                usual[f"{PATHS[path]}.{name}"] = Usual(mean=mean, sd=sd, n=len(read))
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


TALK_FAULTS = (
    "packed", "starved", "aged", "hissing", "burnt", "muffled", "over-sensitive", "jammed",
    "frying", "settling", "fading",
)  # fmt: skip
HEAR_FAULTS = ("weak-magnet", "bent", "touching", "limiting", "hear-open")
"""Made two at a time, each as often as the others of its list: of one path alone."""


def draw_pairs(n: int, seed: int) -> Iterator[tuple[str, str, dict[str, float], Type]]:
    """Telephones that have a fault in talking and another in hearing."""
    rng = np.random.default_rng(seed)
    types = [Type.draw(rng, talking, hearing)
             for talking in faulty.TALKING for hearing in faulty.HEARING]  # fmt: skip
    of_hearing = {(id(one.talking), one.hearing.name): one for one in types}
    for _ in range(n):
        kind = types[rng.integers(len(types))]
        t = faulty.draw_telephone(rng, kind.talking, kind.hearing)
        talk, hear = str(rng.choice(TALK_FAULTS)), str(rng.choice(HEAR_FAULTS))
        for name in (talk, hear):
            faulty.KINDS[name].make(t, rng)
        kind = of_hearing[id(kind.talking), t.hear_population.name]
        yield talk, hear, read_evidence(t, kind, rng), kind


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
