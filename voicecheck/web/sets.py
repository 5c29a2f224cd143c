"""Sets: the list with search, and one over the years."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from voicecheck.records.fields import list_fields
from voicecheck.records.sets import SET_WORDS, SetWords
from voicecheck.web.forms import Sent, parse_number, with_form
from voicecheck.web.pages import Pages
from voicecheck.web.render import go_to
from voicecheck.workflow.books import open_book
from voicecheck.workflow.sets import (
    list_levels,
    load_history,
    make_label,
    render_drift,
    say_drift,
)
from voicecheck.workflow.tallies import tally
from voicecheck.workflow.wording import tell_tallies

PER_PAGE = 100
SVG = {"content-security-policy": "default-src 'none'; style-src 'unsafe-inline'"}


class SetPages(Pages):
    """Answers what concerns a set."""

    def list_routes(self) -> list[Route]:
        """See `Pages`."""
        return [
            Route("/sets", self.list_sets),
            Route("/sets/{set}", self.show_set),
            Route("/sets/{set}/years.svg", self.show_years),
            Route("/sets/{set}/edit", with_form(self.edit), methods=["POST"]),
            Route("/statistics", self.show_statistics),
            Route("/jobs/{job}/set", with_form(self.give_set), methods=["POST"]),
            Route("/jobs/{job}/label.svg", self.show_label),
        ]

    def list_sets(self, request: Request) -> Response:
        """Sets, the newest first."""
        search = request.query_params.get("search", "").replace("\0", "")[:200]
        with open_book(self._where) as book:
            found = book.list_sets(search=search or None, limit=PER_PAGE)
        return self._renderer.show("sets.html", sets=found, search=search, most=PER_PAGE)

    def show_set(self, request: Request) -> Response:
        """One set: its jobs, its words, its level over the years."""
        number = _find_number(request)
        with open_book(self._where) as book:
            history = load_history(book, number)
            levels = list_levels(book, number)
            drift = say_drift(levels)
            return self._renderer.show(
                "set.html",
                history=history,
                one=history.telephone,
                is_drawn=bool(drift),
                drift=drift,
                simulated=any(point.is_simulated for point in levels),
                words=list_fields(SetWords),
                types=book.list_types(),
                last=book.load_job(history.stays[-1].job) if history.stays else None,
            )

    def show_years(self, request: Request) -> Response:
        """The picture of the years."""
        with open_book(self._where) as book:
            picture = render_drift(book, _find_number(request), "svg")
        return Response(picture, media_type="image/svg+xml", headers=SVG)

    def show_statistics(self, _: Request) -> Response:
        """What the book says as a whole."""
        with open_book(self._where) as book:
            found = tally(book)
        return self._renderer.show(
            "statistics.html", parts=tell_tallies(found), simulated=found.simulated
        )

    def edit(self, request: Request, sent: Sent) -> Response:
        """Change what a set is known by."""
        number = _find_number(request)
        with open_book(self._where) as book:
            known = book.load_set(number)
            words = {name: sent.text(name, getattr(known, name)) for name in SET_WORDS}
            label, type_name = sent.text("label", known.label), sent.text("type", known.type_name)
            book.edit_set(number, label=label, type_name=type_name, **words)
        return go_to(f"/sets/{number}")

    def give_set(self, request: Request, _: Sent) -> Response:
        """Let a job from before sets were kept have one."""
        with open_book(self._where) as book:
            one = book.give_set(parse_number(request.path_params["job"]))
        return go_to(f"/sets/{one.set}")

    def show_label(self, request: Request) -> Response:
        """The label of the set's box."""
        with open_book(self._where) as book:
            label = make_label(book, parse_number(request.path_params["job"]))
        return Response(label, media_type="image/svg+xml", headers=SVG)


def _find_number(request: Request) -> int:
    return parse_number(request.path_params["set"])
