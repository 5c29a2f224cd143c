"""The live meter on a page: one input watched, about twenty readings a second."""

from __future__ import annotations

import contextlib
import functools
import time
from dataclasses import replace
from typing import TYPE_CHECKING, Any, cast

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from voicecheck.errors import InputError
from voicecheck.records.bounds import list_bounds
from voicecheck.records.orders import WatchOrder
from voicecheck.web.desk import Handle
from voicecheck.web.forms import Sent, with_form
from voicecheck.web.pages import Pages
from voicecheck.web.render import go_to
from voicecheck.workflow.benches.store import list_benches
from voicecheck.workflow.benches.watching import Seen, Watch, open_watch
from voicecheck.workflow.books import open_book
from voicecheck.workflow.checks.kinds import get_kind, list_regions_of

if TYPE_CHECKING:
    from voicecheck.records.terms import BenchEnd, RateHz

FRAME_S = 0.04
"""Readings come every 50 ms; a little less, so that none is left out for being early."""
NOMINAL_HZ = (
    "100", "125", "160", "200", "250", "315", "400", "500", "630", "800",
    "1k", "1.25k", "1.6k", "2k", "2.5k", "3.15k", "4k", "5k", "6.3k", "8k",
)  # fmt: skip
"""Nominal midband frequencies of the thirds of an octave (IEC 61260)."""


class MeterPages(Pages):
    """Shows the meter, and starts it."""

    def list_routes(self) -> list[Route]:
        """See `Pages`."""
        return [
            Route("/meter", self.show),
            Route("/meter", with_form(self.start), methods=["POST"]),
        ]

    def show(self, request: Request) -> Response:
        """The meter, with what can be watched."""
        with open_book(self._where) as book:
            benches = [file.setup.name for file in list_benches(book)]
        return self._renderer.show(
            "meter.html",
            benches=benches,
            on=request.query_params.get("on", ""),
            bounds=list_bounds(WatchOrder),
            regions=list_regions_of(get_kind("tones")),
            bands=NOMINAL_HZ,
        )

    def start(self, _: Request, sent: Sent) -> Response:
        """Begin to watch."""
        with open_book(self._where) as book:
            ready = open_watch(book, read_watch(sent))
        self._desk.start(
            f"Meter: {ready.title}"[:120],
            functools.partial(watch, ready),
            tab=sent.text("tab"),
            address="/meter",
            is_meter=True,
        )
        return go_to("/meter")


def read_watch(sent: Sent) -> WatchOrder:
    """
    What is to be watched, as the form has it.

    Raises
    ------
    InputError
        Nothing is chosen, or a number cannot be.
    """
    kind, _, name = sent.text("on").partition(":")
    asked: dict[str, Any] = {
        "region": sent.text("region").strip(),
        "talk_dbfs": sent.number("talk_dbfs"),
    }
    if kind == "bench" and name:
        return WatchOrder(bench=name, end=cast("BenchEnd", sent.text("end")), **asked)
    if kind != "device":
        raise InputError("on: choose a bench or a sound device")
    if not (device := sent.text("device").strip()):
        raise InputError("device: name the sound device; its field lists those of this machine")
    return WatchOrder(
        device=device,
        rate_hz=cast("RateHz", sent.whole("rate_hz", 48000)),
        channel=sent.whole("channel", 1),
        **asked,
    )


def watch(ready: Watch, handle: Handle) -> str:
    """
    Send readings to every open page until somebody stops it.

    Parameters
    ----------
    ready : Watch
    handle : Handle

    Returns
    -------
    str
        How it ended.
    """
    shown_s, held = 0.0, None
    try:
        with contextlib.closing(ready.read()) as readings:
            for seen in readings:
                handle.check()
                held = seen if held is None else _hold(held, seen)
                now_s = time.monotonic()
                if now_s - shown_s < FRAME_S:
                    continue
                if not shown_s:
                    handle.tell(f"Levels in {ready.unit}")
                handle.send("meter", describe_seen(ready, held))
                shown_s, held = now_s, None
    except KeyboardInterrupt:
        return "The meter was stopped"
    return "Nothing more comes in"


def describe_seen(ready: Watch, seen: Seen) -> dict[str, Any]:
    """
    A reading as the page draws it: levels in the unit of the watch, a tenth of a dB.

    Parameters
    ----------
    ready : Watch
    seen : Seen

    Returns
    -------
    dict
        `top` is full scale in that unit, `talk` the level of full transmit, where it is known.
    """
    talk_db = None if ready.talk_dbfs is None else ready.talk_dbfs + ready.offset_db
    return {
        "title": ready.title,
        "unit": ready.unit,
        "top": round(ready.offset_db, 1),
        "talk": None if talk_db is None else round(talk_db, 1),
        "time_s": round(seen.time_s, 2),
        "peak": round(seen.peak_db, 1),
        "rms": round(seen.rms_db, 1),
        "psophometric": round(seen.psophometric_db, 1),
        "bands": [round(level_db, 1) for level_db in seen.bands_db],
        "is_clipped": seen.is_clipped,
        "is_talking": seen.is_talking,
        "mains_hz": None if seen.mains_hz is None else round(seen.mains_hz, 1),
        "tone": seen.tone,
    }


def _hold(held: Seen, seen: Seen) -> Seen:
    """The later reading with the peak and the clipping of both."""
    return replace(
        seen,
        peak_db=max(held.peak_db, seen.peak_db),
        is_clipped=held.is_clipped or seen.is_clipped,
    )
