"""The panel of the work under way, on every page."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from voicecheck.web.forms import Sent, with_form
from voicecheck.web.pages import Pages
from voicecheck.web.render import go_to


class WorkPages(Pages):
    """Shows how the work stands, stops it, and lets it go on."""

    def list_routes(self) -> list[Route]:
        """See `Pages`."""
        return [
            Route("/desk", self.show),
            Route("/desk/stop", with_form(self.stop), methods=["POST"]),
            Route("/desk/away", with_form(self.put_away), methods=["POST"]),
            Route("/desk/go", with_form(self.go_on), methods=["POST"]),
        ]

    def show(self, _: Request) -> Response:
        """The panel alone."""
        return self._renderer.show("work.html")

    def stop(self, request: Request, _: Sent) -> Response:
        """Stop the work; from any page, since a stop must never be far away."""
        self._desk.stop()
        return self._answer(request)

    def put_away(self, request: Request, _: Sent) -> Response:
        """Take what ended off the page."""
        address = self._desk.status.address
        self._desk.put_away()
        return self._answer(request, address)

    def go_on(self, request: Request, sent: Sent) -> Response:
        """What was asked is done; what was typed goes with it."""
        answer = {name: sent.text(name).strip() for name in sent.data}
        self._desk.go_on(answer, number=sent.whole("prompt", 0))
        return self._answer(request)

    def _answer(self, request: Request, address: str = "") -> Response:
        if request.headers.get("hx-request") == "true":
            return Response(status_code=204)
        return go_to(address or self._desk.status.address)
