"""Benches: set-up, what their levels are worth today, calibration and daily check."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Sequence
from typing import Any
from urllib.parse import urlencode

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from voicecheck.errors import BenchError, InputError
from voicecheck.records import BenchSetup
from voicecheck.records.benches import Device
from voicecheck.web import calibrating
from voicecheck.web.desk import Handle, Prompt
from voicecheck.web.forms import Sent, with_form
from voicecheck.web.pages import Pages
from voicecheck.web.render import go_to
from voicecheck.web.wiring import draw_wiring
from voicecheck.workflow.benches.choosing import list_sound_devices
from voicecheck.workflow.benches.hearing import hear_device
from voicecheck.workflow.benches.microphone import read_typed_curve, write_typed_curve
from voicecheck.workflow.benches.sitting import get_guide, judge_paths
from voicecheck.workflow.benches.store import (
    BenchFile,
    add_setup,
    change_setup,
    list_benches,
    load_bench,
    remove_setup,
)
from voicecheck.workflow.benches.view import (
    find_band_uncertainty_db,
    list_all_warnings,
    list_step_names,
    list_steps,
    list_trend,
    name_devices,
    name_wires,
)
from voicecheck.workflow.books import open_book

CHANNELS = ("mouth_channel", "line_drive_channel", "line_tap_channel", "ear_channel")
CHANNEL_TEXTS = frozenset(map(str, range(1, 9)))
NUMBERS = (
    "feed_ma",
    "load_ohm",
    "mouth_mm",
    "angle_deg",
    "mouth_cap_dbfs",
    "line_drive_cap_dbfs",
    "meter_percent",
)
TEXTS = ("device", "host_api", "input_device", "ear", "feed_reading", "notes")
ROOM_C = (-20.0, 60.0)
N_CHECKS = 30
HANDSET_STEP = "reference-transmit"


class BenchPages(Pages):
    """Answers what concerns benches."""

    def list_routes(self) -> list[Route]:
        """See `Pages`."""
        return [
            Route("/benches", self.list_all),
            Route("/benches", with_form(self.add), methods=["POST"]),
            Route("/benches/hear", with_form(self.hear), methods=["POST"]),
            Route("/bench", self.show),
            Route("/bench/edit", with_form(self.edit), methods=["POST"]),
            Route("/bench/remove", with_form(self.remove), methods=["POST"]),
            Route("/bench/step", with_form(self.calibrate), methods=["POST"]),
            Route("/bench/check", with_form(self.check), methods=["POST"]),
        ]

    def list_all(self, request: Request) -> Response:
        """All benches, each with what it is worth today; a form to set one up."""
        with open_book(self._where) as book:
            files = list_benches(book)
        return self._renderer.show(
            "benches.html",
            benches=[_sum_up(file) for file in files],
            guess=_read_guess(request),
        )

    def hear(self, _: Request, sent: Sent) -> Response:
        """Find a device's channels by ear; what is found fills the form in."""
        name = sent.text("device").strip()
        if not name:
            raise InputError("device: name the sound device; its field lists those of this machine")
        self._desk.start(
            "Does it hear me?",
            functools.partial(_hear, name),
            tab=sent.text("tab"),
            address="/benches",
        )
        return go_to("/benches")

    def add(self, _: Request, sent: Sent) -> Response:
        """Set up a bench."""
        name = sent.text("name").strip()
        given, is_absent = _find_device(read_setup(sent))
        with open_book(self._where) as book:
            add_setup(book, BenchSetup(name=name, **given))
        return go_to(_address(name, **({"absent": "1"} if is_absent else {})))

    def show(self, request: Request) -> Response:
        """One bench: wires, standing, calibration, checks."""
        asked = request.query_params
        voided = set(asked.get("voided", "").split(","))
        with open_book(self._where) as book:
            file = load_bench(book, _find_name(request))
        standings = judge_paths(file)
        return self._renderer.show(
            "bench.html",
            setup=file.setup,
            typed_curve=write_typed_curve(file.setup.microphone_curve),
            drawing=_draw(file.setup),
            standings=standings,
            band_uncertainty_db={
                path: find_band_uncertainty_db(one.calibration)
                for path, one in standings.items()
                if one.calibration
            },
            warnings=list_all_warnings(file),
            steps=list_steps(file),
            trends=_find_trends(file),
            checks=file.checks[: -N_CHECKS - 1 : -1],
            voided=[get_guide(step).title for step in list_step_names() if step in voided],
            is_absent=asked.get("absent") == "1",
        )

    def edit(self, request: Request, sent: Sent) -> Response:
        """Change a bench; its name stays, since runs and calibrations go by it."""
        name = _find_name(request)
        given, is_absent = read_setup(sent), False
        with open_book(self._where) as book:
            if given["device"] != load_bench(book, name).setup.device:
                given, is_absent = _find_device(given)
            voided = change_setup(book, BenchSetup(name=name, **given))
        more = {"voided": ",".join(voided), "absent": "1" if is_absent else ""}
        return go_to(_address(name, **{key: value for key, value in more.items() if value}))

    def remove(self, request: Request, sent: Sent) -> Response:
        """Take a bench off the list; runs made on it stay."""
        if not sent.has("is_sure"):
            raise InputError("remove: tick that it is to go; nothing was removed")
        with open_book(self._where) as book:
            remove_setup(book, _find_name(request))
        return go_to("/benches")

    def calibrate(self, request: Request, sent: Sent) -> Response:
        """Begin a step of the calibration, or all that are open."""
        name, step = _find_name(request), sent.text("step")
        steps = (get_guide(step).name,) if step else ()
        temperature_c = sent.number("temperature_c")
        low, high = ROOM_C
        if temperature_c is not None and not low <= temperature_c <= high:
            raise InputError(f"temperature: need {low:g} to {high:g} °C, got {temperature_c:g}")
        with open_book(self._where) as book:
            load_bench(book, name)
        return self._start(
            f"Calibration of bench {name}",
            functools.partial(calibrating.calibrate, self._where, name, steps, temperature_c),
            name,
            sent,
        )

    def check(self, request: Request, sent: Sent) -> Response:
        """Begin the daily check."""
        name = _find_name(request)
        with open_book(self._where) as book:
            load_bench(book, name)
        act = functools.partial(calibrating.check, self._where, name)
        return self._start(f"Daily check of bench {name}", act, name, sent)

    def _start(self, title: str, act: Any, name: str, sent: Sent) -> Response:
        address = _address(name)
        self._desk.start(title[:120], act, tab=sent.text("tab"), address=address)
        return go_to(address)


