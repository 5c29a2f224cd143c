"""The page put together: who answers which address."""

from __future__ import annotations

from urllib.parse import urlsplit

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from voicecheck.errors import BenchError, InputError, JobBookError, RecordingError, VoicecheckError
from voicecheck.web.benchpages import BenchPages
from voicecheck.web.checklist import ListPages
from voicecheck.web.checks import CheckPages
from voicecheck.web.desk import Desk
from voicecheck.web.gate import Gate, Keys, refuse_stranger
from voicecheck.web.handbook import HelpPages
from voicecheck.web.jobs import JobPages
from voicecheck.web.journal import Journal
from voicecheck.web.live import Live, LoadingWatch
from voicecheck.web.meter import MeterPages
from voicecheck.web.pages import Pages
from voicecheck.web.render import Renderer, go_to, show_static
from voicecheck.web.sets import SetPages
from voicecheck.web.settypes import SetTypePages
from voicecheck.web.sweeping import SweepPages
from voicecheck.web.trials import TrialPages
from voicecheck.web.work import WorkEntryPages
from voicecheck.web.working import WorkPages
from voicecheck.workflow.books import Where

STATUSES = {InputError: 400, RecordingError: 422, BenchError: 409, JobBookError: 503}
PARTS: tuple[type[Pages], ...] = (
    WorkPages,
    JobPages,
    SweepPages,
    CheckPages,
    TrialPages,
    ListPages,
    SetPages,
    SetTypePages,
    WorkEntryPages,
    BenchPages,
    MeterPages,
    HelpPages,
)


def make_app(where: Where, keys: Keys) -> Starlette:
    """
    The page of a job book.

    Parameters
    ----------
    where : path, address or None
        Of the job book.
    keys : Keys
        What lets a browser in.
    """
    desk = Desk(Journal())
    live = Live(where, desk)
    renderer = Renderer(desk, live)
    parts = [kind(where, renderer, desk) for kind in PARTS]
    app = Starlette(
        routes=[
            Route("/enter", _Door(keys).enter),
            Route("/static/{name:path}", show_static),
            Route("/events", live.stream),
            *(route for part in parts for route in part.list_routes()),
        ],
        middleware=[Middleware(Gate, keys=keys), Middleware(LoadingWatch, desk=desk)],
        exception_handlers={
            kind: _Refusal(renderer).show for kind in (VoicecheckError, HTTPException, Exception)
        },
        lifespan=live.watch,
    )
    app.state.desk = desk
    return app


class _Door:
    """Where the address with the token leads in."""

    def __init__(self, keys: Keys) -> None:
        self._keys = keys

    def enter(self, request: Request) -> Response:
        """Change the token for the cookie, once."""
        if self._keys.is_known(request.headers.get("cookie", "")):
            return go_to("/")
        secret = self._keys.admit(request.query_params.get("token", ""))
        if secret is None:
            return refuse_stranger()
        # A browser that came from a file sends no strict cookie after a redirect, but does from a
        # page of ours that leads on; one that was given the address itself does after both.
        is_given = request.headers.get("sec-fetch-site", "none") == "none"
        answer = go_to("/") if is_given else HTMLResponse(_LEADS_ON)
        answer.set_cookie(self._keys.cookie, secret, httponly=True, samesite="strict")
        return answer


_LEADS_ON = (
    '<!doctype html><html lang="en"><meta charset="utf-8"><title>Bench page</title>'
    '<meta http-equiv="refresh" content="0; url=/"><p><a href="/">To the bench page</a></p></html>'
)


class _Refusal:
    """What is shown where something did not work."""

    def __init__(self, renderer: Renderer) -> None:
        self._renderer = renderer

    def show(self, request: Request, error: Exception) -> Response:
        """One line that says what is wrong, and the way back."""
        if isinstance(error, HTTPException):
            status, line = error.status_code, error.detail
        elif not isinstance(error, VoicecheckError):
            status = 500
            line = f"A fault of the program ({type(error).__name__}); what was recorded is kept"
        else:
            status, line = STATUSES.get(type(error), 400), str(error)
            if status == 400 and request.method in {"GET", "HEAD"}:
                status = 404
        back = find_way_back(request.headers.get("referer", ""), request.headers.get("host", ""))
        return self._renderer.show("refused.html", status=status, line=line, back=back)


def find_way_back(referer: str, host: str) -> str:
    """
    The page that a request came from, if it is one of ours, else the first one.

    Examples
    --------
    >>> find_way_back("http://127.0.0.1:4711/jobs/3?mark=bell", "127.0.0.1:4711")
    '/jobs/3'
    >>> find_way_back("http://127.0.0.1:4711//elsewhere.example/", "127.0.0.1:4711")
    '/'
    """
    try:
        came = urlsplit(referer)
    except ValueError:
        return "/"
    # Two slashes, or one that leans the other way, lead a browser to another host.
    is_ours = came.netloc == host and came.path[:1] == "/" and came.path[1:2] not in {"/", "\\"}
    return came.path if is_ours else "/"
