"""Takes of the electrical check from its made scenes, two channels each."""

from __future__ import annotations

import numpy as np

from voicecheck.bench.simulated.parts import draw_card, make_parts, solve_inputs
from voicecheck.bench.simulated.scene import Drive
from voicecheck.checkout.parts.lockin import Ratios
from voicecheck.checkout.parts.options import USUAL_OHM
from voicecheck.checkout.parts.stimulus import make_recipe, make_stimulus
from voicecheck.checkout.parts.terminals import Bench
from voicecheck.records import Programme, Recording

TONES_HZ = {
    "set": (220.0, 980.0, 3620.0), "receiver": (220.0, 1120.0, 3620.0),
    "capacitor": (20.0, 75.0, 1035.0), "bell": (15.0, 29.0, 75.0),
    "contact": (980.0,),
}  # fmt: skip
"""From where a part is hardest to where it is easiest."""
DRAWN = {"contact": "dirty"}
"""A contact of an ohm, as the table of the electrical side has it."""
PROGRAMME = make_stimulus(make_recipe("capacitor"))


def make_take(part: str, *words: str, seed: int = 1, programme: Programme = PROGRAMME) -> Recording:
    """Both channels of one take, through the resistor that suits the part."""
    ohm, holds = USUAL_OHM[part], programme.blocks_of("hold")
    drive = Drive(
        samples=programme.samples,
        rate_hz=programme.rate_hz,
        part=part,
        resistor_ohm=ohm,
        reference_ohm=ohm,
        hold_s=(holds[0].start_s, holds[0].end_s) if holds else (0.0, 0.0),
    )
    asked = words or ("healthy",)
    return make_parts(asked, seed, drive).to_recording("+".join(asked), seed)


def record_pair(
    programme: Programme, word: str, part: str = "capacitor"
) -> tuple[Recording, Recording]:
    """What the two inputs of a bench hand over: before the resistor, and across the part."""
    take = make_take(part, word, programme=programme)
    assert take.second is not None
    return take.replace(second=None), take.replace(samples=take.second, second=None)


def draw_ratios(
    part: str, seed: int, draw: np.random.Generator, ohm: float | None = None
) -> tuple[Ratios, Bench]:
    """One part on one card by its circuit alone: noise 70 dB down, resistors a little off."""
    hz = np.array(TONES_HZ[part])
    ohm = USUAL_OHM[part] if ohm is None else ohm
    true_ohm = ohm * (1.0 + 0.0025 / 1.96 * draw.standard_normal(2))
    card = draw_card(seed)
    drive = Drive(
        samples=np.zeros(0), rate_hz=48000, part=part, resistor_ohm=float(true_ohm[0]),
        reference_ohm=float(true_ohm[1]),
    )  # fmt: skip

    def read(word: str) -> Ratios:
        before, behind = solve_inputs(card, (word,), seed, drive, hz)
        sd = 10.0 ** (-70.0 / 20.0) / np.sqrt(2.0) * np.ones(len(hz))
        noise = sd * (draw.standard_normal(len(hz)) + 1j * draw.standard_normal(len(hz)))
        size = np.ones(len(hz))
        return Ratios(
            frequency_hz=hz, ratio=behind / before + noise, sd=sd, first=size, second=size
        )

    bench = Bench(
        resistor_ohm=ohm, resistor_percent=0.25, reference_ohm=ohm, reference_percent=0.25,
        open=read("open"), short=read("short"), reference=read("known"),
    )  # fmt: skip
    return read(DRAWN.get(part, "healthy")), bench
