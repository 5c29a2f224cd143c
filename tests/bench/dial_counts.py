"""
Wrong counts of random seven-digit numbers, errors of every digit, and how far from an oracle.

    python tests/bench/dial_counts.py [how many] [first seed] [rate] [signal to noise, dB]

Without a rate all of 16, 44.1, 48 kHz at 20, 30, 45 dB are run. Figures: `dial_counts.md`.
"""

import sys
from collections import defaultdict
from typing import Any

import numpy as np

from voicecheck.bench.simulated.dial import DialSettings, make_dial_scene
from voicecheck.checkout.dial.measure import measure_dial
from voicecheck.records import Recording

RATES_HZ, SNR_DB = (16000, 44100, 48000), (20.0, 30.0, 45.0)
FIGURES = {
    "pulses_per_s": "speed_uncertainty_pps",
    "break_percent": "break_uncertainty_percent",
    "bounce_ms": "bounce_uncertainty_ms",
}


def dial_number(seed: Any, rate_hz: Any, snr_db: Any) -> Any:
    """A number with speed, break, drift, bounce and pause drawn."""
    draw = np.random.default_rng(seed)
    number = "".join(map(str, draw.integers(0, 10, 7)))
    settings = DialSettings(
        pulses_per_s=draw.uniform(7.5, 12.0),
        break_percent=draw.uniform(52.0, 72.0),
        drift_pps=draw.uniform(-1.0, 0.5),
        bounce_ms=draw.uniform(0.0, 6.0),
        pause_s=draw.uniform(0.5, 1.0),
        snr_db=snr_db,
    )
    return make_dial_scene(number, settings, seed=seed, rate_hz=rate_hz)


def run(n_numbers: Any, first_seed: Any, rate_hz: Any, snr_db: Any) -> Any:
    """
    Numbers read wrongly, digits without bounce, and rows (error, stated) of every figure.

    `stated` is the half-width of the 95 % interval given with it.
    """
    n_wrong, n_withheld, rows = 0, 0, defaultdict(list)
    for seed in range(first_seed, first_seed + n_numbers):
        scene = dial_number(seed, rate_hz, snr_db)
        check = measure_dial(Recording(samples=scene.samples, rate_hz=rate_hz))
        if check.number != scene.truth.number:
            n_wrong += 1
            continue
        for digit, true in zip(check.digits, scene.truth.digits, strict=True):
            n_withheld += digit.bounce_ms is None
            for name, doubt in FIGURES.items():
                if getattr(digit, name) is not None:
                    error = getattr(digit, name) - getattr(true, name)
                    rows[name].append((error, getattr(digit, doubt)))
    return n_wrong, n_withheld, {name: np.array(values) for name, values in rows.items()}


def ask_oracle(rate_hz: Any, snr_db: Any, *, n_edges: Any = 4000, seed: Any = 1) -> Any:
    """
    Errors in ms of who knows all of a gated tone but when its edge is.

    Maximum likelihood over edges 2 us apart: the tone's amplitude, frequency and phase, the width
    of the edge (0.1 ms) and the noise are known, nothing rings, no spark helps.
    """
    draw = np.random.default_rng(seed)
    time_ms = np.arange(-1.0, 1.0, 1e3 / rate_hz)
    tried_ms = np.arange(-0.6, 0.6, 2e-3)
    gates = np.clip((time_ms[None, :] - tried_ms[:, None]) / 0.1 + 0.5, 0.0, 1.0)
    errors_ms = []
    for _ in range(n_edges):
        tone = np.sin(2.0 * np.pi * (time_ms + draw.uniform()))
        at_ms = draw.uniform(-0.05, 0.05)
        heard = tone * np.clip((time_ms - at_ms) / 0.1 + 0.5, 0.0, 1.0)
        heard += 10.0 ** (-snr_db / 20.0) / np.sqrt(2.0) * draw.standard_normal(len(tone))
        misfit = np.sum((heard[None, :] - gates * tone[None, :]) ** 2, axis=1)
        errors_ms.append(tried_ms[np.argmin(misfit)] - at_ms)
    return np.array(errors_ms)


def describe(n_numbers: Any, first_seed: Any, rate_hz: Any, snr_db: Any) -> Any:
    """One line for a rate and a signal to noise."""
    n_wrong, n_withheld, rows = run(n_numbers, first_seed, rate_hz, snr_db)
    parts = [f"{rate_hz} Hz, {snr_db:g} dB: {n_wrong} of {n_numbers} wrong"]
    for name, values in rows.items():
        off, stated = np.abs(values[:, 0]), values[:, 1]
        held = 100.0 * np.mean(off <= stated)
        parts.append(
            f"{name} {np.percentile(off, 95):.3f} worst {np.max(off):.3f} "
            f"(stated {np.median(stated):.3f}, holds {held:.1f} %)"
        )
    edge_ms = ask_oracle(rate_hz, snr_db)
    # A digit of two pulses at 10 a second: two edges err, over a period of 100 ms.
    share = np.abs(edge_ms[::2] - edge_ms[1::2])
    parts.append(f"bounce withheld {n_withheld}")
    parts.append(
        f"oracle: edge rms {1e3 * np.std(edge_ms):.1f} us, "
        f"worst {1e3 * np.max(np.abs(edge_ms)):.0f} us; "
        f"two pulses: 95 % within {np.percentile(share, 95):.3f} % and "
        f"{0.1 * np.percentile(share, 95):.4f} pulses/s, worst {np.max(share):.3f} % and "
        f"{0.1 * np.max(share):.4f} pulses/s"
    )
    return "; ".join(parts)


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    start = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    rates_hz = (int(sys.argv[3]),) if len(sys.argv) > 3 else RATES_HZ
    levels_db = (float(sys.argv[4]),) if len(sys.argv) > 4 else SNR_DB
    for one_hz in rates_hz:
        for level_db in levels_db:
            sys.stdout.write(describe(count, start, one_hz, level_db) + "\n")
            sys.stdout.flush()
