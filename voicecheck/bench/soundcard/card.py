"""Playing a programme through a sound card and getting all of it back, or a clear error."""

from __future__ import annotations

import numpy as np

from voicecheck.bench.interface import Bench
from voicecheck.bench.soundcard.firstsound import QuietStart
from voicecheck.bench.soundcard.link import get_start_limit_s
from voicecheck.bench.soundcard.takes import Hear, Progress, Take, Wiring, ask_devices, capture
from voicecheck.errors import BenchError, InputError, RecordingError
from voicecheck.inspection import find_gaps, find_timeline
from voicecheck.records import Calibration, Conditions, Problem, Programme, Recording
from voicecheck.records.arrays import Array
from voicecheck.records.benches import Device
from voicecheck.records.times import get_now_utc

MOST_DRIFT_PPM = 300.0
"""No two clocks differ by that much; samples were lost or repeated in between."""


def list_devices() -> tuple[Device, ...]:
    """
    Sound devices as the system sees them now.

    Returns
    -------
    tuple of Device
        Empty where there is none.

    Raises
    ------
    BenchError
        PortAudio is not installed, or the sound system does not answer.
    """
    devices = ask_devices(get_start_limit_s())
    if devices is None:
        message = (
            "the sound system does not answer; restart the sound server or re-plug the device, "
            "then try again in 20 s"
        )
        raise BenchError(message)
    return devices


class SoundCardBench(Bench):
    """
    A sound interface as a bench: play, record at the same time, count every frame.

    Parameters
    ----------
    device : str, int or None
        Name or part of one; the system's default if left out. A number is good for today only.
    host_api : str
        Only devices of this sound system, where the same name appears in several.
    input_device : str, int or None
        Where input and output are devices of their own; the same as `device` if left out.
    rate_hz : int, optional
        What the bench is set up for; a programme of another rate is refused.
    output_channel, input_channel : int
        Counted from 1.
    second_channel : int, optional
        Recorded at the same time, as `second` of the recording.
    name : str
        Of the bench, stored with each recording; the device's name if left out.
    cap_dbfs : float
        Highest peak that may go out, dB re full scale.
    conditions : Conditions, optional
        Path, seat, time and bench are filled in.
    calibration : Calibration, optional
    progress : callable, optional
        Called about twenty times a second with the fraction done and the peak level of the input
        since the last call, dBFS.
    hear : callable, optional
        Given what comes in while it plays, as of `capture`.
    """

    def __init__(
        self,
        device: str | int | None = None,
        *,
        host_api: str = "",
        input_device: str | int | None = None,
        rate_hz: int | None = None,
        output_channel: int = 1,
        input_channel: int = 1,
        second_channel: int | None = None,
        name: str = "",
        cap_dbfs: float = -3.0,
        conditions: Conditions | None = None,
        calibration: Calibration | None = None,
        progress: Progress | None = None,
        hear: Hear | None = None,
    ) -> None:
        self.wiring = Wiring(
            name=name or str("default sound device" if device is None else device),
            device=device,
            input_device=input_device,
            host_api=host_api,
            outputs=(output_channel,),
            inputs=(input_channel,) if second_channel is None else (input_channel, second_channel),
            caps_dbfs=(cap_dbfs,),
        )
        self.rate_hz = rate_hz
        self.conditions = conditions or Conditions()
        self.calibration = calibration
        self.progress = progress
        self.hear = hear
        self._quiet_start = QuietStart()

    @property
    def devices(self) -> tuple[str, ...]:
        """Sound devices that a take drives and listens to."""
        return name_devices(self.wiring.device, self.wiring.input_device)

    @staticmethod
    def list_devices() -> tuple[Device, ...]:
        """See `list_devices` of this module."""
        return list_devices()

    def play_and_record(
        self, programme: Programme, *, path: str = "transmit", seat: int = 1
    ) -> Recording:
        """
        Play a programme and record what comes back, with a tail for the device's delay.

        Parameters
        ----------
        programme : Programme
        path : str
        seat : int

        Returns
        -------
        Recording
            Its first sample was taken as the programme's first one went out, give or take the
            device's delay. What the bench noticed is among its problems.

        Raises
        ------
        InputError
            The bench is set up for another rate.
        BenchError
            The take failed: no PortAudio, no such device, wrong rate, channels, held by another
            program, stalled or gone, or the output cap would be exceeded.
        """
        check_rate(self.wiring.name, self.rate_hz, programme)
        sound = programme.samples[:, None]
        if path == "receive":
            self._quiet_start.play_before(sound, self.wiring, programme.rate_hz)
        time_utc = get_now_utc()
        take = capture(
            self.wiring,
            sound,
            programme.rate_hz,
            progress=self.progress,
            hear=self.hear,
            look=lambda captured: is_complete(programme, captured[:, 0]),
        )
        conditions = self.conditions.replace(
            path=path,
            seat=seat,
            bench=self.wiring.name,
            time_utc=time_utc,
            level_dbfs=programme.recipe.level_dbfs,
        )
        return Recording(
            samples=take.captured[:, 0],
            second=take.captured[:, 1] if len(self.wiring.inputs) > 1 else None,
            rate_hz=programme.rate_hz,
            channel=self.wiring.inputs[0],
            conditions=conditions,
            calibration=self.calibration,
            problems=find_problems(programme, take, 0),
        )


