"""
The process that touches the sound device: one request, then it ends.

It is killed when it is late, so it must own nothing that matters. It leaves by itself, silent,
when the program that started it is gone.
"""

from __future__ import annotations

import contextlib
import os
import queue
import signal
import sys
import threading
from dataclasses import dataclass, field
from typing import Any, BinaryIO, NoReturn

import numpy as np
from numpy.typing import NDArray

from voicecheck.bench.soundcard.wire import Message, receive, send

PROGRESS_S = 0.05
BLOCK_S = 0.05
MOST_WAITING = 2000
"""Blocks kept for a program that does not fetch them; what comes later is dropped."""
LEAVE_S = 1.0
CAP_SLACK = 1.0 + 1e-6
"""Rounding to the 32 bits of the device may raise a sample by this much."""
WRONG_RATE, WRONG_CHANNELS, BUSY = -9997, -9998, -9985
"""Error numbers of the audio library."""


class RefusedError(Exception):
    """The request cannot be done; `kind` is for the program, the text for the user."""

    def __init__(self, kind: str, message: str) -> None:
        super().__init__(message)
        self.kind = kind


@dataclass(slots=True)
class Take:
    """
    One pass of playing and recording, filled by the audio thread.

    `played` has shape (n_frames, n_outputs), `captured` (n_frames, n_inputs), zeroed before the
    start: the library may return memory that nobody wrote.
    """

    played: NDArray[np.float32]
    captured: NDArray[np.float32]
    output_columns: list[int]
    input_columns: list[int]
    settled_frames: int
    done_frames: int = 0
    peak: float = 0.0
    xrun_frames: list[int] = field(default_factory=list)
    is_complete: threading.Event = field(default_factory=threading.Event)
    is_ended: threading.Event = field(default_factory=threading.Event)

    def exchange(
        self,
        heard: NDArray[np.float32],
        spoken: NDArray[np.float32],
        n_frames: int,
        _time: object,
        status: Any,
    ) -> None:
        """Play and store one block; after the last one, silence until the stream is closed."""
        start = self.done_frames
        count = min(n_frames, len(self.played) - start)
        spoken.fill(0.0)
        if count > 0:
            spoken[:count, self.output_columns] = self.played[start : start + count]
            block = heard[:count, self.input_columns]
            self.captured[start : start + count] = block
            self.peak = max(self.peak, float(np.max(np.abs(block))))
            # Underflow of the input in the first blocks is normal on some systems.
            if (status.input_overflow or status.output_underflow) and start > self.settled_frames:
                self.xrun_frames.append(start)
            self.done_frames = start + count
        if self.done_frames >= len(self.played):
            self.is_complete.set()