def _hear(name: str, handle: Handle) -> str:
    def ask(title: str, steps: Sequence[str], caution: str) -> None:
        handle.ask(Prompt(title=title, steps=tuple(steps), caution=caution, button="Begin"))
        handle.tell("Recording")

    found = hear_device(name, ask, handle.follow)
    for remark in found.remarks:
        handle.note(remark)
    wires = {key: value for key, value in dataclasses.asdict(found.wires).items() if value}
    handle.offer(
        "/benches?" + urlencode({"device": found.device.name, **wires}, errors="replace"),
        "Fill the form in with what was found",
    )
    told = [f"{key.removesuffix('_channel').replace('_', ' ')} {n}" for key, n in wires.items()]
    return f"Done: {', '.join(told) or 'nothing was heard'}"


def _read_guess(request: Request) -> BenchSetup | None:
    """What was found by ear, as the form is filled in with it; `None` without."""
    device = request.query_params.get("device", "").replace("\0", "")[:200]
    if not device:
        return None
    asked = {name: request.query_params.get(name, "") for name in CHANNELS}
    channels: dict[str, Any] = {
        name: int(text) for name, text in asked.items() if text in CHANNEL_TEXTS
    }
    return BenchSetup(name="", device=device, **channels)


def read_setup(sent: Sent) -> dict[str, Any]:
    """
    Fields of a set-up that the form has; what was left empty is left out.

    Raises
    ------
    InputError
        A number is none, or no device is named.
    """
    given: dict[str, Any] = {name: sent.text(name).strip() for name in TEXTS}
    given.update({name: sent.number(name) for name in NUMBERS})
    for name in CHANNELS:
        given[name] = sent.whole(name, 0) if sent.has(name) else None
    given["rate_hz"] = sent.whole("rate_hz", 48000)
    given["microphone_curve"] = read_typed_curve(sent.text("microphone_curve"))
    # A field left empty is left out; a channel 0 that was typed is not the same and is refused.
    given = {name: value for name, value in given.items() if value is not None and value != ""}
    if "device" not in given:
        raise InputError("device: name the sound device; its field lists those of this machine")
    return given


def _find_device(given: dict[str, Any]) -> tuple[dict[str, Any], bool]:
    """Full name of the device, and whether it is not there now."""
    devices: tuple[Device, ...] = ()
    try:
        devices = list_sound_devices()
    except BenchError:
        # A bench may be set up on a machine whose sound system does not answer today.
        return given, True
    named, note = name_devices(given, devices)
    return named, bool(note)


def _draw(setup: BenchSetup) -> Markup:
    """How a handset is wired to a bench."""
    wires = name_wires(HANDSET_STEP, setup)
    about = f"How a handset is wired to it: {', '.join(f'{a} {b}' for a, b in wires.items() if b)}"
    return draw_wiring(get_guide(HANDSET_STEP).picture, wires, about)


def _sum_up(file: BenchFile) -> dict[str, Any]:
    standings = judge_paths(file)
    return {
        "setup": file.setup,
        "check": file.checks[-1] if file.checks else None,
        "absolute": [path for path, one in standings.items() if one.calibration],
        "warnings": list_all_warnings(file),
    }


def _find_trends(file: BenchFile) -> dict[str, Any]:
    """Of each step that was done more than once, its results."""
    done = [result for result in (*file.history, *file.check_results) if result.value is not None]
    steps = [step for step in list_step_names() if any(one.step == step for one in done)]
    trends = {step: list_trend(file, step) for step in steps}
    return {get_guide(step).title: found for step, found in trends.items() if len(found) > 1}


def _find_name(request: Request) -> str:
    return request.query_params.get("name", "").replace("\0", "")


def _address(name: str, **more: str) -> str:
    return "/bench?" + urlencode({"name": name, **more}, errors="replace")
