"""A sweep from the page: form, guidance, live curve."""

from __future__ import annotations

import functools
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from voicecheck.errors import InputError, RecordingError
from voicecheck.records import BenchSetup, Measurement, Programme
from voicecheck.records.benches import FIRST_RECEIVE_DBM
from voicecheck.web.desk import Handle, Prompt
from voicecheck.web.forms import SOUNDS, Sent, parse_number, with_form
from voicecheck.web.pages import Pages
from voicecheck.web.render import go_to
from voicecheck.workflow.benches.choosing import ChosenBench, choose_bench, list_sound_devices
from voicecheck.workflow.benches.store import find_bench
from voicecheck.workflow.books import Where, open_book
from voicecheck.workflow.checks.take import get_take_length
from voicecheck.workflow.curves import curve_of_measurement, trace_frequency_hz
from voicecheck.workflow.sweeping import seats as guidance
from voicecheck.workflow.sweeping.advice import advise, find_spread_db
from voicecheck.workflow.sweeping.both import sweep_both
from voicecheck.workflow.sweeping.run import sweep

PATHS = ("transmit", "receive", "sidetone", "loop", "both")
MOST_RECEIVE_DBM, LEAST_RECEIVE_DBM = 0.0, -60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """
    A sweep as it was asked for.

    Parameters
    ----------
    job : int
    path, stage : str
    n_seats : int
    source : dict
        What `choose_bench` takes: files and signal, a simulated handset, or a device.
    stated : dict
        Conditions that the user stated.
    level_dbm : float or None
    """

    job: int
    path: str
    stage: str
    n_seats: int
    source: dict[str, Any]
    stated: dict[str, Any]
    level_dbm: float | None = None

    @property
    def is_real(self) -> bool:
        """Whether somebody sits at a real bench."""
        return "device" in self.source

    @property
    def first_path(self) -> str:
        """The path whose numbers are told; that of "both" is transmit."""
        return "transmit" if self.path == "both" else self.path


class SweepPages(Pages):
    """Starts sweeps."""

    def list_routes(self) -> list[Route]:
        """See `Pages`."""
        return [
            Route("/devices", self.list_devices),
            Route("/jobs/{job}/sweep", with_form(self.start), methods=["POST"]),
        ]

    def list_devices(self, _: Request) -> Response:
        """Names of sound devices, as choices of a field."""
        return self._renderer.show("devices.html", devices=list_sound_devices())

    def start(self, request: Request, sent: Sent) -> Response:
        """Begin a sweep."""
        number = parse_number(request.path_params["job"])
        with open_book(self._where) as book:
            book.load_job(number)
        folder = tempfile.TemporaryDirectory()
        try:
            order = read_order(number, sent, Path(folder.name))
            self._desk.start(
                f"Sweep of job {number}, {order.path}, {order.stage}"[:120],
                functools.partial(_sweep, self._where, order, folder),
                tab=sent.text("tab"),
                job=number,
                address=f"/jobs/{number}",
            )
        except BaseException:
            folder.cleanup()
            raise
        return go_to(f"/jobs/{number}#sweep")


def read_order(job: int, sent: Sent, folder: Path) -> Order:
    """
    What the form asks for.

    Raises
    ------
    InputError
        Something is missing or out of range.
    """
    path, stage = sent.text("path"), sent.text("stage").strip()
    if path not in PATHS:
        raise InputError(f"path: need one of {', '.join(PATHS)}, got {path[:40]!r}")
    if not stage:
        raise InputError("stage: need before, after, reference or a label, got nothing")
    level_dbm = sent.number("level_dbm")
    if level_dbm is not None:
        _check_level(path, level_dbm, is_confirmed=sent.has("on_coupler"))
    ear = sent.text("ear")
    if ear not in {"", "coupler", "coil"}:
        raise InputError(f"ear: need coupler or coil, got {ear[:40]!r}")
    stated = {
        "conditioned": True if sent.has("conditioned") else None,
        "feed_ma": sent.number("feed_ma"),
        "ear": ear or None,
        "angle_deg": sent.number("angle_deg"),
    }
    source = _read_source(sent, folder)
    n_seats = len(source["files"]) if "files" in source else 0
    return Order(
        job=job,
        path=path,
        stage=stage,
        n_seats=n_seats or sent.whole("seats", 3, least=1, most=50),
        source=source,
        stated={name: value for name, value in stated.items() if value is not None},
        level_dbm=level_dbm,
    )


