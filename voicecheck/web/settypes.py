"""Set types with their baselines; parcels that a club shares."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path

from starlette.background import BackgroundTask
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from voicecheck.errors import InputError
from voicecheck.records import NormalValue, SetType
from voicecheck.records.jobs import TRANSMITTERS
from voicecheck.records.signals import PATHS
from voicecheck.records.terms import check_word
from voicecheck.web.forms import Sent, parse_number, with_form
from voicecheck.web.pages import Pages
from voicecheck.web.remedies import quote_name
from voicecheck.web.render import go_to
from voicecheck.workflow.books import open_book, read_normal_value
from voicecheck.workflow.papers.clubs import list_clubs, make_club, name_club_file, take_club
from voicecheck.workflow.papers.clubsound import is_club_file
from voicecheck.workflow.papers.comparing import build_baselines
from voicecheck.workflow.papers.lookup import REFERENCE, find_baselines, find_own_baselines
from voicecheck.workflow.papers.pagecurves import collect_type_curves
from voicecheck.workflow.settypes import check_typed


class SetTypePages(Pages):
    """Answers what concerns set types, baselines and parcels."""

    def list_routes(self) -> list[Route]:
        """See `Pages`."""
        return [
            Route("/types", self.list_types),
            Route("/types", with_form(self.add), methods=["POST"]),
            Route("/type", self.show),
            Route("/type/edit", with_form(self.edit), methods=["POST"]),
            Route("/type/baseline", with_form(self.build), methods=["POST"]),
            Route("/type/good", with_form(self.open_good), methods=["POST"]),
            Route("/type/curves", self.show_curves),
            Route("/type/baseline.zip", self.export_baseline),
            Route("/type/baseline.json", self.export_club),
            Route("/jobs/{job}/job.zip", self.export_job),
            Route("/import", with_form(self.take_in), methods=["POST"]),
        ]

    def list_types(self, _: Request) -> Response:
        """All set types, each with the paths that have a baseline."""
        with open_book(self._where) as book:
            of_clubs = (one for club in list_clubs(book) for one in club.baselines)
            known = (*of_clubs, *book.list_baselines())
            newest = {(one.type_name, one.path): one for one in known}
            return self._renderer.show(
                "types.html",
                types=book.list_types(),
                baselines=list(newest.values()),
                transmitters=TRANSMITTERS,
            )

    def add(self, _: Request, sent: Sent) -> Response:
        """Add a set type."""
        set_type = read_type(sent, sent.text("name").strip())
        with open_book(self._where) as book:
            book.add_type(set_type)
        return go_to(f"/type?name={quote_name(set_type.name)}")

    def show(self, request: Request) -> Response:
        """One set type: how it is wired, what it should show, its baselines and reference sets."""
        name = _find_name(request)
        with open_book(self._where) as book:
            set_type = book.load_type(name)
            runs = book.list_runs(type_name=name, stage=REFERENCE, recordings=False)
            baselines = find_baselines(book, name)
            named = {one.job for known in baselines.values() for one in known.doubted}
            left_out = {job for known in baselines.values() for job in known.without}
            return self._renderer.show(
                "type.html",
                set_type=set_type,
                normal="\n".join(map(write_normal_value, set_type.normal_values)),
                baselines=baselines,
                own=find_own_baselines(book, name),
                clubs=list_clubs(book, name),
                doubted=sorted((named - {None}) | left_out),
                left_out=left_out,
                references=runs,
                transmitters=TRANSMITTERS,
            )

    def edit(self, request: Request, sent: Sent) -> Response:
        """Change a set type; its name stays, since jobs and parcels go by it."""
        name = _find_name(request)
        with open_book(self._where) as book:
            book.load_type(name)
            book.edit_type(read_type(sent, name))
        return go_to(f"/type?name={quote_name(name)}")

    def build(self, request: Request, sent: Sent) -> Response:
        """Build the baselines anew from the reference runs, without those that are ticked."""
        name = _find_name(request)
        with open_book(self._where) as book:
            runs = book.list_runs(type_name=name, stage=REFERENCE, recordings=False)
            jobs = {run.job for run in runs if run.job is not None}
            without = [job for job in jobs if sent.has(f"without_{job}")]
            build_baselines(book, name, without=without)
        return go_to(f"/type?name={quote_name(name)}#baselines")

    def open_good(self, request: Request, sent: Sent) -> Response:
        """A job for a set that is known to be good, ready to be swept as a reference."""
        with open_book(self._where) as book:
            job = book.open_job(sent.text("label"), _find_name(request))
        return go_to(f"/jobs/{job.job}?stage={REFERENCE}#sweep")

    def show_curves(self, request: Request) -> Response:
        """What the chart of the type draws."""
        with open_book(self._where) as book:
            return JSONResponse(collect_type_curves(book, _find_name(request)))

    def export_baseline(self, request: Request) -> Response:
        """A baseline to share; owners, complaints and notes stay at home."""
        name, path = _find_name(request), request.query_params.get("path", "")
        check_word(path, PATHS, "path")

        def write(file: Path) -> None:
            with open_book(self._where) as book:
                book.export_baseline(name, path, file)

        return _send_parcel(write, f"baseline-{path}.zip")

    def export_club(self, request: Request) -> Response:
        """The type's own baselines of all paths as one small file for others."""
        name = _find_name(request)
        made_by = request.query_params.get("by", "").replace("\0", "")[:200]
        with open_book(self._where) as book:
            content = make_club(book, name, made_by=made_by)
        shown = quote_name(name_club_file(name))
        return Response(
            content,
            media_type="application/json",
            headers={
                "content-disposition": f"attachment; filename*=UTF-8''{shown}",
                "content-security-policy": "sandbox",
            },
        )

    def export_job(self, request: Request) -> Response:
        """A job with its recordings, numbers and files as one file; on wish with its owner."""
        number = parse_number(request.path_params["job"])
        with_owner = request.query_params.get("owner") == "1"

        def write(file: Path) -> None:
            with open_book(self._where) as book:
                book.export_job(number, file, with_owner=with_owner)

        return _send_parcel(write, f"job-{number}.zip")

    def take_in(self, _: Request, sent: Sent) -> Response:
        """Take in parcels and clubs' baselines; nothing that is there is overwritten."""
        with tempfile.TemporaryDirectory() as folder, open_book(self._where) as book:
            files = sent.save_uploads("parcel", Path(folder), (".zip", ".json"))
            if not files:
                raise InputError("parcel: choose a file that was exported before")
            small = [file for file in files if is_club_file(file)]
            clubs = [take_club(book, file) for file in small]
            parcels = [file for file in files if file not in small]
            merged = [one for file in parcels for one in book.import_parcel(file)]
        return self._renderer.show("imported.html", merged=merged, clubs=clubs)


