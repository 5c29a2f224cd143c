"""
The windows that the analysis chooses, beside fixed ones and a general library's gates.

    python tests/bench/windows.py [SEEDS] [> tests/bench/windows.md]

Errors in dB rms over the 52 points of 200-4000 Hz and all seeds, default programme. `cycles`: one
length for all points, as many cycles before and after; `gate`: one stretch of time for all, the
analysis' own kernel; `pyfar`: the same gates on regularised spectrum inversion by a general
library (mean of the three sweeps). All see the same recordings. Last columns: share of the points
inside the stated interval, its median half-width, and whether the choice is within 10 % or 0.002 dB
of the best of all others.
"""

import sys
import warnings
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from helpers import rms
from plants.catalogue import PLANTS
from plants.filters import apply_response
from plants.played import Played
from plants.spoil_sounds import _mains as make_hum
from plants.tools import make_babble

from voicecheck import continuity, inspection
from voicecheck.measure import measure_recording
from voicecheck.programme import RECIPES, make_programme
from voicecheck.records import Recording
from voicecheck.response import compute_kernels
from voicecheck.weighting import make_band_frequencies

RATE_HZ = 48000
POINTS_HZ = make_band_frequencies(12)
CYCLES = {"14 cycles": (4.0, 10.0), "28 cycles": (8.0, 20.0), "56 cycles": (16.0, 40.0)}
GATES_MS = {"2/7 ms": (2.0, 7.0), "5/20 ms": (5.0, 20.0), "30/60 ms": (30.0, 60.0)}


def level_dbfs(samples: Any, dbfs: Any) -> Any:
    return 10 ** (dbfs / 20) / np.sqrt(2) * samples / rms(samples)


def keep(samples: Any, _rng: Any) -> Any:
    return samples


def vibrate(samples: Any, rng: Any) -> Any:
    shake = make_hum(len(samples), RATE_HZ, 51.3, {1: 1.0, 2: 0.25}, rng)
    swell = 1 + 0.4 * np.sin(2 * np.pi * 0.55 * np.arange(len(samples)) / RATE_HZ)
    return samples + level_dbfs(shake * swell, -30.0)


def babble(samples: Any, rng: Any) -> Any:
    return samples + level_dbfs(make_babble(len(samples), RATE_HZ, rng), -52.0)


def hiss(samples: Any, rng: Any) -> Any:
    return samples + level_dbfs(rng.standard_normal(len(samples)), -42.0)


def hum(samples: Any, rng: Any) -> Any:
    weights = {k: 1 / k**0.8 for k in range(1, 14)}
    return samples + level_dbfs(make_hum(len(samples), RATE_HZ, 60.03, weights, rng), -42.0)


def reflect(delay_s: Any, gain: Any, corner_hz: Any) -> Any:
    """A wall that takes the treble off."""

    def path(f: Any) -> Any:
        return 1 + gain / (1 + 1j * f / corner_hz) * np.exp(-2j * np.pi * f * delay_s)

    return lambda samples, _rng: apply_response(samples, RATE_HZ, path)


def both(*parts: Any) -> Any:
    def spoil(samples: Any, rng: Any) -> Any:
        for part in parts:
            samples = part(samples, rng)
        return samples

    return spoil


SPOILT = {
    "clean": keep,
    "vibration 51 Hz": vibrate,
    "babble": babble,
    "hiss": hiss,
    "mains": hum,
    "reflection 3.3 ms, -20 dB": reflect(0.0033, 0.1, 7000.0),
    "reflection 8.6 ms, -12 dB": reflect(0.0086, 0.25, 12000.0),
    "reflection 17.2 ms, -9 dB": reflect(0.0172, 0.35, 6000.0),
    "reflections 5.1, 13.7 ms": both(reflect(0.0051, 0.12, 9e3), reflect(0.0137, -0.2, 8e3)),
}
PLANTS_TRIED = ("electret", "receiver", "network", "hum-coil", "carbon")


def make_played(programme: Any) -> Any:
    names = ("kind", "start_s", "end_s", "peak", "from_hz", "to_hz")
    blocks = [{name: getattr(one, name) for name in names} for one in programme.blocks]
    return Played.from_document(programme.samples, {"rate_hz": RATE_HZ, "blocks": blocks})


def sum_under(kernel: Any, before: Any, after: Any) -> Any:
    """Level of a circular kernel under windows of these lengths in samples, half of each flat."""
    levels = []
    for point_hz, b, a in zip(POINTS_HZ, before, after, strict=True):
        at = np.arange(-int(b), int(a) + 1)
        ramp = np.clip(np.minimum((at + b) / (b / 2), (a - at) / (a / 2)), 0.0, 1.0)
        window = 0.5 - 0.5 * np.cos(np.pi * ramp)
        levels.append(np.sum(kernel[at] * window * np.exp(-2j * np.pi * point_hz / RATE_HZ * at)))
    return 20 * np.log10(np.abs(levels))


