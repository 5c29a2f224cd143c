"""One take through the sound process: every frame counted, repeated when some are missing."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from voicecheck.bench.soundcard.link import (
    GoneError,
    LateError,
    SoundProcess,
)
from voicecheck.bench.soundcard.wire import Message
from voicecheck.errors import BenchError, InputError
from voicecheck.records.arrays import Array
from voicecheck.records.benches import Device
from voicecheck.units import db_from_ratio, ratio_from_db

LEAD_S = 0.5
"""With the programme's own lead-in this is more than the delay of any stream asked for here."""
TAIL_S = 2.0
"""With the programme's own tail this lets the closing mark come back 2.5 s late."""
LATENCY_S = 0.3
STALL_S = 2.0
DIAGNOSE_S = 1.5
SLOWEST = 2.0
MAX_RETRIES = 2
CAP_SLACK_DB = 1e-5
"""What rounding to 24 or 32 bits may add to a sample at the cap."""

Progress = Callable[[float, float], None]
Hear = Callable[[Array, float], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """
    Which channels of which device, and how far each output may be driven.

    Parameters
    ----------
    name : str
        What the user calls the bench; starts every message.
    device, input_device : str, int or None
        For output and input: name, index of today, or the system's default.
    host_api : str
        Only devices of this sound system; empty for any.
    outputs, inputs : tuple of int
        Channels, counted from 1.
    caps_dbfs : tuple of float
        Highest peak of each output, dB re full scale.
    """

    name: str
    device: str | int | None = None
    input_device: str | int | None = None
    host_api: str = ""
    outputs: tuple[int, ...] = (1,)
    inputs: tuple[int, ...] = (1,)
    caps_dbfs: tuple[float, ...] = (-3.0,)

    def __post_init__(self) -> None:
        """Refuse channels and caps that cannot be."""
        if min((*self.outputs, *self.inputs)) < 1:
            message = f"channels count from 1, got outputs {self.outputs}, inputs {self.inputs}"
            raise InputError(message)
        if len(self.caps_dbfs) != len(self.outputs) or not all(
            cap <= 0.0 for cap in self.caps_dbfs
        ):
            message = f"cap_dbfs: need 0 or less for each output, got {self.caps_dbfs}"
            raise InputError(message)


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """
    What came back.

    Parameters
    ----------
    captured : ndarray, shape (n_frames, n_inputs)
        From the first frame of the sound on.
    xruns_s : tuple of float
        When the sound system said that it lost a block, seconds from the sound's first frame.
    is_good : bool
        Whether the caller's own look at it found nothing missing.
    n_takes : int
        How often it was tried.
    """

    captured: Array
    xruns_s: tuple[float, ...] = ()
    is_good: bool = True
    n_takes: int = 1


@dataclass(slots=True)
class _Count:
    """Frames of the running take, kept where an interruption finds them."""

    total: int
    done: int = 0


class _CutShortError(Exception):
    """The stream ended before its time; another try may well succeed."""


def ask_devices(limit_s: float) -> tuple[Device, ...] | None:
    """The list, or `None` when the sound system does not answer in time or falls over."""
    end_s = time.monotonic() + limit_s
    try:
        with SoundProcess({"do": "list"}) as process:
            while True:
                header, _ = process.receive(end_s - time.monotonic())
                if header["event"] == "devices":
                    return tuple(Device(**device) for device in header["devices"])
    except (LateError, GoneError):
        return None


def capture(
    wiring: Wiring,
    sound: Array,
    rate_hz: int,
    *,
    progress: Progress | None = None,
    look: Callable[[Array], bool] | None = None,
    hear: Hear | None = None,
) -> Take:
    """
    Play and record; repeat a take that lost frames, up to twice.

    Parameters
    ----------
    wiring : Wiring
    sound : ndarray, shape (n_frames, n_outputs)
        Full-scale units.
    rate_hz : int
    progress : callable, optional
        Called about twenty times a second with the fraction done and the peak of the inputs, dBFS.
    look : callable, optional
        Judges what was captured; a take that it finds wanting is repeated.
    hear : callable, optional
        Given what came in since the last call, shape (n_frames, n_inputs), and the seconds from
        the sound's first frame to the first of these; it begins below 0 with every take.

    Returns
    -------
    Take
        The first good one, else the one with the fewest faults.

    Raises
    ------
    BenchError
        No PortAudio, no such device, wrong rate, channels, held by another program, stalled or
        gone, or the output cap would be exceeded.
    """
    check_cap(wiring, sound)
    best: Take | None = None
    reason = ""
    for number in range(1, MAX_RETRIES + 2):
        try:
            take = _take(wiring, sound, rate_hz, progress, hear)
        except _CutShortError as cut:
            reason = str(cut)
            continue
        is_good = look is None or look(take.captured)
        take = replace(take, is_good=is_good, n_takes=number)
        if is_good and not take.xruns_s:
            return take
        if best is None or _count_faults(take) < _count_faults(best):
            best = take
    if best is None:
        message = (
            f"{wiring.name}: {reason}, {MAX_RETRIES + 1} times in a row; close other programs "
            "that use sound, then try again or use another device"
        )
        raise BenchError(message)
    return replace(best, n_takes=MAX_RETRIES + 1)


def check_cap(wiring: Wiring, sound: Array) -> None:
    """
    Refuse a sound that would drive an output above its cap.

    Raises
    ------
    BenchError
        It would, or a sample is not a number.
    """
    peaks = np.max(np.abs(sound), axis=0, initial=0.0)
    for peak, cap_dbfs in zip(peaks, wiring.caps_dbfs, strict=True):
        peak_dbfs = db_from_ratio(float(peak))
        # Written so that a sample that is not a number is refused too.
        if not peak_dbfs <= cap_dbfs + CAP_SLACK_DB:
            message = (
                f"output cap would be exceeded: the sound peaks at {peak_dbfs:.1f} dBFS, the "
                f"cap of bench {wiring.name} is {cap_dbfs:.1f}; lower the level by "
                f"{peak_dbfs - cap_dbfs:.1f} dB"
            )
            raise BenchError(message)


def _count_faults(take: Take) -> tuple[bool, int]:
    return not take.is_good, len(take.xruns_s)


def _take(
    wiring: Wiring, sound: Array, rate_hz: int, progress: Progress | None, hear: Hear | None
) -> Take:
    lead, tail = round(LEAD_S * rate_hz), round(TAIL_S * rate_hz)
    request: Message = {
        **make_request(wiring, rate_hz),
        "do": "take",
        "outputs": wiring.outputs,
        "caps": [ratio_from_db(cap_dbfs) for cap_dbfs in wiring.caps_dbfs],
        "lead_frames": lead,
        "tail_frames": tail,
        "is_heard": hear is not None,
    }
    count = _Count(total=lead + len(sound) + tail)
    try:
        with SoundProcess(request, sound.astype("<f4").tobytes()) as process:
            header, content = _follow(process, count, rate_hz, progress, hear)
    except LateError:
        raise explain_stall(wiring, count.done / rate_hz - LEAD_S) from None
    except GoneError:
        message = f"the sound process died {_when(count.done / rate_hz - LEAD_S)}"
        raise _CutShortError(message) from None
    if count.done < count.total:
        message = f"the stream ended {_when(count.done / rate_hz - LEAD_S)}"
        raise _CutShortError(message)
    captured = np.frombuffer(content, "<f4").reshape(count.total, -1)[lead:].astype(float)
    xruns_s = tuple((frame - lead) / rate_hz for frame in header["xrun_frames"])
    return Take(captured=captured, xruns_s=xruns_s)


def make_request(wiring: Wiring, rate_hz: int) -> Message:
    """What every request to the sound process says about the device."""
    return {
        "output_device": wiring.device,
        "input_device": wiring.device if wiring.input_device is None else wiring.input_device,
        "host_api": wiring.host_api,
        "rate_hz": rate_hz,
        "latency_s": LATENCY_S,
        "inputs": wiring.inputs,
    }


def _follow(
    process: SoundProcess,
    count: _Count,
    rate_hz: int,
    progress: Progress | None,
    hear: Hear | None,
) -> tuple[Message, bytes]:
    """Wait for the take as long as it moves on, and not longer than twice its length."""
    process.await_start()
    end_s = time.monotonic() + SLOWEST * count.total / rate_hz + STALL_S
    moved_s = time.monotonic()
    while True:
        limit_s = min(moved_s + STALL_S, end_s) - time.monotonic()
        header, content = process.receive(limit_s)
        n_before = count.done
        if header["frames"] > n_before:
            moved_s = time.monotonic()
        count.done = header["frames"]
        if header["event"] == "take":
            return header, content
        if progress is not None:
            progress(count.done / count.total, db_from_ratio(header["peak"]))
        if hear is not None and content:
            new = np.frombuffer(content, "<f4").reshape(count.done - n_before, -1)
            hear(new.astype(float), n_before / rate_hz - LEAD_S)


def listen(wiring: Wiring, rate_hz: int) -> Iterator[Array]:
    """
    What comes in, block by block, until the caller stops asking.

    Parameters
    ----------
    wiring : Wiring
        Its inputs; nothing is played.
    rate_hz : int

    Yields
    ------
    ndarray, shape (n_frames, n_inputs)
        About twenty a second, some of them empty.

    Raises
    ------
    BenchError
        As `capture`.
    """
    n_frames = 0
    try:
        with SoundProcess({**make_request(wiring, rate_hz), "do": "listen"}) as process:
            process.await_start()
            moved_s = time.monotonic()
            while True:
                header, content = process.receive(moved_s + STALL_S - time.monotonic())
                if header["frames"]:
                    moved_s = time.monotonic()
                    n_frames += header["frames"]
                block = np.frombuffer(content, "<f4").reshape(-1, len(wiring.inputs))
                yield block.astype(float)
    except LateError:
        raise explain_stall(wiring, n_frames / rate_hz) from None
    except GoneError:
        message = f"{wiring.name}: the sound process died; re-plug the device and try again"
        raise BenchError(message) from None


def explain_stall(wiring: Wiring, at_s: float) -> BenchError:
    """Look whether the device is still there, without waiting long for the answer."""
    try:
        devices = ask_devices(DIAGNOSE_S)
    except BenchError:
        devices = None
    if devices is None:
        state = "the sound server does not answer"
        remedy = "restart the sound server or re-plug the device"
    elif any(_is_meant(wiring.device, device) for device in devices):
        state = "it is still listed, but delivers nothing"
        remedy = "re-plug the device or restart the sound server"
    else:
        state = "it is no longer there: unplugged, or its sound server has ended"
        remedy = "plug it in again"
    message = (
        f"{wiring.name}: stopped {_when(at_s)} ({state}); this take is lost, earlier ones are "
        f"kept; {remedy} and repeat the take"
    )
    return BenchError(message)


def _is_meant(wanted: str | int | None, device: Device) -> bool:
    if isinstance(wanted, str):
        return wanted.casefold() in device.name.casefold()
    return wanted is None or wanted == device.index


def _when(at_s: float) -> str:
    return f"at {at_s:.1f} s of the programme" if at_s > 0 else "before the programme began"