def name_devices(
    device: str | int | None, input_device: str | int | None = None
) -> tuple[str, ...]:
    """
    Names of the sound devices of a bench, each once.

    Examples
    --------
    >>> name_devices("oak", "oak"), name_devices(None), name_devices("oak", "elm")
    (('oak',), ('default sound device',), ('oak', 'elm'))
    """
    first = "default sound device" if device in (None, "") else str(device)
    if input_device in (None, "") or str(input_device) == first:
        return (first,)
    return first, str(input_device)


def check_rate(name: str, rate_hz: int | None, programme: Programme) -> None:
    """
    Refuse a programme that was made for another rate than the bench is set up for.

    Raises
    ------
    InputError
    """
    if rate_hz is not None and programme.rate_hz != rate_hz:
        message = (
            f"bench {name} is set up for {rate_hz} Hz, the programme is made for "
            f"{programme.rate_hz} Hz; make the programme with the bench's rate"
        )
        raise InputError(message)


def is_complete(programme: Programme, captured: Array) -> bool:
    """
    Whether nothing is missing between the marks of one captured channel.

    A take without its marks is complete as far as can be seen here: the handset, not the sound
    system, may be at fault, and the analysis says what it finds.

    Parameters
    ----------
    programme : Programme
    captured : ndarray, shape (n_frames,)

    Returns
    -------
    bool
    """
    if not programme.blocks_of("mark"):
        return True
    recording = Recording(samples=captured, rate_hz=programme.rate_hz)
    try:
        timeline = find_timeline(programme, recording)
    except RecordingError:
        return True
    if abs(timeline.drift_ppm) > MOST_DRIFT_PPM:
        return False
    return not find_gaps(programme, recording, timeline)


def find_problems(programme: Programme, take: Take, column: int) -> tuple[Problem, ...]:
    """
    What the bench itself can see in one captured channel.

    Parameters
    ----------
    programme : Programme
    take : Take
    column : int
        Which of the captured channels.

    Returns
    -------
    tuple of Problem
    """
    problems = []
    dead = _find_dead_end(programme, take.captured[:, column])
    if dead is not None:
        problems.append(dead)
    if take.xruns_s:
        message = (
            f"the sound system reported {len(take.xruns_s)} lost or late blocks, the first at "
            f"{take.xruns_s[0]:.2f} s, in each of {take.n_takes} takes"
        )
        effect = "samples may be missing; close other programs and repeat"
        problems.append(
            Problem(kind="lost-samples", at_s=take.xruns_s[0], message=message, effect=effect)
        )
    elif not take.is_good:
        message = f"samples are missing or repeated in each of {take.n_takes} takes"
        effect = "the numbers are not to be trusted; close other programs and repeat"
        problems.append(Problem(kind="lost-samples", message=message, effect=effect))
    return tuple(problems)


def _find_dead_end(programme: Programme, samples: Array) -> Problem | None:
    """Nothing but zeros from some instant on: no converter does that by itself."""
    alive = np.flatnonzero(samples)
    if len(alive) == 0:
        message = "nothing but zeros came in: input muted, unplugged or the wrong channel"
        return Problem(kind="no-signal", at_s=0.0, message=message, effect="nothing to analyse")
    last_s = float(alive[-1]) / programme.rate_hz
    end_s = max((block.end_s for block in programme.blocks), default=0.0)
    if last_s >= end_s:
        return None
    message = f"the input went dead at {last_s:.2f} s and stayed so: unplugged or muted"
    effect = "this take cannot be used; look at plugs and mute buttons, then repeat it"
    return Problem(kind="dropout", at_s=last_s, message=message, effect=effect)
