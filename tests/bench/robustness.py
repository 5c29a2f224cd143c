"""
Faults put into recordings: how often they are found, named and placed; and false alarms.

    python tests/bench/robustness.py [SEEDS]

Each seed draws plant, noise, drift and the place of the fault. A hit is a problem of the right
kind within 20 ms of the fault; the curve's error with the affected part set aside is beside it.
"""

import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from helpers import default_programme, response_error_db, rms
from known_plant import KnownPlant, resonant_receiver

from voicecheck.measure import measure_recording
from voicecheck.records import Recording

RATE_HZ = 48000
PLANTS = (
    {"square": 0.8, "cube": 0.3, "noise_dbfs": -73.0},
    {"response": resonant_receiver, "square": 0.1, "noise_dbfs": -80.0},
    {"square": 0.5, "noise_dbfs": -60.0},
    {"square": 0.5, "noise_dbfs": -50.0},
)
DRIFTS_PPM = (-40.0, 0.0, 25.0)


def make_plant(seed: Any, **changes: Any) -> Any:
    settings = {**PLANTS[seed % len(PLANTS)], "drift_ppm": DRIFTS_PPM[seed % len(DRIFTS_PPM)]}
    return KnownPlant(latency_s=0.05, seed=1000 + seed, **{**settings, **changes})


def draw_place(rng: Any) -> Any:
    """An instant inside a sweep, 0.2 s from its ends, where the handset is heard well."""
    blocks = default_programme().blocks_of("sweep")
    block = blocks[rng.integers(len(blocks))]
    return rng.uniform(block.start_s + 0.5, block.end_s - 0.4) + 0.05


def burst(level_db: Any) -> Any:
    def put(samples: Any, at: Any, rng: Any) -> Any:
        count = round(0.005 * RATE_HZ)
        size = 10 ** (level_db / 20) * np.sqrt(np.mean(samples[at : at + 4800] ** 2)) * 1.414
        samples[at : at + count] += size * rng.standard_normal(count)
        return samples

    return put


def dropout(samples: Any, at: Any, rng: Any) -> Any:
    samples[at : at + 480] = 0.0
    return samples


def lost(samples: Any, at: Any, rng: Any) -> Any:
    return np.delete(samples, slice(at, at + 480))


def repeated(samples: Any, at: Any, rng: Any) -> Any:
    return np.insert(samples, at, samples[at - 480 : at])


def clipped(samples: Any, at: Any, rng: Any) -> Any:
    first, last = round(2.1 * RATE_HZ), round(11.6 * RATE_HZ)
    limit = np.quantile(np.abs(samples[first:last]), 0.95)
    return np.clip(samples, -limit, limit)


def shout(samples: Any, at: Any, rng: Any) -> Any:
    """A voice-like sound of 0.6 s at the level of the sweep: harmonics of a moving pitch."""
    count = round(0.6 * RATE_HZ)
    pitch = 180 + 40 * np.sin(2 * np.pi * 3 * np.arange(count) / RATE_HZ)
    phase = 2 * np.pi * np.cumsum(pitch) / RATE_HZ
    voice = sum(np.sin(k * phase + rng.uniform(0, 6.28)) / k for k in range(1, 16))
    shape = np.minimum(1, np.minimum(np.arange(count), count - np.arange(count)) / 480)
    level = np.sqrt(np.mean(samples[at : at + count] ** 2))
    samples[at : at + count] += level * shape * voice / np.std(voice)
    return samples


def nothing(samples: Any, at: Any, rng: Any) -> Any:
    return samples


FAULTS = {
    "burst 5 ms, 0 dB": (burst(0), {}, {"burst"}, True),
    "burst 5 ms, -10 dB": (burst(-10), {}, {"burst"}, True),
    "dropout 10 ms": (dropout, {}, {"dropout"}, True),
    "480 samples lost": (lost, {}, {"lost-samples"}, True),
    "480 samples repeated": (repeated, {}, {"repeated-samples"}, True),
    "clipping of 5 %": (clipped, {}, {"clipping"}, False),
    "mains at -30 dB": (nothing, {"mains_dbfs": -42.0}, {"mains"}, False),
    "drift of 300 ppm": (nothing, {"drift_ppm": 300.0}, {"drift"}, False),
    "shout of 0.6 s": (shout, {}, {"interference", "burst"}, True),
}


def try_one(seed: Any, fault: Any, changes: Any, kinds: Any, is_placed: Any) -> Any:
    rng = np.random.default_rng(seed)
    plant = make_plant(seed, **changes)
    programme = default_programme()
    samples = plant(programme.samples, RATE_HZ).copy()
    at_s = draw_place(rng)
    samples = fault(samples, round(at_s * RATE_HZ), rng)
    measurement = measure_recording(programme, Recording(samples=samples, rate_hz=RATE_HZ))
    found = [p for p in measurement.problems if p.kind in kinds]
    # Clocks differ by 40 ppm at the most: 0.6 ms over the programme.
    hit = any(not is_placed or abs(p.at_s - at_s) < 0.02 for p in found)
    others = [p.kind for p in measurement.problems if p.kind not in kinds]
    return hit, rms(response_error_db(measurement, plant)), others


def main() -> None:
    n_seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    out = sys.stdout
    out.write("| fault | found, named and placed | median error of the curve, dB | also named |\n")
    out.write("|---|---|---|---|\n")
    for name, (fault, changes, kinds, is_placed) in FAULTS.items():
        tries = [try_one(seed, fault, changes, kinds, is_placed) for seed in range(n_seeds)]
        also = sorted({kind for _, _, others in tries for kind in others})
        out.write(
            f"| {name} | {sum(hit for hit, _, _ in tries)} of {n_seeds} | "
            f"{np.median([error for _, error, _ in tries]):.4f} | {', '.join(also) or '-'} |\n"
        )
        out.flush()
    clean = [try_one(seed, nothing, {}, set(), False) for seed in range(n_seeds)]
    out.write(f"| clean | false alarms: {sum(bool(o) for _, _, o in clean)} of {n_seeds} | "
              f"{np.median([error for _, error, _ in clean]):.4f} | "
              f"{', '.join(sorted({k for _, _, o in clean for k in o})) or '-'} |\n")  # fmt: skip


if __name__ == "__main__":
    main()