def read_type(sent: Sent, name: str) -> SetType:
    """
    A set type as the form has it.

    Raises
    ------
    InputError
        The feed current is no number, or a normal value does not read.
    """
    feed_ma = sent.number("feed_ma")
    lines = (line.strip() for line in sent.text("normal").splitlines())
    return check_typed(
        SetType(
            name=name,
            transmitter=sent.text("transmitter"),
            feed_ma=40.0 if feed_ma is None else feed_ma,
            region=sent.text("region").strip(),
            notes=sent.text("notes"),
            wiring=sent.text("wiring"),
            normal_values=tuple(read_normal_value(line) for line in lines if line),
        )
    )


def write_normal_value(value: NormalValue) -> str:
    """
    A normal value as it is typed.

    Examples
    --------
    >>> write_normal_value(NormalValue(quantity="loop current", unit="mA", low=20.0))
    'loop current=20..mA'
    """
    low = "" if value.low is None else f"{value.low:g}"
    high = "" if value.high is None else f"{value.high:g}"
    return f"{value.quantity}={low}..{high}{value.unit}"


def _find_name(request: Request) -> str:
    return request.query_params.get("name", "").replace("\0", "")


def _send_parcel(write: Callable[[Path], None], name: str) -> Response:
    folder = tempfile.TemporaryDirectory()
    try:
        file = Path(folder.name) / name
        write(file)
    except BaseException:
        folder.cleanup()
        raise
    return FileResponse(
        file,
        filename=name,
        media_type="application/zip",
        headers={"content-security-policy": "sandbox"},
        background=BackgroundTask(folder.cleanup),
    )
