"""Does it hear me: a device's outputs and inputs found by ear, before a bench is set up on it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.bench.calibration.hearing import (
    Heard,
    Wires,
    find_voice,
    find_wires,
    judge_probe,
    list_enhancements,
    make_probe,
)
from voicecheck.bench.soundcard.takes import Progress, Wiring, capture
from voicecheck.errors import BenchError
from voicecheck.records.benches import Device
from voicecheck.workflow.benches.choosing import find_present
from voicecheck.workflow.benches.locks import hold_device

MOST_CHANNELS, VOICE_S, CAP_DBFS, USUAL_HZ = 4, 4.0, -20.0, 48000
CAUTION = (
    "Soft tones are played from every output: turn amplifiers down first, and keep every handset, "
    "receiver and headphone away from ears."
)
PLACE = (
    "Put the ear's microphone in front of the mouth, where the mouthpiece will be; no handset.",
    "Connect line drive to line tap through the 600 ohm pad, nothing else; feed off.",
)
SPEAK = ("Then speak towards the ear's microphone, with pauses, as long as it records.",)
SWITCH_OFF = "switch it off in the system's sound settings"
Ask = Callable[[str, Sequence[str], str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hearing:
    """
    What was found of a device.

    Parameters
    ----------
    device : Device
    rate_hz : int
    wires : Wires
    remarks : tuple of str
        What is not heard, what the system does to the sound, and what to do about it.
    """

    device: Device
    rate_hz: int
    wires: Wires
    remarks: tuple[str, ...] = ()


def hear_device(name: str, ask: Ask, progress: Progress | None = None) -> Hearing:
    """
    Find a device's mouth, ear, line drive and line tap, and what the system does to its sound.

    Parameters
    ----------
    name : str
        Of the device, or a part of it.
    ask : callable
        Given a title, what to do, and a caution; returns when it is done.
    progress : callable, optional
        Told the fraction done and the level of the input while something is recorded.

    Returns
    -------
    Hearing

    Raises
    ------
    BenchError
        The device is not there, is busy, or failed.
    """
    device = find_present(name)
    n_outputs, n_inputs = (min(n, MOST_CHANNELS) for n in (device.n_outputs, device.n_inputs))
    if not n_outputs or not n_inputs:
        raise BenchError(f"{device.name}: has no output or no input; a bench needs both")
    with hold_device(device.name, "does it hear me"):
        take = _Taker(device, n_outputs, n_inputs, progress)
        ask(f"{device.name}: does it hear you?", (*PLACE, *SPEAK), CAUTION)
        ear = find_voice(take.record_voice(), USUAL_HZ)
        ask(f"{device.name}: quiet now, soft tones", ("Be quiet until it is over.",), CAUTION)
        heard = {
            (output, number): one
            for output in range(1, n_outputs + 1)
            for number, one in take.play(output).items()
        }
    wires = find_wires(heard, ear)
    return Hearing(
        device=device, rate_hz=USUAL_HZ, wires=wires, remarks=_remark(device, wires, heard)
    )


class _Taker:
    """Records every input while one output plays, or none."""

    def __init__(
        self, device: Device, n_outputs: int, n_inputs: int, progress: Progress | None
    ) -> None:
        self._n_outputs, self._progress = n_outputs, progress
        self._wiring = Wiring(
            name=device.name,
            device=device.name,
            host_api=device.host_api,
            outputs=tuple(range(1, n_outputs + 1)),
            inputs=tuple(range(1, n_inputs + 1)),
            caps_dbfs=(CAP_DBFS,) * n_outputs,
        )

    def record_voice(self) -> np.ndarray:
        silence = np.zeros((round(VOICE_S * USUAL_HZ), self._n_outputs))
        return capture(self._wiring, silence, USUAL_HZ, progress=self._progress).captured

    def play(self, output: int) -> dict[int, Heard]:
        probe = make_probe(USUAL_HZ)
        sound = np.zeros((probe.size, self._n_outputs))
        sound[:, output - 1] = probe
        captured = capture(self._wiring, sound, USUAL_HZ, progress=self._progress).captured
        return {
            number: judge_probe(column, USUAL_HZ) for number, column in enumerate(captured.T, 1)
        }


def _remark(device: Device, wires: Wires, heard: dict[tuple[int, int], Heard]) -> tuple[str, ...]:
    remarks = []
    if wires.ear_channel is None:
        remarks.append(
            "Nobody was heard: look at the microphone's cable, its power and its gain, speak up, "
            "and try again"
        )
    elif wires.mouth_channel is None:
        remarks.append(
            "The ear heard you and no output: look at the mouth's amplifier and its cable"
        )
    if wires.line_tap_channel is None:
        remarks.append("The line was not heard: look at line drive, pad and line tap")
    pairs = (
        ("line", (wires.line_drive_channel, wires.line_tap_channel)),
        ("mouth and ear", (wires.mouth_channel, wires.ear_channel)),
    )
    for words, (output, number) in pairs:
        if output is not None and number is not None:
            found = list_enhancements(heard[output, number])
            remarks += [
                f"{words}: {one}; switch it off in the system's sound settings" for one in found
            ]
    if round(device.default_rate_hz) not in (0, USUAL_HZ):
        remarks.append(
            f"The system runs this device at {device.default_rate_hz:.0f} Hz: set it to "
            f"{USUAL_HZ} Hz, or set the bench up with that rate, or everything is resampled"
        )
    return tuple(remarks)
