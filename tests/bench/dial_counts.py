"""
Wrong counts in 1000 random seven-digit numbers at 20 dB signal to noise, and the worst errors.

    python tests/bench/dial_counts.py [how many] [first seed]
"""

import sys
from collections import Counter

import numpy as np

from voicecheck.bench.simulated.dial import DialSettings, make_dial_scene
from voicecheck.checkout.dial import measure_dial
from voicecheck.records import Recording

RATES_HZ = (48000, 44100, 16000)


def run(n_numbers, first_seed, snr_db):
    """Wrong numbers, and the largest error of speed and break of a digit."""
    worst = Counter()
    for seed in range(first_seed, first_seed + n_numbers):
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
        rate_hz = RATES_HZ[seed % len(RATES_HZ)]
        scene = make_dial_scene(number, settings, seed=seed, rate_hz=rate_hz)
        check = measure_dial(Recording(samples=scene.samples, rate_hz=rate_hz))
        if check.number != number:
            worst["wrong"] += 1
            continue
        for digit, true in zip(check.digits, scene.truth.digits, strict=True):
            if true.n_pulses > 1:
                speed = abs(digit.pulses_per_s - true.pulses_per_s)
                share = abs(digit.break_percent - true.break_percent)
                worst["pulses_per_s"] = max(worst["pulses_per_s"], speed)
                worst["break_percent"] = max(worst["break_percent"], share)
            if digit.bounce_ms is not None:
                off = abs(digit.bounce_ms - true.bounce_ms)
                worst["bounce_ms"] = max(worst["bounce_ms"], off)
    return worst


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    start = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    for level_db in (20.0, 45.0):
        found = run(count, start, level_db)
        told = ", ".join(f"{name} {value:.3f}" for name, value in sorted(found.items()))
        sys.stdout.write(f"{count} numbers at {level_db:g} dB: {found['wrong']} wrong; {told}\n")