def _check_level(path: str, level_dbm: float, *, is_confirmed: bool) -> None:
    if path != "receive":
        raise InputError(f"level: is for path receive, got path {path}")
    if not LEAST_RECEIVE_DBM <= level_dbm <= MOST_RECEIVE_DBM:
        limits = f"{LEAST_RECEIVE_DBM:g} to {MOST_RECEIVE_DBM:g} dBm"
        raise InputError(f"level: need {limits}, got {level_dbm:g}")
    if level_dbm > FIRST_RECEIVE_DBM and not is_confirmed:
        raise InputError(
            f"level: {level_dbm:g} dBm is louder than the {FIRST_RECEIVE_DBM:g} dBm that sweeps "
            "begin with and can reach 104 to 110 dB SPL and more; tick that the receiver is on "
            "its coupler and at nobody's ear"
        )


def _read_source(sent: Sent, folder: Path) -> dict[str, Any]:
    kind, _, name = sent.text("on").partition(":")
    if kind == "simulated":
        faults = [fault for fault in sent.data.getlist("fault") if isinstance(fault, str)]
        seed = sent.whole("seed", 1, least=1)
        return {"simulated": "+".join([name, *faults]), "seed": seed}
    if kind == "bench" and name:
        return {"device": name}
    if kind == "device":
        if not (device := sent.text("device").strip()):
            raise InputError("device: name the sound device; its field lists those of this machine")
        channels = (
            sent.whole("out_channel", 1, least=1, most=64),
            sent.whole("channel", 1, least=1, most=64),
        )
        return {"device": device, "channels": channels}
    if kind == "files":
        signal = sent.save_uploads("signal", folder / "signal", SOUNDS)
        files = sent.save_uploads("recordings", folder / "recordings", SOUNDS)
        if not (files and signal):
            raise InputError("recordings: choose them, and the programme file that they are of")
        channels = (1, sent.whole("channel", 1, least=1, most=64))
        return {"files": files, "signal": signal[0], "channels": channels}
    raise InputError("on: choose a bench, a simulated handset, a sound device or recordings")


def _sweep(
    where: Where, order: Order, folder: tempfile.TemporaryDirectory[str], handle: Handle
) -> str:
    """Do a sweep; a line that says how it ended."""
    with folder, open_book(where) as book:
        set_type = book.load_type(book.load_job(order.job).type_name)
        trace = _Trace(order, handle)
        chosen = choose_bench(
            set_type,
            book=book,
            path=order.first_path,
            n_seats=order.n_seats,
            level_dbm=order.level_dbm,
            stated=order.stated,
            progress=trace.follow,
            **order.source,
        )
        trace.programme = chosen.programme
        file = find_bench(book, order.source["device"]) if order.is_real else None
        if order.is_real and guidance.needs_conditioning(order.path, set_type.transmitter):
            # Each take begins when the person says that the handset was turned over.
            order.stated["conditioned"] = True
        guide = Guide(order, handle, set_type.transmitter, chosen, file.setup if file else None)
        guide.feed_ma = order.stated.get("feed_ma", set_type.feed_ma)
        around: dict[str, Any] = {
            "stage": order.stage,
            "bench": chosen.bench,
            "programme": chosen.programme,
            "n_seats": chosen.n_seats,
            "before_seat": guide.before_seat,
            "after_seat": guide.after_seat,
            "stated": order.stated,
        }
        if order.path == "both":
            result = sweep_both(book, order.job, **around)[0]
        else:
            result = sweep(book, order.job, path=order.path, **around)
    n = len(result.run.recordings)
    ended = "Stopped" if result.was_stopped else "Done"
    return f"{ended}: {n} of {chosen.n_seats} seats are kept with job {order.job}"


