"""The rest of the checkout: dial, tones, cord, bell, speech, line."""

from __future__ import annotations

import functools
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import Markup
from starlette.background import BackgroundTask
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from voicecheck.errors import InputError
from voicecheck.records import Attachment, BenchSetup, CheckStep, Job
from voicecheck.records.fields import Field, list_fields
from voicecheck.web.checkorder import CheckOrder, read_order, take_check
from voicecheck.web.desk import Handle
from voicecheck.web.forms import Sent, parse_number, with_form
from voicecheck.web.pages import Pages
from voicecheck.web.render import go_to
from voicecheck.web.wiring import draw_wiring
from voicecheck.workflow.benches.store import list_benches
from voicecheck.workflow.books import Where, open_book
from voicecheck.workflow.checks.checklist import Sheet, describe_stored, find_filled, load_sheet
from voicecheck.workflow.checks.kinds import (
    CheckKind,
    Shown,
    get_kind,
    has_picture,
    list_kinds,
    list_regions_of,
    load_scene,
)
from voicecheck.workflow.checks.run import STAGES, StoredCheck, list_checks, run_check
from voicecheck.workflow.checks.source import list_headerless, list_source_fields
from voicecheck.workflow.papers import listening
from voicecheck.workflow.papers.pictures import render_picture

if TYPE_CHECKING:
    from voicecheck.bench.simulated.scene import SceneKind

PICTURES = {"svg": "image/svg+xml", "png": "image/png"}
PICTURE_POLICY = "default-src 'none'; style-src 'unsafe-inline'; sandbox"


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
    shown : tuple of str or Table
        Its figures.
    is_drawn : bool
        Whether there is a picture of it.
    steps : tuple of CheckStep
        Of the check list, which it fills in; none for one that a later one has replaced.
    sound : Attachment or None
        The recording it rests on.
    """

    index: int
    stored: StoredCheck
    line: str
    shown: tuple[Shown, ...]
    is_drawn: bool
    steps: tuple[CheckStep, ...]
    sound: Attachment | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownKind:
    """
    Checks of one kind, and what its form asks.

    Parameters
    ----------
    kind : CheckKind
    latest, older : tuple of ShownCheck
        The latest of each stage and part; the others, newest first.
    fields, source_fields : tuple of Field
    headerless : tuple of str
        Endings of files without header that it takes.
    regions : tuple of str
    scene : SceneKind or None
    can_listen : bool
        Whether before and after can be heard one after the other.
    """

    kind: CheckKind
    latest: tuple[ShownCheck, ...]
    older: tuple[ShownCheck, ...]
    fields: tuple[Field, ...]
    source_fields: tuple[Field, ...]
    headerless: tuple[str, ...]
    regions: tuple[str, ...]
    scene: SceneKind | None
    can_listen: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A form that was refused: of which check, why, and what stood in its fields."""

    kind: str
    title: str
    line: str
    typed: dict[str, str]


class CheckPages(Pages):
    """Answers what concerns the checks beside the sweep."""

    def list_routes(self) -> list[Route]:
        """See `Pages`."""
        return [
            Route("/jobs/{job}/checks", self.show),
            Route("/jobs/{job}/checks/{kind}", with_form(self.start), methods=["POST"]),
            Route("/jobs/{job}/checks/{kind}/{picture}", self.show_picture),
            Route("/jobs/{job}/listen.wav", self.listen),
        ]

    def show(self, request: Request) -> Response:
        """Results and forms of all checks."""
        return self._show(parse_number(request.path_params["job"]))

    def _show(self, number: int, refused: Refused | None = None) -> Response:
        with open_book(self._where) as book:
            job = book.load_job(number)
            set_type = book.load_type(job.type_name)
            setup = find_check_setup([one.setup for one in list_benches(book)])
            checks, sheet = list_checks(book, number), load_sheet(book, number)
        return self._renderer.show(
            "checks.html",
            status=400 if refused else 200,
            refused=refused,
            job=job,
            set_type=set_type,
            shown=[sort_checks(job, kind, checks, sheet) for kind in list_kinds()],
            stages=STAGES,
            bench=setup,
            simulated=any(one.bench == "simulated" for one in checks),
            choose_channel=choose_channel,
            draw_wires=draw_wires,
        )

    def start(self, request: Request, sent: Sent) -> Response:
        """Begin a check."""
        number, kind = parse_number(request.path_params["job"]), _find_kind(request)
        with open_book(self._where) as book:
            book.load_job(number)
        folder = tempfile.TemporaryDirectory()
        try:
            order = read_order(number, kind, sent, Path(folder.name))
            if order.source is None:
                with folder, open_book(self._where) as book:
                    run_check(
                        kind.name, None, order.options, book=book, job=number, stage=order.stage
                    )
                return go_to(f"/jobs/{number}/checks#{kind.name}")
            self._desk.start(
                f"{kind.guide.title}, job {number}",
                functools.partial(_run, self._where, order, folder),
                tab=sent.text("tab"),
                job=number,
                address=f"/jobs/{number}/checks#{kind.name}",
            )
        except InputError as error:
            folder.cleanup()
            return self._show(number, _recall(kind, error, sent))
        except BaseException:
            folder.cleanup()
            raise
        return go_to(f"/jobs/{number}/checks#{kind.name}")

    def show_picture(self, request: Request) -> Response:
        """Picture of one check, by its index among those of its kind."""
        number, kind = parse_number(request.path_params["job"]), _find_kind(request)
        stem, _, ending = request.path_params["picture"].partition(".")
        index = parse_number(stem)
        with open_book(self._where) as book:
            kept = [one.check for one in list_checks(book, number) if one.kind == kind.name]
        is_there = ending in PICTURES and index < len(kept)
        if not (is_there and has_picture(kind, kept[index])):
            raise HTTPException(404, "There is no such picture.")
        return Response(
            render_picture(kind.name, kept[index], ending),
            media_type=PICTURES[ending],
            headers={"content-security-policy": PICTURE_POLICY},
        )

    def listen(self, request: Request) -> Response:
        """Speech before and after, equally loud."""
        number = parse_number(request.path_params["job"])
        folder = tempfile.TemporaryDirectory()
        try:
            with open_book(self._where) as book:
                path = listening.write_listening_file(
                    book, number, Path(folder.name) / "listen.wav"
                )
        except BaseException:
            folder.cleanup()
            raise
        # A file answer lets a browser ask for a part of it, as its slider does.
        return FileResponse(path, media_type="audio/wav", background=BackgroundTask(folder.cleanup))


