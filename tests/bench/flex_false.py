"""
False events an hour on quiet cords, healthy and carbon, with and without hum.

    python tests/bench/flex_false.py [minutes of each]
"""

import sys
from typing import Any

from voicecheck.bench.simulated.flex import make_flex
from voicecheck.checkout.flex.measure import measure_flex
from voicecheck.records import Recording

LENGTH_S = 120.0


def count(text: Any, minutes: Any, rate_hz: Any = 16000) -> Any:
    """Events found where there are none."""
    found = 0
    for seed in range(round(60 * minutes / LENGTH_S)):
        scene = make_flex(text, seed=seed, rate_hz=rate_hz, length_s=LENGTH_S)
        recording = Recording(samples=scene.samples, rate_hz=scene.rate_hz)
        found += len(measure_flex(recording).events)
    return found


if __name__ == "__main__":
    asked = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    for cord in ("healthy", "hum", "carbon", "carbon+hum"):
        sys.stdout.write(f"{cord}: {count(cord, asked)} false events in {asked:g} min\n")
