#!/usr/bin/env python3
# mypy: disable-error-code="arg-type,assignment,call-overload,index,no-any-return,type-arg"
"""
A simulated telephone handset that sits in a virtual sound card, outside the tested program.

    handset.py jack     STATE_DIR SERVER [key=value ...]   a client `handset` of that JACK server
    handset.py pipewire STATE_DIR SOCKET [key=value ...]   the same, by PipeWire's JACK library
    handset.py pulse    STATE_DIR RATE   [key=value ...]   between two FIFOs of a PulseAudio server

It treats what the program plays as a transducer would (band, curvature, gain, noise, clock drift)
and hands it back as what the program records. It also IS the card's clock, so a busy machine
loses no samples: time runs slower. (jack: the server is put into freewheel mode and this client
paces it. pulse: pipe-sink and pipe-source have no clock but their other end. pipewire keeps a clock
of its own, which waits for nobody: long blocks give everybody the time that a busy machine takes.)

With `channels=2` (jack only) the card has two outputs and two inputs, and `scene` says what is
connected to them: see `Rig`.

Settings are read from STATE_DIR/handset.json whenever that changes (write aside, then rename);
key=value on the command line goes there first. STATE_DIR/handset.status is rewritten twice a
second. Standard library, numpy, scipy; JACK through ctypes. It shares no code with the program.
"""

from __future__ import annotations

import contextlib
import ctypes
import fcntl
import json
import os
import select
import signal
import sys
import time
from pathlib import Path

import numpy as np
from scipy import signal as sps

DEFAULTS = {
    "channels": 1,  # at the start only
    "gain_db": 0.0,
    "square": 0.0,  # y = x + square x^2 + cubic x^3, then a 20 Hz high-pass
    "cubic": 0.0,
    "low_hz": 0.0,  # band edges, first order each, 0 = none
    "high_hz": 0.0,
    "delay_ms": 0.0,  # pure delay
    "drift_ppm": 0.0,  # the recorder's clock runs this much faster; 0 is bit exact
    "noise_dbfs": None,  # white noise, RMS re a full-scale sine
    "hum_dbfs": None,  # a tone, re a full-scale sine
    "hum_hz": 60.0,
    "clip": 0.0,  # output clipped at +-clip, 0 = not
    "dropout_ms": 0.0,  # this long replaced by silence ...
    "dropout_every_s": 0.0,  # ... so often
    "mute": False,
    "stall": False,  # stop moving samples: a hung device
    "speed": 1.0,  # 1 = real time, 10 = ten times faster, 0 = unlimited (jack only)
    "seed": 1,
    "scene": "wire",  # two channels: wire, handset, loop, calibrator, mouth, blank, divider, cavity
    "cavity_cm3": 8.0,  # cavity: its volume
    "cavity_drives": "B",  # B, or A through 100 ohm
    "line_out_v": 1.0,  # volts at the line for a played 1.0
    "line_in_v": 1.0,  # volts at the tap that record as 1.0
    "mouth_pa": 1.0,  # pascal at the mouthpiece for a played 1.0, far from its resonance
    "mouth_low_hz": 0.0,  # the mouth falls off below this, first order
    "mouth_peak_hz": 0.0,  # and has a resonance here
    "mouth_peak_db": 0.0,
    "mouth_square": 0.0,  # and is curved: x + mouth_square x^2 of what is played
    "mic_pa": 1.0,  # pascal at the ear that record as 1.0
    "mic_peak_hz": 0.0,  # the microphone has a resonance here
    "mic_peak_db": 0.0,
    "leak_hz": 0.0,  # the coupler's seal leaks below this, first order
    "pad_db": 0.0,  # loop: gain of the pad
    "transmit_v_per_pa": 0.3,
    "receive_pa_per_v": 10.0,
    "sidetone_pa_per_pa": 0.5,
    "divider_ohm": 600.0,  # divider: the resistor between the inputs
    "source_ohm": 50.0,  # before it
    "input_ohm": 20000.0,  # across the part, by the second input
    "part_ohm": 1e9,  # the part: a resistor, a coil and a condenser in series
    "part_h": 0.0,
    "part_uf": 0.0,  # 0 is none
    "second_db": 0.0,  # the second input reads so much more
}
BLOCK = 480  # pulse only; jack's block is the server's period
TAPS, PHASES = 64, 1024
PIPE_BYTES = 8192
F_SETPIPE_SZ = 1031
RESERVE = 480  # jack only: samples in hand when there is drift
PAUSE_S = 2.0  # longer than any silence within a programme
CALIBRATOR_PA = 2e-5 * 10 ** (94 / 20)  # RMS, at 1 kHz


