"""A sweep from the page: form, guidance, live curve."""

from __future__ import annotations

import functools
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, cast

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from voicecheck.errors import InputError
from voicecheck.records import Programme
from voicecheck.records.orders import (
    DEFAULT_SEATS,
    DeviceSource,
    FileSource,
    SimulatedSource,
    Source,
    Stated,
    SweepOrder,
)
from voicecheck.web.desk import Handle, Prompt
from voicecheck.web.forms import SOUNDS, Sent, parse_number, with_form
from voicecheck.web.pages import Pages
from voicecheck.web.render import go_to
from voicecheck.workflow.benches.choosing import check_present, list_sound_devices
from voicecheck.workflow.benches.store import find_bench
from voicecheck.workflow.books import Where, open_book
from voicecheck.workflow.checks.take import get_take_length
from voicecheck.workflow.papers.judging import judge_stage
from voicecheck.workflow.papers.pagecurves import curve_of_measurement, trace_frequency_hz
from voicecheck.workflow.sweeping.order import carry_out
from voicecheck.workflow.sweeping.seats import SeatReport, SeatRequest
from voicecheck.workflow.wording import say_path, say_stage

if TYPE_CHECKING:
    from voicecheck.jobbook import JobBook
    from voicecheck.records.terms import Ear, PathName, SweepPath


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
                f"Job {number}: {say_path(order.path)}, {say_stage(order.stage)}"[:120],
                functools.partial(_sweep, self._where, order, folder),
                tab=sent.text("tab"),
                job=number,
                address=f"/jobs/{number}",
            )
        except BaseException:
            folder.cleanup()
            raise
        return go_to(f"/jobs/{number}#sweep")


def read_order(job: int, sent: Sent, folder: Path) -> SweepOrder:
    """
    What the form asks for.

    Raises
    ------
    InputError
        Something is missing or out of range.
    """
    signal, source = read_source(sent, folder)
    return SweepOrder(
        job=job,
        path=cast("SweepPath", sent.text("path")),
        stage=sent.text("stage").strip(),
        source=source,
        n_seats=None if isinstance(source, FileSource) else sent.whole("seats", DEFAULT_SEATS),
        signal=signal,
        level_dbm=sent.number("level_dbm"),
        is_on_coupler=sent.has("on_coupler"),
        stated=Stated(
            conditioned=True if sent.has("conditioned") else None,
            feed_ma=sent.number("feed_ma"),
            ear=cast("Ear | None", sent.text("ear") or None),
            angle_deg=sent.number("angle_deg"),
        ),
    )


def read_source(sent: Sent, folder: Path) -> tuple[Path | None, Source]:
    """
    The programme file, where one came with the form, and where the sound comes from.

    Raises
    ------
    InputError
        Nothing is chosen, or a number is out of range.
    """
    kind, _, name = sent.text("on").partition(":")
    channels = {"out_channel": sent.whole("out_channel", 1), "channel": sent.whole("channel", 1)}
    if kind == "simulated":
        faults = [fault for fault in sent.data.getlist("fault") if isinstance(fault, str)]
        handset = "+".join([name, *faults])
        return None, SimulatedSource(handset=handset, seed=sent.whole("seed", 1))
    if kind == "bench" and name:
        return None, DeviceSource(name=name)
    if kind == "device":
        return None, DeviceSource(name=sent.text("device").strip(), **channels)
    if kind == "files":
        signals = sent.save_uploads("signal", folder / "signal", SOUNDS)
        files = sent.save_uploads("recordings", folder / "recordings", SOUNDS)
        # Left empty, the one that holds the sound, and the strongest of several takes.
        chosen = {name: sent.whole(name, 0, least=1) or None for name in ("channel", "take")}
        source = FileSource(files=tuple(files), **chosen)
        return (signals[0] if signals else None), source
    raise InputError("on: choose a bench, a simulated handset, a sound device or recordings")


def _sweep(
    where: Where, order: SweepOrder, folder: tempfile.TemporaryDirectory[str], handle: Handle
) -> str:
    """Do a sweep; a line that says how it ended."""
    with folder, open_book(where) as book:
        if isinstance(order.source, DeviceSource):
            check_device(book, order.source)
        results = carry_out(book, order, PageAttendant(order, handle))
        handle.tell("Comparing")
        judge_stage(book, order.job, order.stage)
    # Transmit and sidetone of one take are one seat; the fewest of any path are what is whole.
    n = min(len(result.run.recordings) for result in results)
    ended = "Stopped" if results[-1].was_stopped else "Done"
    return f"{ended}: {n} of {order.seats} seats are kept with job {order.job}"


def check_device(book: JobBook, source: DeviceSource) -> None:
    """Refuse before anybody clamps a handset."""
    file = find_bench(book, source.name)
    if file is None:
        check_present(source.name)
    else:
        check_present(file.setup.device, file.setup.input_device)


class PageAttendant:
    """
    Somebody at the page.

    While a take runs the level of the input is drawn against the frequency that is being played:
    rough, but at once.
    """

    def __init__(self, order: SweepOrder, handle: Handle) -> None:
        self._order, self._handle = order, handle
        self._programme: Programme | None = None
        self._path: PathName = order.first_path
        self._last_hz: float | None = None

    @property
    def is_asked(self) -> bool:
        """See `Attendant`."""
        return self._order.is_real

    def prepare(self, programme: Programme, path: PathName) -> None:
        """See `Attendant`."""
        self._programme, self._path = programme, path

    def follow(self, fraction: float, peak_dbfs: float) -> None:
        """See `Attendant`."""
        self._handle.follow(fraction, peak_dbfs)
        if self._programme is None:
            return
        lead_s, whole_s = get_take_length(self._programme.duration_s)
        frequency_hz = trace_frequency_hz(self._programme, fraction * whole_s - lead_s)
        if frequency_hz is None:
            return
        is_new = self._last_hz is None or frequency_hz < self._last_hz
        self._last_hz = frequency_hz
        self._handle.send(
            "trace",
            {
                "job": self._order.job,
                "path": self._path,
                "points": [[frequency_hz, peak_dbfs]],
                "is_new": is_new,
            },
        )

    def note(self, line: str) -> None:
        """See `Attendant`."""
        self._handle.note(line)

    def ask(self, request: SeatRequest) -> None:
        """See `Attendant`."""
        self._handle.ask(
            Prompt(
                title=request.title,
                steps=request.steps,
                caution=request.caution,
                button=request.button,
            )
        )

    def settle(self, seconds: int, what: str) -> None:
        """See `Attendant`."""
        self._handle.pause(seconds, what)

    def begin(self, seat: int, n_seats: int) -> None:
        """See `Attendant`."""
        self._handle.check()
        self._handle.show_seat(seat, n_seats)
        self._handle.tell(f"Recording seat {seat} of {n_seats}")

    def report(self, report: SeatReport) -> bool:
        """See `Attendant`."""
        self._send_curve(report)
        if self.is_asked and (report.advice or report.measurement is None):
            answer = self._handle.ask(
                Prompt(
                    title=report.line,
                    steps=report.advice,
                    button="Take this seat again",
                    choices={"keep": "Keep it and go on"},
                )
            )
            if answer["choice"] != "keep":
                self._handle.note(f"{report.line}; taken again")
                return True
        for line in (report.line, *report.advice):
            self._handle.note(line)
        return False

    def _send_curve(self, report: SeatReport) -> None:
        if report.measurement is not None:
            curve = curve_of_measurement(
                report.measurement, seat=report.seat, n_seats=report.n_seats
            )
            self._handle.send("seat", {**curve, "job": self._order.job, "stage": self._order.stage})
