"""
Processor time of each check's analysis alone, as a share of its recording's length, as a table.

    OMP_NUM_THREADS=1 python tests/bench/check_speed.py

Each check hears a made scene; the figure is the best of three. The electrical check, which needs
its stimulus beside it, is not among them.
"""

import sys
import time

from voicecheck.workflow.checks.kinds import list_kinds
from voicecheck.workflow.checks.source import Source
from voicecheck.workflow.checks.take import take_scene

LIMIT = 0.2
SCENES = {
    "dial": "slow+bouncing:5551234567",
    "tones": "busy",
    "bell": "healthy",
    "flex": "cord-break",
    "speak": "healthy",
}


def main() -> None:
    """Print the table."""
    sys.stdout.write("| check | scene | recording, s | share of its length |\n|---|---|---|---|\n")
    for kind in list_kinds():
        measure = kind.measure
        if kind.name not in SCENES or measure is None:
            continue
        scene, options = SCENES[kind.name], kind.options()
        recording = take_scene(kind.name, Source(simulated=scene), options)
        spent_s = []
        for _ in range(3):
            begun_s = time.process_time()
            measure(recording, options)
            spent_s.append(time.process_time() - begun_s)
        share = min(spent_s) / recording.duration_s
        told = "" if share < LIMIT else " (over)"
        sys.stdout.write(
            f"| {kind.name} | {scene} | {recording.duration_s:.1f} | {share:.3f}{told} |\n"
        )


if __name__ == "__main__":
    main()