class Resampler:
    """Windowed-sinc resampler by 1 + ppm/1e6; delay 32 samples; at 0 ppm bit exact."""

    def __init__(self, channels: int) -> None:
        m = np.arange(TAPS) - (TAPS // 2 - 1)
        t = m[None, :] - np.arange(PHASES + 1)[:, None] / PHASES
        table = np.sinc(t) * np.i0(10 * np.sqrt(np.clip(1 - (t / (TAPS // 2)) ** 2, 0, None)))
        table /= table.sum(1, keepdims=True)
        table[0], table[-1] = (m == 0), (m == 1)
        self.table = table
        self.held = np.zeros((TAPS, channels))
        self.position = TAPS / 2  # where in `held` the next output lies

    def __call__(self, x: np.ndarray, ppm: float) -> np.ndarray:
        self.held = np.concatenate([self.held, x])
        step = 1.0 / (1.0 + ppm * 1e-6)
        last = len(self.held) - TAPS // 2 - 1
        n = max(0, int(np.floor((last - self.position) / step)) + 1)
        p = self.position + step * np.arange(n)
        i = np.floor(p).astype(int)
        f = (p - i) * PHASES
        k = f.astype(int)
        f = (f - k)[:, None]
        if np.any(f) or np.any(k):
            h = self.table[k] * (1 - f) + self.table[k + 1] * f
            windows = np.lib.stride_tricks.sliding_window_view(self.held, TAPS, axis=0)
            y = np.einsum("ij,icj->ic", h, windows[i - (TAPS // 2 - 1)])
        else:
            y = self.held[i]
        after = self.position + step * n
        cut = max(0, int(np.floor(after)) - (TAPS // 2 - 1))
        self.held, self.position = self.held[cut:], after - cut
        return y


class Filters:
    """Streaming filters that are made anew when their settings change."""

    def __init__(self) -> None:
        self.made: dict[str, tuple[tuple, np.ndarray, np.ndarray]] = {}

    def __call__(self, name: str, x: np.ndarray, design: tuple) -> np.ndarray:
        """Filter `x` by the design (`kind`, numbers...), remembering the state under `name`."""
        if name not in self.made or self.made[name][0] != design:
            sos = make_sos(*design)
            self.made[name] = (design, sos, np.zeros((len(sos), 2, *x.shape[1:])))
        key, sos, state = self.made[name]
        y, state = sps.sosfilt(sos, x, axis=0, zi=state)
        self.made[name] = (key, sos, state)
        return y


def make_cavity(rate: float, cm3: float, drives: str, which: int) -> np.ndarray:
    """
    Volts at the line to volts at the tap (0) or pascal at the ear (1): two receivers on a block.

    A set of first-order equations in the driven coil's current, places and speeds of two
    diaphragms; the air between them is a spring. No holes, no waves. `drives` is "B", with the tap
    across A, or "A" through 100 ohm, with the tap across that and B open.
    """
    force, area, mass, ohm, henry = 3.5, 5.5e-4, 1.1e-3, 90.0, 0.02  # N/A, m2, kg, ohm, H
    own = 2 * np.pi * np.array([820.0, 1130.0])  # rad/s, resonances of A and B by themselves
    quality, resistor, source, beside = 4.0, 100.0, 30.0, 4e-6  # beside: air within both caps, m3
    spring = 1.4 * 101325.0 / (1e-6 * cm3 + beside)  # Pa for 1 m3 that comes in
    driven = 0 if drives == "A" else 1
    series = ohm + source + (resistor if drives == "A" else 0.0)
    # State: current, places of A and B (outwards, in tenths of a millimetre), their speeds.
    a, b, place = np.zeros((5, 5)), np.array([[1 / henry], [0], [0], [0], [0]]), 1e-4
    a[0, 0], a[0, 3 + driven], a[3 + driven, 0] = -series / henry, -force / henry, force / mass
    for one in (0, 1):
        a[1 + one, 3 + one], a[3 + one, 3 + one] = 1 / place, -own[one] / quality
        a[3 + one, 1 + one] = -(own[one] ** 2) * place
        a[3 + one, 1:3] -= spring * area**2 / mass * place
    c = np.zeros((1, 5))
    if which:
        c[0, 1:3], n_zeros = spring * area * place, 2
    elif drives == "A":
        c[0, 0], n_zeros = resistor, 4
    else:
        c[0, 3], n_zeros = force, 1
    # In milliseconds, and with a gain of about 1, polynomials keep what they hold apart.
    size = np.abs(c @ np.linalg.solve(2j * np.pi * 800 * np.eye(5) - a, b)).item()
    top, bottom = sps.ss2tf(a * 1e-3, b * 1e-3, c / size, np.zeros((1, 1)))
    top = top[0, -n_zeros - 1 :]
    z, p, k = sps.bilinear_zpk(np.roots(top), np.roots(bottom), top[0] * size, rate * 1e-3)
    return sps.zpk2sos(z, p, k)


def make_divider_sos(rate: float, place: int, parts: tuple[float, ...]) -> np.ndarray:
    """Voltage before (0) or behind (1) a resistor that feeds a part beside an input, bilinear."""
    resistor, source, beside, r, henry, uf = parts
    # The part is top / bottom, with the input beside it likewise: Z R / (Z + R).
    top, bottom = ([henry, r], [1.0]) if not uf else ([henry, r, 1e6 / uf], [1.0, 0.0])
    both = np.polyadd(top, np.multiply(beside, bottom))
    across = np.multiply(beside, top)
    whole = np.polyadd(across, np.multiply(resistor + source, both))
    wanted = across if place else np.polyadd(across, np.multiply(resistor, both))
    b, a = sps.bilinear(np.trim_zeros(wanted, "f"), np.trim_zeros(whole, "f"), rate)
    return sps.tf2sos(b, a)


def make_sos(kind: str, rate: float, *numbers: float) -> np.ndarray:
    """A cavity, or a filter."""
    return make_cavity(rate, *numbers) if kind == "cavity" else make_filter(kind, rate, *numbers)


def make_filter(kind: str, rate: float, hz: float, gain_db: float = 0.0) -> np.ndarray:
    """First-order high- or low-pass, or a peak of quality 2 (Robert Bristow-Johnson's formulas)."""
    if kind == "divider":
        return make_divider_sos(rate, hz, gain_db)
    if kind != "peak":
        return sps.butter(1, hz, kind, fs=rate, output="sos")
    a, w = 10 ** (gain_db / 40), 2 * np.pi * hz / rate
    alpha, c = np.sin(w) / 4, -2 * np.cos(w)
    b = np.array([1 + alpha * a, c, 1 - alpha * a])
    d = np.array([1 + alpha / a, c, 1 - alpha / a])
    return np.concatenate([b, d])[None, :] / d[0]


class Rig:
    """
    What is connected to two outputs (mouth, line drive) and two inputs (line tap, ear).

    wire        each output to its input
    handset     transmit, receive and sidetone of a linear handset
    loop        line drive to line tap through a pad
    calibrator  a 94 dB, 1 kHz calibrator on the ear's microphone; line drive to tap as `loop`
    mouth       the ear's microphone at the mouthpiece
    blank       a blank with a sound source, fed from the line drive, on the ear's coupler
    divider     line drive to a resistor and a part: tap before the resistor, ear across the part
    cavity      two receivers and the ear's microphone on a small block, see `make_cavity`
    """

    def __init__(self, rate: float) -> None:
        self.rate, self.filters, self.n = rate, Filters(), 0

    def __call__(self, x: np.ndarray, c: dict) -> np.ndarray:
        if c["scene"] == "wire":
            return x
        mouth_pa, line_v = self.speak(x[:, 0], c), x[:, 1] * c["line_out_v"]
        tap_v, ear_pa = np.zeros(len(x)), np.zeros(len(x))
        t = (self.n + np.arange(len(x))) / self.rate
        self.n += len(x)
        if c["scene"] == "handset":
            tap_v = mouth_pa * c["transmit_v_per_pa"]
            ear_pa = line_v * c["receive_pa_per_v"] + mouth_pa * c["sidetone_pa_per_pa"]
            ear_pa = self.leak(ear_pa, c)
        elif c["scene"] == "divider":
            tap_v, ear_pa = self.divide(line_v, c)
        elif c["scene"] == "mouth":
            ear_pa = mouth_pa
        elif c["scene"] == "cavity":
            own = (self.rate, c["cavity_cm3"], c["cavity_drives"])
            tap_v = self.filters("cavity tap", line_v, ("cavity", *own, 0))
            ear_pa = self.filters("cavity ear", line_v, ("cavity", *own, 1))
        elif c["scene"] == "blank":
            ear_pa = self.leak(line_v * c["receive_pa_per_v"], c)
        else:
            tap_v = line_v * 10 ** (c["pad_db"] / 20)
            if c["scene"] == "calibrator":
                ear_pa = CALIBRATOR_PA * np.sqrt(2) * np.sin(2 * np.pi * 1000 * t)
        if c["mic_peak_hz"]:
            design = ("peak", self.rate, c["mic_peak_hz"], c["mic_peak_db"])
            ear_pa = self.filters("microphone", ear_pa, design)
        return np.column_stack([tap_v / c["line_in_v"], ear_pa / c["mic_pa"]])

    def divide(self, volts: np.ndarray, c: dict) -> tuple[np.ndarray, np.ndarray]:
        keys = ("divider_ohm", "source_ohm", "input_ohm", "part_ohm", "part_h", "part_uf")
        parts = tuple(float(c[key]) for key in keys)
        before, across = (
            self.filters(f"divider {place}", volts, ("divider", self.rate, place, parts))
            for place in (0, 1)
        )
        return before, across * 10 ** (c["second_db"] / 20)

    def speak(self, x: np.ndarray, c: dict) -> np.ndarray:
        y = (x + c["mouth_square"] * x**2) * c["mouth_pa"]
        if c["mouth_low_hz"]:
            y = self.filters("mouth low", y, ("highpass", self.rate, c["mouth_low_hz"]))
        if c["mouth_peak_hz"]:
            design = ("peak", self.rate, c["mouth_peak_hz"], c["mouth_peak_db"])
            y = self.filters("mouth peak", y, design)
        return y

    def leak(self, x: np.ndarray, c: dict) -> np.ndarray:
        if not c["leak_hz"]:
            return x
        return self.filters("leak", x, ("highpass", self.rate, c["leak_hz"]))


class Handset:
    """Everything between what is played and what is recorded, block by block."""

    def __init__(self, state: Path, rate: int) -> None:
        self.conf, self.status = state / "handset.json", state / "handset.status"
        self.rate, self.cfg, self.stamp, self.n = rate, None, None, 0
        self.late, self.worst, self.shown, self.blocks = 0, 0.0, 0.0, 0
        self.due, self.is_paced = time.monotonic(), True
        self.filters, self.rig = Filters(), Rig(rate)
        self.reload()
        self.channels = int(self.cfg["channels"])
        self.resampler = Resampler(self.channels)

    def reload(self) -> None:
        """Read the settings again if they changed; spoilt ones are said and passed over."""
        try:
            stamp = self.conf.stat().st_mtime_ns
            if stamp == self.stamp:
                return
            self.stamp = stamp
            new = {**DEFAULTS, **json.loads(self.conf.read_text())}
        except (OSError, ValueError, TypeError) as error:
            say(f"settings not read: {error}")
            new = self.cfg or dict(DEFAULTS)
        old, self.cfg = self.cfg, new
        if old is None or any(old[k] != new[k] for k in ("delay_ms", "seed")):
            self.rng = np.random.default_rng(int(new["seed"]))
            length = round(float(new["delay_ms"]) * self.rate / 1000)
            self.delay = np.zeros((length, int(new["channels"])))

    def process(self, x: np.ndarray) -> np.ndarray:
        """One block, shape (n, channels); with drift a few samples more or fewer come back."""
        c, y = self.cfg, self.rig(x.astype(float), self.cfg)
        for kind, hz in (("highpass", c["low_hz"]), ("lowpass", c["high_hz"])):
            if hz:
                y = self.filters(kind, y, (kind, self.rate, hz))
        if c["square"] or c["cubic"]:
            y = y + c["square"] * y**2 + c["cubic"] * y**3
            y = self.filters("curved", y, ("highpass", self.rate, 20.0))
        if c["gain_db"]:
            y = y * 10 ** (c["gain_db"] / 20)
        if len(self.delay):
            y = np.concatenate([self.delay, y])
            self.delay, y = y[len(x) :], y[: len(x)]
        y = self.disturb(self.resampler(y, float(c["drift_ppm"])))
        self.n += len(y)
        return y.astype("<f4")

    def disturb(self, y: np.ndarray) -> np.ndarray:
        c, t = self.cfg, self.n + np.arange(len(y))
        if c["hum_dbfs"] is not None:
            hum = np.sin(2 * np.pi * c["hum_hz"] / self.rate * t)
            y = y + 10 ** (c["hum_dbfs"] / 20) * hum[:, None]
        if c["noise_dbfs"] is not None:
            noise = self.rng.standard_normal(y.shape)
            y = y + 10 ** (c["noise_dbfs"] / 20) / np.sqrt(2) * noise
        if c["dropout_ms"] and c["dropout_every_s"]:
            into = t % int(c["dropout_every_s"] * self.rate)
            y = np.where((into < c["dropout_ms"] * self.rate / 1000)[:, None], 0.0, y)
        if c["clip"]:
            y = np.clip(y, -c["clip"], c["clip"])
        return np.zeros(y.shape) if c["mute"] else y

    def pace(self, frames: int) -> None:
        """Sleep until the block is due; when late, never hurry: the program would run dry."""
        self.blocks += 1
        now = time.monotonic()
        if self.cfg["speed"] and self.is_paced:
            self.due += frames / self.rate / float(self.cfg["speed"])
            if now < self.due:
                time.sleep(self.due - now)
            else:
                if self.blocks > 10:
                    self.late, self.worst = self.late + 1, max(self.worst, now - self.due)
                self.due = now
        if now - self.shown > 0.5:
            self.show(now)

    def show(self, now: float) -> None:
        """Rewrite the status."""
        self.shown = now
        figures = {"pid": os.getpid(), "rate": self.rate, "blocks": self.blocks}
        worst_ms = round(1000 * self.worst, 1)
        put(self.status, {**figures, "late": self.late, "worst_late_ms": worst_ms})


def put(path: Path, content: dict) -> None:
    """Write aside and rename."""
    aside = path.with_name(f"{path.name}.{os.getpid()}")
    aside.write_text(json.dumps(content))
    aside.replace(path)


def say(message: str) -> None:
    sys.stderr.write(f"handset.py: {message}\n")
    sys.stderr.flush()


# ---- PulseAudio: two FIFOs


def shorten(fd: int) -> None:
    """Make a short pipe (its content is latency); it may be full already, and be refilled."""
    for _ in range(1000):
        try:
            fcntl.fcntl(fd, F_SETPIPE_SZ, PIPE_BYTES)
        except OSError:
            with contextlib.suppress(BlockingIOError):
                os.read(fd, 65536)  # once: the server refills as fast as one can drain
        else:
            return
    message = "cannot shorten the pipe"
    raise OSError(message)


def read_block(fd: int, have: bytes, n: int, wait: float) -> bytes:
    """Fill `have` up to n bytes if that much comes within `wait` seconds."""
    end = time.monotonic() + wait
    while len(have) < n:
        if select.select([fd], [], [], max(0.0, end - time.monotonic()))[0]:
            try:
                have += os.read(fd, n - len(have))
            except BlockingIOError:
                pass
            else:
                continue
        if time.monotonic() >= end:
            break
    return have


def write_block(fd: int, block: bytes, wait: float) -> bool:
    """Write (atomic: under PIPE_BUF); without room within `wait`, drop the oldest, say False."""
    end = time.monotonic() + wait
    while True:
        try:
            if select.select([], [fd], [], max(0.0, end - time.monotonic()))[1]:
                os.write(fd, block)
                return True
        except BlockingIOError:
            time.sleep(0.001)
        if time.monotonic() >= end:
            try:
                os.read(fd, len(block))
                os.write(fd, block)
            except BlockingIOError:
                pass
            return False


def run_pulse(state: Path, rate: int, stop: list[int]) -> None:
    fin = os.open(state / "to_handset.fifo", os.O_RDWR | os.O_NONBLOCK)
    fout = os.open(state / "from_handset.fifo", os.O_RDWR | os.O_NONBLOCK)
    shorten(fin)
    shorten(fout)
    handset, have, read_wait, write_wait = Handset(state, rate), b"", 0.0, 0.0
    while not stop:
        handset.reload()
        if handset.cfg["stall"]:
            time.sleep(0.01)
            continue
        # The server writes only while something plays and reads only while something records:
        # do not wait then.
        have = read_block(fin, have, 4 * BLOCK, read_wait)
        if len(have) == 4 * BLOCK:
            x, have, read_wait = np.frombuffer(have, "<f4"), b"", 0.5
        else:
            x, read_wait = np.zeros(BLOCK, "<f4"), 0.0
        y = handset.process(x[:, None]).tobytes()
        write_wait = 0.5 if not y or write_block(fout, y, write_wait) else 0.0
        handset.pace(BLOCK)


# ---- JACK, also PipeWire's: one client with as many inputs and outputs as channels

PROCESS = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_uint32, ctypes.c_void_p)
SHUTDOWN = ctypes.CFUNCTYPE(None, ctypes.c_void_p)


def load_jack() -> ctypes.CDLL:
    lib = ctypes.CDLL("libjack.so.0")
    pointer, count, text = ctypes.c_void_p, ctypes.c_uint32, ctypes.c_char_p
    port = [pointer, text, text, ctypes.c_ulong, ctypes.c_ulong]
    for name, result, arguments in (
        ("jack_client_open", pointer, None),
        ("jack_get_sample_rate", count, [pointer]),
        ("jack_port_register", pointer, port),
        ("jack_set_process_callback", ctypes.c_int, [pointer, PROCESS, pointer]),
        ("jack_on_shutdown", None, [pointer, pointer, pointer]),
        ("jack_activate", ctypes.c_int, [pointer]),
        ("jack_set_freewheel", ctypes.c_int, [pointer, ctypes.c_int]),
        ("jack_port_get_buffer", pointer, [pointer, count]),
        ("jack_client_close", ctypes.c_int, [pointer]),
    ):
        function = getattr(lib, name)
        function.restype, function.argtypes = result, arguments
    return lib


class Ports:
    """The ports of the card, and the samples in hand between them."""

    def __init__(self, lib: ctypes.CDLL, client: int, handset: Handset) -> None:
        kind, n = b"32 bit float mono audio", handset.channels
        self.lib, self.handset, self.quiet = lib, handset, 0
        self.queue = np.zeros((0, n), "<f4")
        self.ins, self.outs = (
            [
                lib.jack_port_register(client, name if n == 1 else name + b"%d" % i, kind, flag, 0)
                for i in range(1, n + 1)
            ]
            for name, flag in ((b"in", 1), (b"out", 2))
        )

    def view(self, port: int, n: int) -> np.ndarray:
        address = self.lib.jack_port_get_buffer(port, n)
        return np.frombuffer((ctypes.c_float * n).from_address(address), "<f4")

    def exchange(self, n: int) -> None:
        handset = self.handset
        x = np.column_stack([self.view(port, n) for port in self.ins])
        queue = np.concatenate([self.queue, handset.process(x)])
        self.quiet = 0 if x.any() else self.quiet + n
        if handset.cfg["drift_ppm"] and self.quiet > PAUSE_S * handset.rate:
            queue = queue[-(n + RESERVE) :]  # between takes: back to RESERVE samples in hand
            queue = np.pad(queue, ((n + RESERVE - len(queue), 0), (0, 0)))
        queue = np.pad(queue, ((0, max(0, n - len(queue))), (0, 0)))
        for channel, port in enumerate(self.outs):
            self.view(port, n)[:] = queue[:n, channel]
        self.queue = queue[n:]
        handset.pace(n)


def run_jack(state: Path, server: str, stop: list[int], *, is_clock: bool) -> None:
    lib = load_jack()
    status = ctypes.c_int(0)
    options = ctypes.c_int(1 | 2 | 4)  # no server start, exact name, named server
    client = lib.jack_client_open(b"handset", options, ctypes.byref(status), server.encode())
    if not client:
        sys.exit(f"handset.py: no JACK server {server} (status {status.value:#x})")
    handset = Handset(state, lib.jack_get_sample_rate(client))
    handset.is_paced = is_clock
    ports = Ports(lib, client, handset)

    def block(n: int, _: object) -> int:
        try:
            handset.reload()
            while handset.cfg["stall"] and not stop:
                time.sleep(0.01)
                handset.reload()
            ports.exchange(n)
        except Exception as error:  # never into the C caller
            say(repr(error))
        return 0

    called, gone = PROCESS(block), SHUTDOWN(lambda _: stop.append(1))
    lib.jack_set_process_callback(client, called, None)
    lib.jack_on_shutdown(client, ctypes.cast(gone, ctypes.c_void_p), None)
    if lib.jack_activate(client) or (is_clock and lib.jack_set_freewheel(client, 1)):
        sys.exit("handset.py: JACK would not start")
    if not is_clock:
        handset.show(time.monotonic())  # nothing is asked of it before somebody is connected
    while not stop:
        time.sleep(0.05)
    if is_clock:
        lib.jack_set_freewheel(client, 0)
    lib.jack_client_close(client)


def main() -> None:
    arguments = sys.argv[1:]
    if len(arguments) < 3 or arguments[0] not in ("jack", "pipewire", "pulse"):
        sys.exit(__doc__)
    state, first = Path(arguments[1]), {}
    for pair in arguments[3:]:
        key, _, value = pair.partition("=")
        if key not in DEFAULTS:
            sys.exit(f"handset.py: unknown setting {key!r}; known: {', '.join(DEFAULTS)}")
        first[key] = json.loads(value)
    put(state / "handset.json", first)
    stop: list[int] = []
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.append(1))
    if arguments[0] != "pulse":
        run_jack(state, arguments[2], stop, is_clock=arguments[0] == "jack")
    else:
        run_pulse(state, int(arguments[2]), stop)


if __name__ == "__main__":
    main()
