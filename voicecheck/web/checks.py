"""The rest of the checkout: dial, tones, cord, bell, speech, line."""

from __future__ import annotations

import functools
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from starlette.background import BackgroundTask
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from voicecheck.errors import InputError
from voicecheck.records import Attachment, CheckStep, DialCheck, Job
from voicecheck.web.checkorder import CheckOrder, read_order, take_check
from voicecheck.web.desk import Handle
from voicecheck.web.forms import Sent, parse_number, with_form
from voicecheck.web.pages import Pages
from voicecheck.web.render import go_to
from voicecheck.workflow.benches.store import list_benches
from voicecheck.workflow.books import Where, open_book
from voicecheck.workflow.checkguide import GUIDES
from voicecheck.workflow.checklist import Sheet, describe_stored, find_filled, load_sheet
from voicecheck.workflow.checkout import (
    MOVED,
    STAGES,
    StoredCheck,
    list_check_regions,
    list_checks,
)
from voicecheck.workflow.listening import write_listening_file
from voicecheck.workflow.pictures import render_timing
from voicecheck.workflow.readings import keep_line
from voicecheck.workflow.scenes import CHECKS, list_scenes

PICTURES = {"svg": "image/svg+xml", "png": "image/png"}
PICTURE_POLICY = "default-src 'none'; style-src 'unsafe-inline'; sandbox"
READINGS = ("on_hook_v", "off_hook_v", "loop_ma", "ringer_equivalence", "dial_tone_dbm")
PULSES = {"": None, "yes": True, "no": False}


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownCheck:
    """
    A check of a job as the page shows it.

    Parameters
    ----------
    index : int
        Among the checks of its kind, from 0, the oldest first.
    stored : StoredCheck
    line : str
        What was found, in one line.
    steps : tuple of CheckStep
        Of the check list, which it fills in; none for one that a later one has replaced.
    sound : Attachment or None
        The recording it rests on.
    """

    index: int
    stored: StoredCheck
    line: str
    steps: tuple[CheckStep, ...]
    sound: Attachment | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownKind:
    """Checks of one kind: the latest of each stage and part, and the older ones."""

    latest: tuple[ShownCheck, ...]
    older: tuple[ShownCheck, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A form that was refused: of which check, why, and what stood in its fields."""

    kind: str
    line: str
    typed: dict[str, str]


class CheckPages(Pages):
    """Answers what concerns the checks beside the sweep."""

    def list_routes(self) -> list[Route]:
        """See `Pages`."""
        return [
            Route("/jobs/{job}/checks", self.show),
            Route("/jobs/{job}/checks/line", with_form(self.keep_line), methods=["POST"]),
            Route("/jobs/{job}/checks/{kind}", with_form(self.start), methods=["POST"]),
            Route("/jobs/{job}/checks/dial/{picture}", self.show_picture),
            Route("/jobs/{job}/listen.wav", self.listen),
        ]

    def show(self, request: Request) -> Response:
        """Results and forms of all checks."""
        return self._show(parse_number(request.path_params["job"]))

    def _show(self, number: int, refused: Refused | None = None) -> Response:
        with open_book(self._where) as book:
            job = book.load_job(number)
            set_type = book.load_type(job.type_name)
            # One name stands for both directions here.
            setups = [one.setup for one in list_benches(book) if one.setup.input_device is None]
            shown = _sort_checks(job, list_checks(book, number), load_sheet(book, number))
        spoken = {one.stored.stage for one in shown["speak"].latest if one.sound}
        return self._renderer.show(
            "checks.html",
            status=400 if refused else 200,
            refused=refused,
            job=job,
            set_type=set_type,
            guides=GUIDES,
            shown=shown,
            scenes={kind: list_scenes(kind) for kind in CHECKS},
            regions={kind: list_check_regions(kind) for kind in GUIDES},
            moved=MOVED,
            stages=STAGES,
            bench=setups[0] if setups else None,
            can_listen=spoken >= set(STAGES),
        )

    def start(self, request: Request, sent: Sent) -> Response:
        """Begin a check."""
        number, kind = parse_number(request.path_params["job"]), request.path_params["kind"]
        if kind not in CHECKS:
            raise HTTPException(404, "There is no such check.")
        with open_book(self._where) as book:
            book.load_job(number)
        folder = tempfile.TemporaryDirectory()
        try:
            order = read_order(number, kind, sent, Path(folder.name))
            self._desk.start(
                f"{GUIDES[kind].title}, job {number}",
                functools.partial(_run, self._where, order, folder),
                tab=sent.text("tab"),
                job=number,
                address=f"/jobs/{number}/checks#{kind}",
            )
        except InputError as error:
            folder.cleanup()
            return self._show(number, _recall(kind, error, sent))
        except BaseException:
            folder.cleanup()
            raise
        return go_to(f"/jobs/{number}/checks#{kind}")

    def keep_line(self, request: Request, sent: Sent) -> Response:
        """Keep readings of the line that were typed in."""
        number = parse_number(request.path_params["job"])
        with open_book(self._where) as book:
            book.load_job(number)
        try:
            readings: dict[str, Any] = {name: sent.number(name) for name in READINGS}
            readings |= {"note": sent.text("note").strip(), "accepts_pulses": _read_pulses(sent)}
            keep_line(self._where, number, stage=sent.text("stage"), **readings)
        except InputError as error:
            return self._show(number, _recall("line", error, sent))
        return go_to(f"/jobs/{number}/checks#line")

    def show_picture(self, request: Request) -> Response:
        """Timing picture of one dial check, by its index."""
        number = parse_number(request.path_params["job"])
        stem, _, ending = request.path_params["picture"].partition(".")
        index = parse_number(stem)
        with open_book(self._where) as book:
            kept = [one.check for one in list_checks(book, number)]
        dials = [check for check in kept if isinstance(check, DialCheck)]
        if ending not in PICTURES or index >= len(dials):
            raise HTTPException(404, "There is no such picture.")
        return Response(
            render_timing(dials[index], ending),
            media_type=PICTURES[ending],
            headers={"content-security-policy": PICTURE_POLICY},
        )

    def listen(self, request: Request) -> Response:
        """Speech before and after, equally loud."""
        number = parse_number(request.path_params["job"])
        folder = tempfile.TemporaryDirectory()
        try:
            with open_book(self._where) as book:
                path = write_listening_file(book, number, Path(folder.name) / "listen.wav")
        except BaseException:
            folder.cleanup()
            raise
        # A file answer lets a browser ask for a part of it, as its slider does.
        return FileResponse(path, media_type="audio/wav", background=BackgroundTask(folder.cleanup))


def _recall(kind: str, error: InputError, sent: Sent) -> Refused:
    return Refused(kind=kind, line=str(error), typed={name: sent.text(name) for name in sent.data})


def _read_pulses(sent: Sent) -> bool | None:
    pulses = sent.text("accepts_pulses")
    if pulses not in PULSES:
        raise InputError(f"pulses: need yes or no, got {pulses[:40]!r}")
    return PULSES[pulses]


def _run(
    where: Where, order: CheckOrder, folder: tempfile.TemporaryDirectory[str], handle: Handle
) -> str:
    with folder:
        return take_check(where, order, handle)


def _sort_checks(job: Job, checks: list[StoredCheck], sheet: Sheet) -> dict[str, ShownKind]:
    sounds = {file.sha256: file for file in job.attachments}
    sorted_kinds = {}
    for kind in GUIDES:
        stored = [one for one in checks if one.kind == kind]
        newest = {(one.stage, one.part): index for index, one in enumerate(stored)}
        shown = [
            ShownCheck(
                index=index,
                stored=one,
                line=describe_stored(one),
                steps=find_filled(sheet.checked, kind, one.stage, one.part)
                if newest[one.stage, one.part] == index
                else (),
                sound=sounds.get(one.sound_sha256),
            )
            for index, one in enumerate(stored)
        ]
        latest = [one for one in shown if newest[one.stored.stage, one.stored.part] == one.index]
        latest.sort(key=lambda one: (one.stored.stage != "before", one.stored.part))
        older = [one for one in shown if one not in latest]
        sorted_kinds[kind] = ShownKind(latest=tuple(latest), older=tuple(older[::-1]))
    return sorted_kinds
