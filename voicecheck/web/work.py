"""The work on a set, entry by entry; slips, thumbnails, notes corrected."""

from __future__ import annotations

from typing import get_args

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from voicecheck.errors import InputError
from voicecheck.records import Attachment, Job
from voicecheck.records.sets import Work, WorkKind
from voicecheck.records.terms import check_word
from voicecheck.web.forms import Sent, parse_number, with_form
from voicecheck.web.pages import Pages
from voicecheck.web.render import go_to
from voicecheck.workflow.books import open_book
from voicecheck.workflow.papers.enclosures import make_thumbnail
from voicecheck.workflow.papers.slips import make_slip

SLIP_POLICY = "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:"
PICTURES = (".jpg", ".jpeg", ".png")
WITH_VALUE = ("ohms", "time")


class WorkEntryPages(Pages):
    """Answers what is written down about the work on a set."""

    def list_routes(self) -> list[Route]:
        """See `Pages`."""
        return [
            Route("/jobs/{job}/entries", with_form(self.add), methods=["POST"]),
            Route("/jobs/{job}/entries/{entry}/answer", with_form(self.answer), methods=["POST"]),
            Route(
                "/jobs/{job}/entries/{entry}/withdraw", with_form(self.withdraw), methods=["POST"]
            ),
            Route("/jobs/{job}/notes/{place}", with_form(self.correct), methods=["POST"]),
            Route("/jobs/{job}/forget", with_form(self.forget), methods=["POST"]),
            Route("/jobs/{job}/slip/{name}", self.show_slip),
            Route("/jobs/{job}/thumbnails/{sha256}.jpg", self.show_thumbnail),
        ]

    def add(self, request: Request, sent: Sent) -> Response:
        """Keep an entry."""
        number, kind = _find(request, "job"), sent.text("kind")
        check_word(kind, get_args(WorkKind), "kind")
        work = Work(
            kind=kind,  # type: ignore[arg-type]  # checked just above
            what=sent.text("what"),
            old_value=sent.text("old"),
            new_value=sent.text("new"),
            value=sent.number("value") if kind in WITH_VALUE else None,
        )
        with open_book(self._where) as book:
            book.add_work(number, work)
        return go_to(f"/jobs/{number}#work-done")

    def answer(self, request: Request, sent: Sent) -> Response:
        """Say what was done about a hazard."""
        number = _find(request, "job")
        with open_book(self._where) as book:
            book.answer_hazard(number, _find(request, "entry"), sent.text("answer"))
        return go_to(f"/jobs/{number}")

    def withdraw(self, request: Request, sent: Sent) -> Response:
        """Let an entry no longer count."""
        number = _find(request, "job")
        with open_book(self._where) as book:
            book.withdraw_work(number, _find(request, "entry"), sent.text("reason"))
        return go_to(f"/jobs/{number}#work-done")

    def correct(self, request: Request, sent: Sent) -> Response:
        """Write a note anew."""
        number = _find(request, "job")
        with open_book(self._where) as book:
            book.correct_note(number, _find(request, "place"), sent.text("text"))
        return go_to(f"/jobs/{number}#log")

    def forget(self, request: Request, sent: Sent) -> Response:
        """Forget the owner, in the book and in its dated backups."""
        number = _find(request, "job")
        if not sent.text("sure"):
            raise InputError("forget: tick that you are sure; it cannot be undone")
        with open_book(self._where) as book:
            book.forget_everywhere(number)
        return go_to(f"/jobs/{number}")

    def show_slip(self, request: Request) -> Response:
        """A slip as a page or as PDF."""
        kind, _, ending = request.path_params["name"].partition(".")
        if ending not in ("html", "pdf"):
            raise InputError("slip: there is no such file")
        number, paper = _find(request, "job"), request.query_params.get("paper", "")
        with open_book(self._where) as book:
            slip = make_slip(book, number, kind, pdf=ending == "pdf", paper=paper)
        if ending == "html":
            return HTMLResponse(slip, headers={"content-security-policy": SLIP_POLICY})
        kept_as = f'attachment; filename="job-{number}-{kind}.pdf"'
        return Response(
            slip, media_type="application/pdf", headers={"content-disposition": kept_as}
        )

    def show_thumbnail(self, request: Request) -> Response:
        """A photograph, small."""
        with open_book(self._where) as book:
            small = make_thumbnail(book, _find(request, "job"), request.path_params["sha256"])
        return Response(small, media_type="image/jpeg")


def list_photographs(job: Job) -> list[Attachment]:
    """Files of a job that are named as photographs."""
    return [file for file in job.attachments if file.name.lower().endswith(PICTURES)]


def _find(request: Request, name: str) -> int:
    return parse_number(request.path_params[name])
