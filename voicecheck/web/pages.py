"""The pages, each a plain form or list that works without any script."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path
from urllib.parse import parse_qs

from jinja2 import Environment, PackageLoader
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from voicecheck.errors import VoicecheckError
from voicecheck.web.gate import COOKIE, Gate
from voicecheck.web.sweeping import Sweeper
from voicecheck.workflow.benches import list_simulated
from voicecheck.workflow.books import open_book
from voicecheck.workflow.comparing import compare
from voicecheck.workflow.page import make_report_html

PER_PAGE, MOST_BYTES, MOST_NUMBER = 50, 65536, 2**31 - 1
REPORT_POLICY = (
    "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:"
)
Form = dict[str, str]


@cache
def _templates() -> Environment:
    loader = PackageLoader("voicecheck", "data/web")
    return Environment(loader=loader, autoescape=True, trim_blocks=True, lstrip_blocks=True)


def _show(name: str, *, status: int = 200, **values: object) -> Response:
    return HTMLResponse(_templates().get_template(name).render(**values), status)


def _number(text: str, *, most: int = MOST_NUMBER) -> int:
    """A whole number from 0, or 404."""
    if not (text.isascii() and text.isdigit() and len(text) <= 10 and int(text) <= most):
        raise HTTPException(404)
    return int(text)


async def _read_form(request: Request) -> Form:
    """Fields of a form; 413 where it is larger than any honest one."""
    kind = request.headers.get("content-type", "")
    if kind.split(";")[0] != "application/x-www-form-urlencoded":
        raise HTTPException(415)
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > MOST_BYTES:
            raise HTTPException(413)
    try:
        fields = parse_qs(body.decode("utf-8", "replace"), max_num_fields=50)
    except ValueError:
        raise HTTPException(400) from None
    return {name: values[0].replace("\0", "") for name, values in fields.items()}


class Pages:
    """What answers each address of one job book."""

    def __init__(self, book: Path | None) -> None:
        self._book = book
        self.sweeper = Sweeper(book)

    def list_jobs(self, request: Request) -> Response:
        """Jobs, the newest first, fifty at a time."""
        search = request.query_params.get("search", "").replace("\0", "")[:200]
        page = _number(request.query_params.get("page", "0"), most=10**7)
        with open_book(self._book) as book:
            jobs = book.list_jobs(search=search or None, limit=PER_PAGE, offset=page * PER_PAGE)
            n_jobs = book.count_jobs(search=search or None)
            types = book.list_types()
        return _show(
            "jobs.html", jobs=jobs, n_jobs=n_jobs, types=types, search=search, page=page,
            has_next=(page + 1) * PER_PAGE < n_jobs,
        )  # fmt: skip

    def open_job(self, _: Request, form: Form) -> Response:
        """Open a job."""
        with open_book(self._book) as book:
            job = book.open_job(
                form.get("label", ""),
                form.get("type", ""),
                owner=form.get("owner", ""),
                complaint=form.get("complaint", ""),
            )
        return RedirectResponse(f"/jobs/{job.job}", 303)

    def show_job(self, request: Request) -> Response:
        """One job with its time line, runs, findings and hints."""
        number = _number(request.path_params["job"])
        with open_book(self._book) as book:
            return _show(
                "job.html",
                job=book.load_job(number),
                runs=book.list_runs(job=number, recordings=False),
                comparisons=book.list_comparisons(number),
                events=book.list_events(number),
                handsets=list_simulated()[0],
                sweeper=self.sweeper,
            )

    def act(self, request: Request, form: Form) -> Response:
        """Note, compare, sweep or stop, then back to the job."""
        number = _number(request.path_params["job"])
        action = request.path_params["action"]
        with open_book(self._book) as book:
            book.load_job(number)
            if action == "note":
                book.add_note(number, form.get("text", ""))
            elif action == "compare":
                against = form.get("against", "before")
                if against not in {"before", "baseline"}:
                    raise HTTPException(400)
                compare(book, number, stage=form.get("stage") or None, against=against)
            elif action == "sweep":
                self.sweeper.start(
                    number,
                    path=form.get("path", ""),
                    stage=form.get("stage", ""),
                    handset=form.get("handset", ""),
                    n_seats=_number(form.get("seats", ""), most=50),
                )
            elif action == "stop":
                self.sweeper.stop()
            else:
                raise HTTPException(404)
        return RedirectResponse(f"/jobs/{number}", 303)

    def show_report(self, request: Request) -> Response:
        """The one-file report, under a policy of its own."""
        with open_book(self._book) as book:
            text = make_report_html(book, _number(request.path_params["job"]))
        return HTMLResponse(text, headers={"content-security-policy": REPORT_POLICY})


def _with_form(act: Callable[[Request, Form], Response]) -> Callable[[Request], object]:
    async def answer(request: Request) -> Response:
        return await run_in_threadpool(act, request, await _read_form(request))

    return answer


def _show_style(_: Request) -> Response:
    text, _name, _is_fresh = _templates().loader.get_source(_templates(), "page.css")  # type: ignore[union-attr]
    return Response(text, media_type="text/css")


def _refuse(request: Request, error: Exception) -> Response:
    if isinstance(error, HTTPException):
        return _show("refused.html", status=error.status_code, line=error.detail)
    status = 404 if request.method == "GET" else 400
    return _show("refused.html", status=status, line=str(error))


def make_app(book: Path | None, token: str, host: str) -> Starlette:
    """
    The page of a job book.

    Parameters
    ----------
    book : Path or None
    token : str
        What the opened address must hold.
    host : str
        Address and port that requests must name.
    """
    pages = Pages(book)
    gate = Gate(lambda *_: None, token, host)  # type: ignore[arg-type]

    def enter(request: Request) -> Response:
        if not gate.is_token(request.query_params.get("token", "")):
            raise HTTPException(403)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(COOKIE, token, httponly=True, samesite="strict")
        return answer

    app = Starlette(
        routes=[
            Route("/enter", enter),
            Route("/", pages.list_jobs),
            Route("/page.css", _show_style),
            Route("/jobs", _with_form(pages.open_job), methods=["POST"]),
            Route("/jobs/{job}", pages.show_job),
            Route("/jobs/{job}/report", pages.show_report),
            Route("/jobs/{job}/{action}", _with_form(pages.act), methods=["POST"]),
        ],
        middleware=[Middleware(Gate, token=token, host=host)],
        exception_handlers={VoicecheckError: _refuse, HTTPException: _refuse},
    )
    app.state.sweeper = pages.sweeper
    return app
