"""Playing a programme through a sound card and getting all of it back, or a clear error."""

from __future__ import annotations

import datetime
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voicecheck.bench.soundcard.link import (
    GoneError,
    LateError,
    SoundProcess,
    get_start_limit_s,
)
from voicecheck.bench.soundcard.wire import Message
from voicecheck.errors import BenchError, InputError
from voicecheck.records import Calibration, Conditions, Problem, Programme, Recording
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

Progress = Callable[[float, float], None]


@dataclass(frozen=True, slots=True)
class _Take:
    """What came back: shape (n_frames, n_inputs), and the xruns in seconds of the programme."""

    captured: NDArray[np.float32]
    xruns_s: tuple[float, ...]


@dataclass(slots=True)
class _Count:
    """Frames of the running take, kept where an interruption finds them."""

    total: int
    done: int = 0


class _CutShortError(Exception):
    """The stream ended before its time; another try may well succeed."""


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
    devices = _ask_devices(get_start_limit_s())
    if devices is None:
        message = (
            "the sound system does not answer; restart the sound server or re-plug the device, "
            "then try again in 20 s"
        )
        raise BenchError(message)
    return devices


class SoundCardBench:
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
    name : str
        Of the bench, stored with each recording; the device's name if left out.
    cap_dbfs : float
        Highest peak that may go out, dB re full scale.
    conditions : Conditions, optional
        Path, seat, time and bench are filled in.
    calibration : Calibration, optional
    progress : callable, optional
        Called about ten times a second with the fraction done and the peak level of the input
        since the last call, dBFS.
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
        name: str = "",
        cap_dbfs: float = -3.0,
        conditions: Conditions | None = None,
        calibration: Calibration | None = None,
        progress: Progress | None = None,
    ) -> None:
        if min(output_channel, input_channel) < 1:
            message = (
                f"channels count from 1, got output {output_channel} and input {input_channel}"
            )
            raise InputError(message)
        if not cap_dbfs <= 0.0:
            message = f"cap_dbfs: need 0 or less, got {cap_dbfs}"
            raise InputError(message)
        self.device = device
        self.host_api = host_api
        self.input_device = device if input_device is None else input_device
        self.rate_hz = rate_hz
        self.output_channel = output_channel
        self.input_channel = input_channel
        self.name = name or str(device if device is not None else "default sound device")
        self.cap_dbfs = cap_dbfs
        self.conditions = conditions or Conditions()
        self.calibration = calibration
        self.progress = progress

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
        self._check_programme(programme)
        time_utc = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        take, n_retries = self._take_patiently(programme)
        samples = take.captured[:, 0].astype(np.float64)
        conditions = self.conditions.replace(
            path=path, seat=seat, bench=self.name, time_utc=time_utc
        )
        return Recording(
            samples=samples,
            rate_hz=programme.rate_hz,
            channel=self.input_channel,
            conditions=conditions,
            calibration=self.calibration,
            problems=_find_problems(samples, take.xruns_s, n_retries),
        )

    def _check_programme(self, programme: Programme) -> None:
        if self.rate_hz is not None and programme.rate_hz != self.rate_hz:
            message = (
                f"bench {self.name} is set up for {self.rate_hz} Hz, the programme is made for "
                f"{programme.rate_hz} Hz; make the programme with the bench's rate"
            )
            raise InputError(message)
        peak_dbfs = db_from_ratio(float(np.max(np.abs(programme.samples), initial=0.0)))
        if not peak_dbfs <= self.cap_dbfs + 1e-5:
            message = (
                f"output cap would be exceeded: the programme peaks at {peak_dbfs:.1f} dBFS, the "
                f"cap of bench {self.name} is {self.cap_dbfs:.1f}; lower the level by "
                f"{peak_dbfs - self.cap_dbfs:.1f} dB"
            )
            raise BenchError(message)

    def _take_patiently(self, programme: Programme) -> tuple[_Take, int]:
        """Repeat a take that lost frames; of several with xruns keep the one with fewest."""
        best: _Take | None = None
        reason = ""
        for n_retries in range(MAX_RETRIES + 1):
            try:
                take = self._take(programme)
            except _CutShortError as cut:
                reason = str(cut)
                continue
            if not take.xruns_s:
                return take, n_retries
            if best is None or len(take.xruns_s) < len(best.xruns_s):
                best = take
        if best is None:
            message = (
                f"{self.name}: {reason}, {MAX_RETRIES + 1} times in a row; close other programs "
                "that use sound, then try again or use another device"
            )
            raise BenchError(message)
        return best, MAX_RETRIES

    def _make_request(self, programme: Programme) -> Message:
        rate_hz = programme.rate_hz
        return {
            "do": "take",
            "output_device": self.device,
            "input_device": self.input_device,
            "host_api": self.host_api,
            "rate_hz": rate_hz,
            "latency_s": LATENCY_S,
            "outputs": [self.output_channel],
            "inputs": [self.input_channel],
            "caps": [ratio_from_db(self.cap_dbfs)],
            "lead_frames": round(LEAD_S * rate_hz),
            "tail_frames": round(TAIL_S * rate_hz),
        }

    def _take(self, programme: Programme) -> _Take:
        request = self._make_request(programme)
        lead, rate_hz = request["lead_frames"], programme.rate_hz
        count = _Count(total=lead + len(programme.samples) + request["tail_frames"])
        try:
            with SoundProcess(request, programme.samples.astype("<f4").tobytes()) as process:
                header, content = self._follow(process, count, rate_hz)
        except LateError:
            raise self._explain_stall(count.done / rate_hz - LEAD_S) from None
        except GoneError:
            message = f"the sound process died {_when(count.done / rate_hz - LEAD_S)}"
            raise _CutShortError(message) from None
        if count.done < count.total:
            message = f"the stream ended {_when(count.done / rate_hz - LEAD_S)}"
            raise _CutShortError(message)
        captured = np.frombuffer(content, "<f4").reshape(count.total, -1)[lead:]
        xruns_s = tuple((frame - lead) / rate_hz for frame in header["xrun_frames"])
        return _Take(captured=captured, xruns_s=xruns_s)

    def _follow(self, process: SoundProcess, count: _Count, rate_hz: int) -> tuple[Message, bytes]:
        """Wait for the take as long as it moves on, and not longer than twice its length."""
        start_limit_s = get_start_limit_s()
        while process.receive(start_limit_s)[0]["event"] != "started":
            pass
        end_s = time.monotonic() + SLOWEST * count.total / rate_hz + STALL_S
        moved_s = time.monotonic()
        while True:
            limit_s = min(moved_s + STALL_S, end_s) - time.monotonic()
            header, content = process.receive(limit_s)
            if header["frames"] > count.done:
                moved_s = time.monotonic()
            count.done = header["frames"]
            self._show(count.done / count.total, header.get("peak"))
            if header["event"] == "take":
                return header, content

    def _show(self, fraction: float, peak: float | None) -> None:
        if self.progress is not None and peak is not None:
            self.progress(fraction, db_from_ratio(peak))

    def _explain_stall(self, at_s: float) -> BenchError:
        """Look whether the device is still there, without waiting long for the answer."""
        try:
            devices = _ask_devices(DIAGNOSE_S)
        except BenchError:
            devices = None
        if devices is None:
            state = "the sound server does not answer"
            remedy = "restart the sound server or re-plug the device"
        elif any(self._is_meant(device) for device in devices):
            state = "it is still listed, but delivers nothing"
            remedy = "re-plug the device or restart the sound server"
        else:
            state = "it is no longer there: unplugged, or its sound server has ended"
            remedy = "plug it in again"
        message = (
            f"{self.name}: stopped {_when(at_s)} ({state}); this take is lost, earlier ones are "
            f"kept; {remedy} and repeat the take"
        )
        return BenchError(message)

    def _is_meant(self, device: Device) -> bool:
        if isinstance(self.device, str):
            return self.device.casefold() in device.name.casefold()
        return self.device is None or self.device == device.index


def _when(at_s: float) -> str:
    return f"at {at_s:.1f} s of the programme" if at_s > 0 else "before the programme began"


def _ask_devices(limit_s: float) -> tuple[Device, ...] | None:
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


def _find_problems(
    samples: NDArray[np.float64], xruns_s: tuple[float, ...], n_retries: int
) -> tuple[Problem, ...]:
    """What the bench itself can see, without knowing anything about the programme."""
    problems = []
    if not np.any(samples):
        message = "nothing but zeros came in: input muted, unplugged or the wrong channel"
        problems.append(
            Problem(kind="no-signal", at_s=0.0, message=message, effect="nothing to analyse")
        )
    if xruns_s:
        message = (
            f"the sound system reported {len(xruns_s)} lost or late blocks, the first at "
            f"{xruns_s[0]:.2f} s, in each of {n_retries + 1} takes"
        )
        effect = "samples may be missing; close other programs and repeat"
        problems.append(
            Problem(kind="lost-samples", at_s=xruns_s[0], message=message, effect=effect)
        )
    return tuple(problems)