def list_windows() -> Any:
    """Name -> lengths before and after in samples, at all points."""
    cycle, flat = RATE_HZ / POINTS_HZ, np.ones(len(POINTS_HZ)) * RATE_HZ / 1000.0
    found = {name: (b * cycle, a * cycle) for name, (b, a) in CYCLES.items()}
    return found | {f"gate {name}": (b * flat, a * flat) for name, (b, a) in GATES_MS.items()}


def make_own_kernel(programme: Any, samples: Any) -> Any:
    recording = Recording(samples=samples, rate_hz=RATE_HZ)
    timeline = inspection.find_timeline(programme, recording)
    placed = continuity.check_continuity(programme, recording, timeline)
    return compute_kernels(placed.spectra).mean


def make_pyfar_kernel(programme: Any, samples: Any) -> Any:
    """Mean of the sweeps over the sweep as played; the material has no delay and no drift."""
    import pyfar

    length, count, heard = 2**18, 168000, np.zeros(2**18)
    blocks = programme.blocks_of("sweep")
    for block in blocks:
        first = round(block.start_s * RATE_HZ)
        heard[:count] += samples[first : first + count] / len(blocks)
    played, first = np.zeros(length), round(blocks[0].start_s * RATE_HZ)
    played[:count] = programme.samples[first : first + count]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the name changes in a later release of it
        inverse = pyfar.dsp.regularized_spectrum_inversion(
            pyfar.Signal(played, RATE_HZ), (110, 7900)
        )
    return (pyfar.Signal(heard, RATE_HZ) * inverse).time.ravel()


def assess_take(programme: Any, own_reference: Any, take: Any, spoil: Any, rng: Any) -> Any:
    """Errors of every method at every point, and what the analysis states of its own."""
    samples = spoil(take.samples, rng)
    truth = take.response_range_db(POINTS_HZ)[1]
    errors, windows = {}, list_windows()
    own = make_own_kernel(programme, samples)
    for name, lengths in windows.items():
        found = sum_under(own, *lengths) - sum_under(own_reference, *lengths)
        errors[name] = found - truth
    pyfar_kernel = make_pyfar_kernel(programme, samples)
    for name in GATES_MS:
        found = sum_under(pyfar_kernel, *windows[f"gate {name}"])
        errors[f"pyfar {name}"] = found - truth
    measured: Any = measure_recording(programme, Recording(samples=samples, rate_hz=RATE_HZ))
    errors["chosen"] = measured.response.level_db - truth
    return errors, measured


def assess(plant: Any, spoil: Any, programme: Any, own_reference: Any, n_seeds: Any) -> Any:
    played, inside, half = make_played(programme), [], []
    kept: dict[str, list[Any]] = {}
    for seed in range(1, n_seeds + 1):
        rng = np.random.default_rng([31, seed])
        errors, measured = assess_take(
            programme, own_reference, plant.take(played, rng), spoil, rng
        )
        for name, error in errors.items():
            kept.setdefault(name, []).append(error)
        known = np.isfinite(errors["chosen"])
        uncertainty_db = measured.response.uncertainty_db[known]
        inside.append(np.abs(errors["chosen"][known]) <= uncertainty_db)
        half.append(uncertainty_db)
    table = {name: float(np.sqrt(np.nanmean(np.square(all_)))) for name, all_ in kept.items()}
    return table, 100 * np.mean(np.concatenate(inside)), np.median(np.concatenate(half))


def main() -> None:
    n_seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    out, programme = sys.stdout, make_programme(RECIPES["default"])
    own_reference = make_own_kernel(programme, programme.samples)
    out.write("# The windows that are chosen, beside others\n\n")
    out.write(f"`python tests/bench/windows.py {n_seeds}`, {datetime.now(UTC):%Y-%m-%d}, ")
    out.write("seeds 1 up; what is shown is said there.\n\n")
    sums: dict[str, list[float]] = {}
    for name in PLANTS_TRIED:
        for spoilt, spoil in SPOILT.items():
            row, inside, half = assess(PLANTS[name], spoil, programme, own_reference, n_seeds)
            best = min(value for key, value in row.items() if key != "chosen")
            if not sums:
                out.write(f"| plant | {' | '.join(row)} | inside % | half-width | near best |\n")
                out.write("|---" * (len(row) + 4) + "|\n")
            for key, value in row.items():
                sums.setdefault(key, []).append(value)
            near = row["chosen"] <= max(1.1 * best, best + 0.002)
            cells = " | ".join(f"{value:.4f}" for value in row.values())
            out.write(f"| {name}, {spoilt} | {cells} | {inside:.0f} | {half:.4f} | ")
            out.write(f"{'yes' if near else 'no'} |\n")
            out.flush()
    cells = " | ".join(f"{np.mean(values):.4f}" for values in sums.values())
    out.write(f"| mean | {cells} | | | |\n")


if __name__ == "__main__":
    main()
