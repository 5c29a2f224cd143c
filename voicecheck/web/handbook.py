"""The handbook, under Help."""

from __future__ import annotations

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from voicecheck.handbook import CONTENTS, load_topic, read_drawing, render_topic
from voicecheck.web.pages import Pages

DRAWING_POLICY = "default-src 'none'; style-src 'unsafe-inline'; sandbox"


class HelpPages(Pages):
    """Answers what concerns the handbook."""

    def list_routes(self) -> list[Route]:
        """See `Pages`."""
        return [
            Route("/help", self.show),
            Route("/help/{drawing:str}.svg", self.show_drawing),
            Route("/help/{topic}", self.show),
        ]

    def show(self, request: Request) -> Response:
        """One page of it, or its contents."""
        name = request.path_params.get("topic", CONTENTS)
        topic = load_topic(name)
        return self._renderer.show(
            "help.html", topic=topic, text=Markup(render_topic(name)), is_first=name == CONTENTS
        )

    def show_drawing(self, request: Request) -> Response:
        """A drawing of wires."""
        return Response(
            read_drawing(f"{request.path_params['drawing']}.svg"),
            media_type="image/svg+xml",
            headers={"content-security-policy": DRAWING_POLICY},
        )
