"""Parts of the protocol as somebody might have done them, for tests of what follows."""

from __future__ import annotations

from typing import Any

from voicecheck.records import Calibration, Protocol, ProtocolFinding, ProtocolPart
from voicecheck.verdicts.protocol import find_step, judge_protocol, list_parts

TYPED = {
    "resistor 1": {
        "loop_ma": 40.0,
        "resistor_ohm": 600.0,
        "switched_ohm": 1.0,
        "load_ohm": 600.0,
        "meter_percent": 1.5,
    },
    "diodes 1": {
        "series_ohm": 10e3,
        "forward_mv": 600.0,
        "test_ma": 1.0,
        "celsius": 21.0,
        "tap_ohm": 47e3,
    },
    "dial 1": {"scope_pps": 10.0, "scope_break_percent": 60.0, "scope_off_percent": 1.0},
}


def make_part(
    part: str, figures: dict[str, float | None], off: dict[str, float] | None = None, **other: Any
) -> ProtocolPart:
    """A part with these figures, whatever stands for the rest."""
    n_takes = max(
        (int(name.split("_")[1]) for name in figures if name.startswith("mid_")), default=1
    )
    place = list_parts().index(part) if part in list_parts() else 0
    evening = next((one for one in (1, 2) if part.startswith(f"seats {one}")), 1)
    defaults: dict[str, Any] = {
        "step": "round" if part in ("envelope", "opened") else find_step(part),
        "taken_utc": f"2031-05-{3 + evening:02}T{16 + min(place, 5)}:00:00+00:00",
        "bench": "attic",
        "version": "0",
        "typed": TYPED.get(part, {}),
        "sounds": ("0" * 64,) * n_takes,
        "calibration": Calibration(
            output_per_unit=1.0, output_unit="V", input_per_unit=1.0, input_unit="V"
        ),
    }
    return ProtocolPart(part=part, figures=figures, uncertainty=off or {}, **{**defaults, **other})


def judge(*parts: ProtocolPart) -> Protocol:
    return judge_protocol(1, parts, "0")


def find(protocol: Protocol, step: str, quantity: str) -> ProtocolFinding:
    (found,) = [one for one in protocol.findings if (one.step, one.quantity) == (step, quantity)]
    return found
