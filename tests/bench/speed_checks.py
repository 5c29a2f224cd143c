"""
Each check's analysis alone, over the length of its recording; a part of `all_ratios.py`.

Each check hears a made scene; asked is a fifth of the length. The electrical check, which needs
its stimulus beside it, is not among them.
"""

from __future__ import annotations

from collections.abc import Iterator

from timing import Ratio, clock_ms

from voicecheck.workflow.checks.kinds import list_kinds
from voicecheck.workflow.checks.source import Source
from voicecheck.workflow.checks.take import take_scene

SCENES = {
    "dial": "slow+bouncing:5551234567",
    "tones": "busy",
    "bell": "healthy",
    "flex": "cord-break",
    "speak": "healthy",
}


def list_checks(*, short: bool) -> Iterator[Ratio]:
    """The best of three; short is as long."""
    del short
    for kind in list_kinds():
        measure = kind.measure
        if kind.name not in SCENES or measure is None:
            continue
        scene, options = SCENES[kind.name], kind.options()
        recording = take_scene(kind.name, Source(simulated=scene), options)
        yield Ratio(
            name=f"check: {kind.name} ({scene})",
            value=min(clock_ms(lambda: measure(recording, options)) for _ in range(3)),  # noqa: B023
            floor=1000.0 * recording.duration_s,
            against="the length of the recording",
        )
