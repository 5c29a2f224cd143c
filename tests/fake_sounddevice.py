# mypy: disable-error-code="type-arg"
"""
A stand-in for the sound library, for faults that no virtual server can be made to show.

A test copies it to a folder as `sounddevice.py` and puts that folder first on the path; the sound
process then loads it. FAKE_SOUND names the fault, FAKE_SOUND_LOG a file with one line a stream.
"""

from __future__ import annotations

import os
import threading
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

FAULT = os.environ.get("FAKE_SOUND", "")
BLOCK = 1024

if FAULT == "no library":
    message = "PortAudio library not found"
    raise OSError(message)
if FAULT == "abort at import":
    os.abort()

default = SimpleNamespace(device=(0, 0))


class PortAudioError(Exception):
    pass


def query_hostapis() -> list[dict]:
    return [{"name": "fake"}]


def query_devices() -> list[dict]:
    channels = {"max_input_channels": 2, "max_output_channels": 2}
    return [{"name": "wire", "hostapi": 0, "default_samplerate": 48000.0, **channels}]


def _terminate() -> None:
    pass


class Stream:
    """A wire from output to input that runs as fast as it can."""

    def __init__(
        self, *, channels: Any, callback: Any, finished_callback: Any, **_options: Any
    ) -> None:
        self.channels, self.callback, self.finished = channels, callback, finished_callback
        with Path(os.environ["FAKE_SOUND_LOG"]).open("a+") as log:
            log.write("opened\n")
            log.seek(0)
            self.number = len(log.readlines())
        if FAULT == "busy":
            message = "Error opening Stream: Device unavailable [PaErrorCode -9985]"
            raise PortAudioError(message, -9985)
        if FAULT == "busy in words":
            message = "Error opening Stream: Unanticipated host error [PaErrorCode -9999]"
            raise PortAudioError(message, -9999, (8, -16, "Device or resource busy"))
        self.is_closing = threading.Event()

    def start(self) -> None:
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        heard = np.zeros((BLOCK, self.channels[0]), np.float32)
        spoken = np.zeros((BLOCK, self.channels[1]), np.float32)
        for block in range(10**6):
            if self.is_closing.is_set():
                break
            if block == 20 and (FAULT == "dies" or (FAULT == "dies once" and self.number == 1)):
                break
            if block == 20 and FAULT == "crash":
                os.abort()
            first = self.number == 1
            has_xrun = block == 60 and (FAULT == "xruns" or (FAULT == "xrun once" and first))
            is_early = block == 3  # normal on some systems, and to be passed over
            status = SimpleNamespace(input_overflow=has_xrun or is_early, output_underflow=False)
            self.callback(heard, spoken, BLOCK, None, status)
            heard[:] = spoken[:, :1]
        self.finished()

    def abort(self) -> None:
        self.is_closing.set()

    close = abort