def _recall(kind: CheckKind, error: InputError, sent: Sent) -> Refused:
    typed = {name: sent.text(name) for name in sent.data}
    return Refused(kind=kind.name, title=kind.guide.title, line=str(error), typed=typed)


def _find_kind(request: Request) -> CheckKind:
    try:
        return get_kind(request.path_params["kind"])
    except InputError as error:
        raise HTTPException(404, "There is no such check.") from error


def find_check_setup(setups: Sequence[BenchSetup]) -> BenchSetup | None:
    """The bench that checks are taken on: one name stands for both directions there."""
    return next((one for one in setups if one.input_device is None), None)


def choose_channel(kind: CheckKind, field: Field, bench: BenchSetup | None) -> int:
    """Channel of a set-up bench that a check uses; the first one without a bench."""
    if bench is None:
        return 1
    played = bench.line_drive_channel
    return played if field.name == "out_channel" else getattr(bench, f"{kind.input}_channel")


def draw_wires(picture: str, about: str, bench: BenchSetup | None) -> Markup:
    """Drawing of a check's wires, with the channels of a set-up bench or the first ones."""
    channels = ("line_drive", "line_tap", "ear")
    first = {"line_drive": "1", "line_tap": "1", "ear": "2"}
    own = {one: str(getattr(bench, f"{one}_channel")) for one in channels} if bench else first
    return draw_wiring(picture, own, about)


def _run(
    where: Where, order: CheckOrder, folder: tempfile.TemporaryDirectory[str], handle: Handle
) -> str:
    with folder:
        return take_check(where, order, handle)


def sort_checks(job: Job, kind: CheckKind, checks: list[StoredCheck], sheet: Sheet) -> ShownKind:
    """Checks of one kind as they are shown: the latest of each stage and part, then the others."""
    sounds = {file.sha256: file for file in job.attachments}
    stored = [one for one in checks if one.kind == kind.name]
    newest = {(one.stage, one.part): index for index, one in enumerate(stored)}
    shown = [
        ShownCheck(
            index=index,
            stored=one,
            line=describe_stored(one),
            shown=kind.tabulate(one.check),
            is_drawn=has_picture(kind, one.check),
            steps=find_filled(sheet.checked, kind.name, one.stage, one.part)
            if newest[one.stage, one.part] == index
            else (),
            sound=sounds.get(one.sound_sha256),
        )
        for index, one in enumerate(stored)
    ]
    latest = [one for one in shown if newest[one.stored.stage, one.stored.part] == one.index]
    latest.sort(key=lambda one: (one.stored.stage != "before", one.stored.part))
    heard = {one.stored.stage for one in latest if one.sound}
    return ShownKind(
        kind=kind,
        latest=tuple(latest),
        older=tuple(one for one in reversed(shown) if one not in latest),
        fields=list_fields(kind.options),
        source_fields=list_source_fields(kind),
        headerless=list_headerless(kind),
        regions=list_regions_of(kind),
        scene=load_scene(kind.name) if kind.measure is not None else None,
        can_listen=kind.name == listening.KIND and heard >= set(STAGES),
    )