def main() -> NoReturn:
    """Serve one request from standard input."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    answers = os.fdopen(os.dup(1), "wb")
    # Sound systems talk on both descriptors; nothing of it may reach the messages or the user.
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    request = receive(sys.stdin.buffer)
    if request is None:
        os._exit(1)
    is_leaving = threading.Event()
    threading.Thread(target=_watch_program, args=(is_leaving,), daemon=True).start()
    sounddevice = None
    try:
        sounddevice = _load_library()
        send(answers, {"event": "ready"})
        _serve(sounddevice, answers, *request, is_leaving)
    except RefusedError as refusal:
        _refuse(answers, refusal.kind, str(refusal))
    except Exception as error:
        message = f"the sound system failed: {error}; check the device and try again"
        _refuse(answers, "failed", message)
    if sounddevice is not None:
        # A sound server that is left without a word serves nobody else for 10 s. The library says
        # it by a function of its own, which another version may have under another name.
        getattr(sounddevice, "_terminate", _do_nothing)()
    # The interpreter's own way out may hang or abort after a fault; everything is sent by now.
    os._exit(0)


def _do_nothing() -> None:
    """Stand in for what the library has not."""


def _refuse(answers: BinaryIO, kind: str, message: str) -> None:
    # The program may be gone, and be the reason why something failed.
    with contextlib.suppress(OSError):
        send(answers, {"event": "refused", "kind": kind, "message": message})


def _watch_program(is_leaving: threading.Event) -> None:
    """Leave when the program closes its end, whatever state the audio thread is in."""
    sys.stdin.buffer.read()
    is_leaving.set()
    threading.Event().wait(LEAVE_S)
    os._exit(1)


def _load_library() -> Any:
    try:
        import sounddevice
    except OSError as error:
        message = (
            "PortAudio is not installed, so no sound device can be used: install the system "
            "package libportaudio2 (Debian, Ubuntu); files and the simulated bench work without"
        )
        raise RefusedError("no-portaudio", message) from error
    return sounddevice


def _serve(
    sounddevice: Any,
    answers: BinaryIO,
    request: Message,
    content: bytes,
    is_leaving: threading.Event,
) -> None:
    if request["do"] == "list":
        send(answers, {"event": "devices", "devices": _list_devices(sounddevice)})
    elif request["do"] == "listen":
        _listen(sounddevice, answers, request, is_leaving)
    else:
        _play_and_record(sounddevice, answers, request, content, is_leaving)


def _list_devices(sounddevice: Any) -> list[Message]:
    host_apis = sounddevice.query_hostapis()
    return [
        {
            "name": device["name"],
            "host_api": host_apis[device["hostapi"]]["name"],
            "n_inputs": device["max_input_channels"],
            "n_outputs": device["max_output_channels"],
            "default_rate_hz": device["default_samplerate"],
            "index": index,
        }
        for index, device in enumerate(sounddevice.query_devices())
    ]


def find_device(
    devices: list[Message], wanted: str | int | None, host_api: str, side: str, default: int
) -> Message:
    """
    The device that a name means today: whole name first, then a part that only one has.

    Parameters
    ----------
    devices : list of dict
        As listed.
    wanted : str, int or None
        Name, index of today, or the system's default.
    host_api : str
        Only devices of this sound system; empty for any.
    side : str
        "n_inputs" or "n_outputs": what it must have.
    default : int
        Index of the default device, -1 if there is none.

    Raises
    ------
    RefusedError
        There is none, or several fit.
    """
    able = [device for device in devices if device[side] > 0]
    if host_api:
        able = [device for device in able if device["host_api"] == host_api]
    kind = "input" if side == "n_inputs" else "output"
    names = ", ".join(dict.fromkeys(device["name"] for device in able)) or "none at all"
    if wanted is None or isinstance(wanted, int):
        index = default if wanted is None else wanted
        found = [device for device in able if device["index"] == index]
        label = "default sound device" if wanted is None else f"sound device number {wanted}"
    else:
        label = f"sound device {wanted!r}"
        name = wanted.casefold()
        found = [device for device in able if device["name"].casefold() == name][:1]
        found = found or [device for device in able if name in device["name"].casefold()]
    if len(found) > 1:
        several = ", ".join(device["name"] for device in found)
        raise RefusedError("no-device", f"{label}: several fit ({several}); give the whole name")
    if not found:
        where = f" of {host_api}" if host_api else ""
        message = f"{label}: not there; {kind} devices{where} now: {names}; is it plugged in?"
        raise RefusedError("no-device", message)
    return found[0]


def _play_and_record(
    sounddevice: Any,
    answers: BinaryIO,
    request: Message,
    content: bytes,
    is_leaving: threading.Event,
) -> None:
    outputs, inputs = request["outputs"], request["inputs"]
    sound = np.frombuffer(content, "<f4").reshape(-1, len(outputs))
    _check_cap(sound, request["caps"])
    pad = ((request["lead_frames"], request["tail_frames"]), (0, 0))
    played = np.pad(sound, pad)
    take = Take(
        played=played,
        captured=np.zeros((len(played), len(inputs)), np.float32),
        output_columns=[channel - 1 for channel in outputs],
        input_columns=[channel - 1 for channel in inputs],
        settled_frames=request["lead_frames"],
    )
    stream = _open_stream(sounddevice, request, take)
    stream.start()
    send(answers, {"event": "started"})
    n_told = 0
    while not (take.is_complete.wait(PROGRESS_S) or take.is_ended.is_set()):
        if is_leaving.is_set():
            stream.abort()
            return
        peak, take.peak = take.peak, 0.0
        n_done = take.done_frames
        # What came in since is sent along where somebody listens while it plays.
        new = take.captured[n_told:n_done].tobytes() if request["is_heard"] else b""
        send(answers, {"event": "progress", "frames": n_done, "peak": peak}, new)
        n_told = n_done
    captured = take.captured[: take.done_frames]
    header = {"event": "take", "frames": take.done_frames, "xrun_frames": take.xrun_frames}
    # Sent before closing: a device that is gone by now may hang there.
    send(answers, header, captured.tobytes())
    stream.abort()
    stream.close()


def _listen(
    sounddevice: Any, answers: BinaryIO, request: Message, is_leaving: threading.Event
) -> None:
    """Send what comes in, about twenty times a second, until the program has had enough."""
    columns = [channel - 1 for channel in request["inputs"]]
    heard: queue.SimpleQueue[NDArray[np.float32]] = queue.SimpleQueue()

    def hear(block: NDArray[np.float32], _frames: int, _time: object, _status: object) -> None:
        if heard.qsize() < MOST_WAITING:
            heard.put(block[:, columns].copy())

    device, *_ = _choose_devices(sounddevice, request, ("input_device",))
    try:
        stream = sounddevice.InputStream(
            samplerate=request["rate_hz"],
            device=device["index"],
            channels=max(request["inputs"]),
            dtype="float32",
            latency=request["latency_s"],
            callback=hear,
        )
    except sounddevice.PortAudioError as error:
        raise _explain(error, device, request["rate_hz"]) from error
    stream.start()
    send(answers, {"event": "started"})
    held = np.zeros((0, len(columns)), np.float32)
    while not is_leaving.wait(BLOCK_S):
        # An empty block is sent too: it says that the device, not this process, is late.
        held = np.concatenate([held, *(heard.get() for _ in range(heard.qsize()))])
        n_sent = choose_portion(len(held), round(BLOCK_S * request["rate_hz"]))
        send(answers, {"event": "block", "frames": n_sent}, held[:n_sent].tobytes())
        held = held[n_sent:]
    stream.abort()
    stream.close()


def choose_portion(n_held: int, n_usual: int) -> int:
    """
    How many frames to send now, so that a device's long blocks become an even stream.

    Parameters
    ----------
    n_held : int
        Frames that wait.
    n_usual : int
        Frames of one sending.

    Examples
    --------
    >>> [choose_portion(n, 2400) for n in (0, 2000, 3840, 9600)]
    [0, 2000, 2400, 4800]
    """
    return n_held if n_held <= 1.5 * n_usual else max(n_usual, n_held - 2 * n_usual)


def _check_cap(sound: NDArray[np.float32], caps: list[float]) -> None:
    """The last look at the samples before the device has them."""
    peaks = np.max(np.abs(sound), axis=0, initial=0.0)
    for number, (peak, cap) in enumerate(zip(peaks, caps, strict=True), 1):
        # Written so that a sample that is not a number is refused too.
        if not peak <= cap * CAP_SLACK:
            message = (
                f"output cap would be exceeded: signal {number} peaks at {peak:.4f} of full "
                f"scale, the cap is {cap:.4f}; lower the level"
            )
            raise RefusedError("cap", message)


SIDES = {"input_device": ("n_inputs", "inputs", 0), "output_device": ("n_outputs", "outputs", 1)}


def _choose_devices(sounddevice: Any, request: Message, roles: tuple[str, ...]) -> list[Message]:
    """The devices meant, each with the channels that are asked of it."""
    devices = _list_devices(sounddevice)
    chosen = []
    for role in roles:
        has, kind, position = SIDES[role]
        default = sounddevice.default.device[position]
        device = find_device(devices, request[role], request["host_api"], has, default)
        need = max(request[kind])
        if need > device[has]:
            message = f"{device['name']}: has {device[has]} {kind}, channel {need} asked for"
            raise RefusedError("channels", message)
        chosen.append(device)
    return chosen


def _open_stream(sounddevice: Any, request: Message, take: Take) -> Any:
    """Open, not start, and say in the user's words why not."""
    pair = _choose_devices(sounddevice, request, ("input_device", "output_device"))
    needs = (max(request["inputs"]), max(request["outputs"]))
    try:
        return sounddevice.Stream(
            samplerate=request["rate_hz"],
            device=tuple(device["index"] for device in pair),
            channels=needs,
            dtype="float32",
            latency=request["latency_s"],
            callback=take.exchange,
            finished_callback=take.is_ended.set,
        )
    except sounddevice.PortAudioError as error:
        raise _explain(error, pair[1], request["rate_hz"]) from error


def _explain(error: Exception, device: Message, rate_hz: int) -> RefusedError:
    """Why a stream would not open, from the library's number or the system's text."""
    name = device["name"]
    code = error.args[1] if len(error.args) > 1 else None
    if code == WRONG_RATE:
        message = (
            f"{name}: does not run at {rate_hz} Hz (its own rate is "
            f"{device['default_rate_hz']:.0f} Hz); make the programme with a rate it has"
        )
        return RefusedError("rate", message)
    if code == WRONG_CHANNELS:
        message = f"{name}: does not have that many channels; choose lower channel numbers"
        return RefusedError("channels", message)
    if code == BUSY or "busy" in str(error).casefold():
        message = f"{name}: is held by another program; close that program and try again"
        return RefusedError("busy", message)
    text = " ".join(str(part) for part in error.args[:1]).strip()
    message = f"{name}: cannot be opened ({text}); re-plug it or restart the sound server"
    return RefusedError("failed", message)


if __name__ == "__main__":
    main()
