"""
The questions of the model check: how often each is answered right, and how often falsely.

    python tests/bench/modelcheck.py [SEEDS] [FALSE SEEDS] > tests/bench/modelcheck.md

Sizes are this table's own, as are the seeds; every row is over three sets (linear, carbon with
memory, magnetic receiver) and all seeds.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from plants import spoil_levels as levels
from plants.catalogue import PLANTS
from plants.played import Played
from plants.spoiling import SPOILERS
from plants.tools import colour, envelope_db, make_babble, make_voice, rms, with_gain

from voicecheck.bench.simulated import SimulatedBench
from voicecheck.measure import measure_recording
from voicecheck.programme import make_programme
from voicecheck.records import Measurement, Recording
from voicecheck.records.arrays import Array

RATE_HZ, FIRST_SEED = 48000, 7100
SETS = ("electret", "carbon", "receiver")
MOODS = ("carbon", "carbon-settling", "carbon-packing", "carbon-early", "electret", "receiver",
         "receiver-touching", "network")  # fmt: skip
SIMULATED = ("carbon", "carbon+settling", "carbon+packing", "carbon+remembering", "carbon+restless",
             "carbon+over-sensitive")  # fmt: skip
Spoil = Callable[[Array, float, Any], Array]


@cache
def play() -> Played:
    programme = make_programme()
    names = ("kind", "start_s", "end_s", "peak", "from_hz", "to_hz")
    blocks = [{name: getattr(block, name) for name in names} for block in programme.blocks]
    document = {"rate_hz": RATE_HZ, "blocks": blocks}
    made: Played = Played.from_document(programme.samples, document)
    return made


@cache
def take(name: str, seed: int) -> Array:
    made: Array = PLANTS[name].take(play(), np.random.default_rng(seed)).samples
    return made


def peak_db(samples: Array) -> float:
    return float(levels._sweep_peak_db(samples, play()))


def control(times_s: tuple[float, float], ratio: float) -> Spoil:
    def spoil(samples: Array, size: float, rng: Any) -> Array:
        made: Array = levels._control(samples, play(), times_s, ratio, peak_db(samples) - size)[0]
        return made

    return spoil


def clip(samples: Array, size: float, rng: Any) -> Array:
    most = 10 ** ((peak_db(samples) - size) / 20)
    made: Array = colour(np.clip(samples, -most, most), RATE_HZ, 40.0, 12000.0)
    return made


def gate(samples: Array, size: float, rng: Any) -> Array:
    over_db = envelope_db(samples, RATE_HZ, 0.003, 0.06) - peak_db(samples) + 34.0
    shut = 1.0 / (1.0 + np.exp(np.clip(2.0 * over_db, -40.0, 40.0)))
    made: Array = with_gain(samples, -size * shut, 1000, RATE_HZ)
    return made


def lay_over(kind: str, sound: Callable[[int, int, Any], Array]) -> Spoil:
    """A sound over all blocks of a kind, `size` in dBFS for silences, else in dB re the block."""

    def spoil(samples: Array, size: float, rng: Any) -> Array:
        made = np.array(samples)
        for part in play().of(kind):
            here = play().stretch(part)
            scale = np.sqrt(0.5) if kind == "silence" else rms(samples[here])
            laid = sound(here.stop - here.start, RATE_HZ, rng)
            made[here] += 10 ** (size / 20) * scale * laid
        return made

    return spoil


def lose(samples: Array, size: float, rng: Any) -> Array:
    made = np.array(samples)
    for _ in range(int(size)):
        part = play().of("sweep")[rng.integers(3)]
        first = round(rng.uniform(part.start_s + 0.3, part.end_s - 0.5) * RATE_HZ)
        n = round(rng.uniform(0.008, 0.05) * RATE_HZ)
        made[first : first + n] *= 10 ** (-rng.uniform(25, 60) / 20)
    return made


def howl(samples: Array, size: float, rng: Any) -> Array:
    t = np.arange(len(samples)) / RATE_HZ - rng.uniform(4.0, 9.0)
    grown = 10 ** (size / 20) / (1 + np.exp(-(t - 2.0) / 0.7))
    return np.asarray(samples + grown * np.sin(2 * np.pi * rng.uniform(600, 3000) * t))


def catalogue(kind: str) -> Spoil:
    """A spoiler whose sizes are its own: 0, 1, 2."""

    def spoil(samples: Array, size: float, rng: Any) -> Array:
        made: Array = SPOILERS[kind].work(samples, play(), int(size), rng)[0]
        return made

    return spoil


CASES: dict[str, tuple[Spoil, tuple[float, ...], str, str | None]] = {
    "gain control 2:1, 4 and 50 ms, dB under the sweep": (
        control((0.004, 0.05), 2), (2.0, 9.0, 16.0), "level-control", "steps"),
    "gain control 4:1, 4 and 50 ms": (
        control((0.004, 0.05), 4), (2.0, 9.0, 16.0), "level-control", "steps"),
    "gain control 3:1, 0.2 and 1.1 s": (
        control((0.2, 1.1), 3), (2.0, 9.0, 16.0), "level-control", "steps"),
    "limiter, 1 and 100 ms": (
        control((0.001, 0.1), 40), (1.0, 4.0, 7.0), "level-control", "steps"),
    "echo canceller, size of the catalogue": (
        catalogue("echo-canceller"), (0, 1, 2), "level-control", None),
    "overload, then filtered, dB under the sweep": (clip, (1.0, 2.0, 6.0), "overload", "steps"),
    "lossy coding, size of the catalogue": (
        catalogue("lossy-coding"), (0, 1, 2), "lossy-coding", "steps"),
    "muted silences, size of the catalogue": (catalogue("muted-pauses"), (0, 1, 2), "muted", ""),
    "gate, dB deep": (gate, (10.0, 25.0, 60.0), "muted", "silence"),
    "noise suppressor, size of the catalogue": (
        catalogue("noise-suppressor"), (0, 1, 2), "muted", "silence"),
    "babble in the silences, dBFS": (
        lay_over("silence", make_babble), (-58.0, -48.0, -40.0), "sound-in-pause", ""),
    "speech over the steps, dB": (
        lay_over("steps", make_voice), (-27.0, -18.0, -12.0), "sound-in-pause", "steps"),
    "speech over the four tones, dB": (
        lay_over("four-tone", make_voice), (-27.0, -18.0, -12.0), "sound-in-pause", "four-tone"),
    "howl, dBFS": (howl, (-45.0, -35.0, -25.0), "howl", ""),
    "losses, number": (lose, (3, 6, 14), "dropout", ""),
}  # fmt: skip


def measure(samples: Array) -> Measurement:
    return measure_recording(make_programme(), Recording(samples=samples, rate_hz=RATE_HZ))


def is_named(found: Measurement, kind: str, block: str | None) -> bool:
    """`block` None: no block; "": any."""
    return any(problem.kind == kind and block in ("", problem.block) for problem in found.problems)


def rate_powers(n_seeds: int) -> Iterator[str]:
    for name, (spoil, sizes, kind, block) in CASES.items():
        hits = []
        for size in sizes:
            named = [
                is_named(
                    measure(spoil(take(one, seed), size, np.random.default_rng(seed))), kind, block
                )
                for one in SETS
                for seed in range(FIRST_SEED, FIRST_SEED + n_seeds)
            ]
            hits.append(f"{sum(named)} of {len(named)} ({size:g})")
        yield f"| {name} | {kind} | {' | '.join(hits)} |\n"


def list_clean(n_seeds: int) -> Iterator[tuple[str, Iterator[Array]]]:
    seeds = range(FIRST_SEED + 100, FIRST_SEED + 100 + n_seeds)
    for name in MOODS:
        yield name, (PLANTS[name].take(play(), np.random.default_rng(s)).samples for s in seeds)
    wander = SPOILERS["clock-wander"].work
    yield (
        "electret, clock that wanders by 2 ppm",
        (wander(take("electret", s), play(), 0, np.random.default_rng(s))[0] for s in seeds),
    )
    yield (
        "carbon, 16 bit, 20 dB headroom",
        (np.round(0.2 * take("carbon", s) * 2**15) / 2**15 for s in seeds),
    )
    for name in SIMULATED:
        benches = (SimulatedBench(name, seed=s) for s in seeds)
        yield (
            f"simulated {name}",
            (bench.play_and_record(make_programme()).samples for bench in benches),
        )


def rate_false(n_seeds: int) -> Iterator[str]:
    for name, takes in list_clean(n_seeds):
        kinds = [sorted({problem.kind for problem in measure(one).problems}) for one in takes]
        said = sorted({kind for one in kinds for kind in one})
        raised = sum(map(bool, kinds))
        yield f"| {name} | {raised} of {len(kinds)} | {', '.join(said) or '-'} |\n"


def main() -> None:
    n_seeds, n_false = (int(a) for a in (*sys.argv[1:], *("4", "20")[len(sys.argv) - 1 :]))
    out = sys.stdout
    out.write("# The model check: power and false alarms\n\n")
    out.write(
        f"`python tests/bench/modelcheck.py {n_seeds} {n_false}`, "
        f"{datetime.now(UTC):%Y-%m-%d}, seeds from {FIRST_SEED}.\n\n"
    )
    out.write("| what was done to the take (size) | named | light | medium | heavy |\n")
    out.write("|---|---|---|---|---|\n")
    for row in rate_powers(n_seeds):
        out.write(row)
        out.flush()
    out.write("\n| what is normal | something was named | what |\n|---|---|---|\n")
    for row in rate_false(n_false):
        out.write(row)
        out.flush()


if __name__ == "__main__":
    main()
