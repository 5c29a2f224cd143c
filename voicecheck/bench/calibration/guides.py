"""The steps in words: what to do, what to beware of, how long a result is good for."""

from __future__ import annotations

import functools
import importlib.resources
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import msgspec

from voicecheck.records.benches import BenchSetup, StepResult
from voicecheck.records.terms import Ear, PathName, check_word

Sound = Literal["tones", "tone-set", "stimulus", "programme", "none"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """
    A number that somebody types during a step.

    Parameters
    ----------
    name : str
        Of the option that gives it where nobody is asked.
    label, unit : str
    low, high : float
        What can be; anything else was mistyped.
    default : str
        What the field offers.
    is_required : bool
    """

    name: str
    label: str
    unit: str
    low: float
    high: float
    default: str = ""
    is_required: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """
    How a step is played, recorded and read.

    Parameters
    ----------
    path : str
        Which output plays and which input records, in the words of a programme's paths.
    sound : str
        "tones", "tone-set" for many at once, "programme", or "none" to listen only.
    tones_hz : tuple of float
        Played one after another where the sound is "tones".
    reading : Reading, optional
        Typed while a tone plays, else before the take.
    is_recorded : bool
        Whether the result rests on the recording too, or on the readings alone.
    is_equalised : bool
        Whether the mouth is made flat; not while the mouth itself is measured.
    words : str
        What the choice of a stand-in says.
    """

    path: PathName
    sound: Sound
    tones_hz: tuple[float, ...] = (1000.0,)
    reading: Reading | None = None
    is_recorded: bool = True
    is_equalised: bool = True
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeGuide:
    """
    One of several takes of a step, line tap and ear both listened to; wires change between them.

    Parameters
    ----------
    name : str
    do : tuple of str
        What to connect, in order.
    picture : str
    readings : tuple of Reading
        Typed before it.
    """

    name: str
    do: tuple[str, ...]
    picture: str
    readings: tuple[Reading, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Guide(Way):
    """
    One step of a calibration as the user is told it.

    Parameters
    ----------
    name, title : str
    needs : tuple of str
        Steps that come first.
    valid_days : float
    target_error_db : float
        What the step should reach.
    caution : str
        Shown before anything sounds.
    do : tuple of str
        What to do, in order.
    picture, picture_note : str
        Name of the drawing of its wires, and what is put in at {note}.
    voided_by : tuple of str
        Fields of the set-up after whose change its result no longer counts.
    ears : tuple of str
        Ears that the step is for.
    daily : int
        Its place in the daily check, from 1; 0 where it has none.
    stand_in : Way, optional
        A lesser way, for who has not what the step asks for.
    replaces : str
        The step that it does another way; it is done only when it is asked for by name.
    is_on_request : bool
        Whether it is done only when it is asked for by name.
    takes : tuple of TakeGuide
        Where one does not do.
    provenance : str
    """

    name: str
    title: str
    needs: tuple[str, ...]
    valid_days: float
    target_error_db: float
    caution: str
    do: tuple[str, ...]
    picture: str
    picture_note: str = ""
    voided_by: tuple[str, ...] = ()
    ears: tuple[Ear, ...] = ("coupler", "coil")
    daily: int = 0
    stand_in: Way | None = None
    replaces: str = ""
    is_on_request: bool = False
    takes: tuple[TakeGuide, ...] = ()
    provenance: str


@functools.cache
def _load() -> dict[str, Any]:
    file = importlib.resources.files("voicecheck").joinpath("data/bench/calibration_steps.toml")
    return tomllib.loads(file.read_text(encoding="utf-8"))


@functools.cache
def load_guides() -> dict[str, Guide]:
    """
    All steps, in the order in which a new bench is calibrated.

    Returns
    -------
    dict of str to Guide
    """
    guides = [msgspec.convert(step, Guide) for step in _load()["step"]]
    return {guide.name: guide for guide in guides}


def get_guide(step: str) -> Guide:
    """
    Words of one step.

    Raises
    ------
    InputError
        There is no such step.
    """
    guides = load_guides()
    check_word(step, guides, "step")
    return guides[step]


def list_guides(ear: str) -> tuple[Guide, ...]:
    """Steps of a bench with that ear, in the order in which it is calibrated."""
    return tuple(guide for guide in load_guides().values() if ear in guide.ears)


def list_daily(ear: str) -> tuple[Guide, ...]:
    """Steps of the daily check of such a bench, in its order."""
    daily = (guide for guide in list_guides(ear) if guide.daily)
    return tuple(sorted(daily, key=lambda guide: guide.daily))


def draw_wires(step: str, setup: BenchSetup) -> str:
    """
    Picture of a step, drawn with letters, with the channels of this bench.

    Parameters
    ----------
    step : str
    setup : BenchSetup

    Returns
    -------
    str
        Lines of at most 78 letters, without a newline at either end.
    """
    return draw_picture(get_guide(step).picture, name_wires(step, setup))


def draw_picture(picture: str, wires: Mapping[str, str]) -> str:
    """One of the pictures by its name, with what `name_wires` says."""
    drawn: str = _load()["pictures"][picture]
    return drawn.strip("\n").format(**wires)


def name_wires(step: str, setup: BenchSetup) -> dict[str, str]:
    """Channels and values that stand in the picture of a step, by their names in it."""
    return {
        "line_drive": str(setup.line_drive_channel),
        "line_tap": str(setup.line_tap_channel),
        "mouth": str(setup.mouth_channel),
        "ear": str(setup.ear_channel),
        "load": f"{setup.load_ohm:.0f} ohm",
        "note": get_guide(step).picture_note,
        "distance": f", {setup.mouth_mm:g} mm" if setup.mouth_mm else "",
        "feed": f"{setup.feed_ma:g} mA" if setup.feed_ma else "on",
    }


def make_result(setup: BenchSetup, step: str, **fields: Any) -> StepResult:
    """
    Result of a step of this bench, good for as long as the step's guide says.

    Parameters
    ----------
    setup : BenchSetup
    step : str
    **fields
        Of `StepResult`, with `done_utc`.

    Returns
    -------
    StepResult
    """
    valid_days = get_guide(step).valid_days
    return StepResult(bench=setup.name, step=step, valid_days=valid_days, **fields)