class _Trace:
    """Level of the input against the frequency that is being played: rough, but at once."""

    def __init__(self, order: Order, handle: Handle) -> None:
        self._order, self._handle = order, handle
        self.programme: Programme | None = None
        self._last_hz: float | None = None

    def follow(self, fraction: float, peak_dbfs: float) -> None:
        """Take in how far the take is and the peak of the input."""
        self._handle.follow(fraction, peak_dbfs)
        if self.programme is None:
            return
        lead_s, whole_s = get_take_length(self.programme.duration_s)
        frequency_hz = trace_frequency_hz(self.programme, fraction * whole_s - lead_s)
        if frequency_hz is None:
            return
        is_new = self._last_hz is None or frequency_hz < self._last_hz
        self._last_hz = frequency_hz
        self._handle.send(
            "trace",
            {
                "job": self._order.job,
                "path": self._order.first_path,
                "points": [[frequency_hz, peak_dbfs]],
                "is_new": is_new,
            },
        )


class Guide:
    """What is asked and told around each seat."""

    def __init__(
        self,
        order: Order,
        handle: Handle,
        transmitter: str,
        chosen: ChosenBench,
        setup: BenchSetup | None,
    ) -> None:
        self._order, self._handle = order, handle
        self._transmitter, self._setup = transmitter, setup
        self._done: list[Measurement] = []
        self.feed_ma = 40.0
        for note in chosen.notes:
            handle.note(note)

    def before_seat(self, seat: int, n_seats: int) -> None:
        """Ask for what is to be done at a real bench; then the take begins."""
        self._handle.check()
        path = self._order.path
        if self._order.is_real:
            steps = guidance.list_seat_steps(
                path, self._transmitter, feed_ma=self.feed_ma, seat=seat, setup=self._setup
            )
            caution = guidance.get_seat_caution(path)
            title = f"Seat {seat} of {n_seats}, {path}"
            self._handle.ask(Prompt(title=title, steps=steps, caution=caution))
            if guidance.is_fed(path, self._transmitter):
                self._handle.pause(guidance.SETTLE_S, "Feed settling")
            if guidance.needs_conditioning(path, self._transmitter):
                turn = Prompt(title=title, steps=(guidance.TURN_OVER,), button="Start the take")
                self._handle.ask(turn)
        self._handle.tell(f"Recording seat {seat} of {n_seats}")

    def after_seat(self, seat: int, found: Measurement | RecordingError) -> None:
        """Tell what the take gave, draw it, and say what to look at."""
        if isinstance(found, RecordingError):
            self._handle.note(f"Seat {seat}: not usable: {found}; the recording is kept")
            return
        self._done.append(found)
        self._handle.note(self._describe(seat, found))
        for line in advise(self._done, self._order.first_path, self._transmitter):
            self._handle.note(line)
        curve = curve_of_measurement(found, seat=seat, n_seats=self._order.n_seats)
        self._handle.send("seat", {**curve, "job": self._order.job, "stage": self._order.stage})

    def _describe(self, seat: int, found: Measurement) -> str:
        level = found.bands.at_1khz_db
        unit = found.response.unit if found.response else "dB"
        text = "withheld" if level is None else f"{level:.1f} {unit} at 1 kHz"
        spread_db = find_spread_db(self._done)
        spread = "" if spread_db is None else f", spread so far {spread_db:.1f} dB"
        kinds = ", ".join(sorted({problem.kind for problem in found.problems}))
        return f"Seat {seat}: {text}{spread}" + (f" ({kinds})" if kinds else "")
