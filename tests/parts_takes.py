"""Takes of the electrical check from its made scenes, two channels each."""

from __future__ import annotations

from voicecheck.bench.simulated.parts import make_parts
from voicecheck.bench.simulated.scene import Drive
from voicecheck.checkout.parts.options import USUAL_OHM
from voicecheck.checkout.parts.stimulus import make_recipe, make_stimulus
from voicecheck.records import Programme, Recording

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
