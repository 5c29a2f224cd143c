"""Going through the steps of a sitting with somebody: asked, played, read, worked out, kept."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Literal, Protocol

from voicecheck.bench.calibration.guides import (
    Guide,
    Reading,
    TakeGuide,
    draw_picture,
    draw_wires,
    name_wires,
)
from voicecheck.errors import BenchError, InputError, RecordingError
from voicecheck.records import Recording, StepResult
from voicecheck.workflow.benches.sitting import TAKE_S, Sitting
from voicecheck.workflow.benches.view import list_actions

__all__ = ["Reading", "StepAnswer", "StepAttendant", "StepRequest", "check_reading", "go_through"]

METER_S = 8.0
"""Long enough for a meter to settle and be read."""
Choice = Literal["", "later", "stand-in"]
Play = Callable[[], Recording]


@dataclass(frozen=True, slots=True, kw_only=True)
class StepRequest:
    """
    What somebody is asked to do for a step.

    Parameters
    ----------
    title : str
    guide : Guide
    steps : tuple of str
        What to do, in order; what to re-plug comes first.
    picture : str
        Drawn with letters.
    wires : dict of str to str
        What stands in it, by its names.
    drawing : str
        Name of the same picture as a drawing.
    readings : tuple of Reading
        Typed before the take.
    wrong : str
        Why it is asked once more.
    """

    title: str
    guide: Guide
    steps: tuple[str, ...]
    picture: str
    drawing: str = ""
    wires: dict[str, str] = field(default_factory=dict)
    readings: tuple[Reading, ...] = ()
    wrong: str = ""


@dataclass(frozen=True, slots=True)
class StepAnswer:
    """What was chosen, and what was typed with it, by the names of the readings."""

    choice: Choice = ""
    typed: dict[str, float] = field(default_factory=dict)


class StepAttendant(Protocol):
    """Whoever goes through the steps, as the command line, a script or the page reaches them."""

    @property
    def length_s(self) -> float | None:
        """How long tones and listening last, where nobody reads a meter meanwhile."""
        ...

    @property
    def is_patient(self) -> bool:
        """Whether a step that failed is asked for again; else the failure ends the sitting."""
        ...

    def ask(self, request: StepRequest) -> StepAnswer:
        """Ask, and return when it is done or put off."""
        ...

    def read(
        self, guide: Guide, reading: Reading, tone_hz: float, play: Play
    ) -> tuple[float | None, Recording | None]:
        """What was typed while a tone was played or after it, and the last recording of it."""
        ...

    def tell(self, line: str) -> None:
        """Say what is going on."""

    def report(self, guide: Guide, result: StepResult) -> None:
        """A step is done and kept."""


def go_through(
    sitting: Sitting, guides: Iterable[Guide], attendant: StepAttendant
) -> tuple[tuple[StepResult, ...], bool]:
    """
    Go through steps, each repeated until it is done or put off.

    Parameters
    ----------
    sitting : Sitting
    guides : iterable of Guide
    attendant : StepAttendant

    Returns
    -------
    results : tuple of StepResult
    was_stopped : bool
        Whether somebody ended it; what was done is kept.

    Raises
    ------
    BenchError, InputError, RecordingError
        A step failed, and nobody is there to do it again.
    """
    every, done = tuple(guides), list[StepResult]()
    try:
        for number, guide in enumerate(every, 1):
            place = f"Step {number} of {len(every)}"
            if (result := _do_step(sitting, guide, attendant, place)) is not None:
                done.append(result)
                attendant.report(guide, result)
    except KeyboardInterrupt:
        return tuple(done), True
    return tuple(done), False


def _do_step(
    sitting: Sitting, guide: Guide, attendant: StepAttendant, place: str
) -> StepResult | None:
    request = StepRequest(
        title=f"{place}: {guide.title}",
        guide=guide,
        steps=tuple(list_actions(guide, sitting.setup)),
        picture=draw_wires(guide.name, sitting.setup),
        drawing=guide.picture,
        wires=name_wires(guide.name, sitting.setup),
        readings=(guide.reading,) if guide.reading and guide.sound != "tones" else (),
    )
    if guide.takes:
        return _do_takes(sitting, request, attendant)
    while True:
        answer = attendant.ask(request)
        if answer.choice == "later":
            return None
        try:
            return _take(sitting, guide, attendant, answer)
        except (BenchError, InputError, RecordingError) as error:
            if not attendant.is_patient:
                raise
            request = dataclasses.replace(request, wrong=str(error))


def _do_takes(
    sitting: Sitting, request: StepRequest, attendant: StepAttendant
) -> StepResult | None:
    """A step of several takes: one that fails is taken again, what they come to likewise."""
    guide = request.guide
    asked = [_ask_for(request, take, number) for number, take in enumerate(guide.takes, 1)]
    asked[0] = dataclasses.replace(asked[0], steps=(*request.steps, *asked[0].steps))
    takes: list[tuple[Recording, Recording]] = []
    typed: dict[str, float] = {}
    wrong = ""
    while True:
        answer = attendant.ask(dataclasses.replace(asked[len(takes)], wrong=wrong))
        if answer.choice == "later":
            return None
        typed |= answer.typed
        try:
            attendant.tell(f"Recording: {asked[len(takes)].title}")
            takes.append(sitting.play_pair(guide.name))
            if len(takes) == len(asked):
                attendant.tell("Working it out")
                return sitting.finish(guide.name, takes=takes, typed=typed)
            wrong = ""
        except (BenchError, InputError, RecordingError) as error:
            if not attendant.is_patient:
                raise
            wrong = str(error)
            if len(takes) == len(asked):
                takes = []


def _ask_for(request: StepRequest, take: TakeGuide, number: int) -> StepRequest:
    guide = request.guide
    return dataclasses.replace(
        request,
        title=f"{request.title}, take {number} of {len(guide.takes)}",
        steps=take.do,
        picture=draw_picture(take.picture, request.wires),
        drawing=take.picture,
        readings=take.readings,
    )


def _take(
    sitting: Sitting, guide: Guide, attendant: StepAttendant, answer: StepAnswer
) -> StepResult:
    is_stand_in = answer.choice == "stand-in"
    way = guide.stand_in if is_stand_in and guide.stand_in is not None else guide
    if way.sound != "tones" or way.reading is None:
        attendant.tell(f"Recording: {guide.title}")
        recording = sitting.play(
            guide.name, length_s=attendant.length_s or TAKE_S, is_stand_in=is_stand_in
        )
        attendant.tell("Working it out")
        values = tuple(answer.typed.values())
        return sitting.finish(guide.name, recording, values=values, is_stand_in=is_stand_in)
    read = []
    for tone_hz in way.tones_hz:
        play = functools.partial(
            sitting.play,
            guide.name,
            frequency_hz=tone_hz,
            length_s=attendant.length_s or METER_S,
            is_stand_in=is_stand_in,
        )
        value, last = attendant.read(guide, way.reading, tone_hz, play)
        read.append(value)
    typed = tuple(value for value in read if value is not None)
    return sitting.finish(guide.name, last, values=typed, is_stand_in=is_stand_in)


def check_reading(reading: Reading, value: float | None) -> float | None:
    """
    A number that was typed; `None` for one that may be left out.

    Raises
    ------
    InputError
        It is needed, or cannot be.
    """
    if value is None:
        if reading.is_required:
            raise InputError(f"{reading.label}: need a number, got nothing")
        return None
    if not reading.low <= value <= reading.high:
        raise InputError(
            f"{reading.label}: need {reading.low:g} to {reading.high:g} {reading.unit}, "
            f"got {value:g}"
        )
    return value
