"""Templates and the files that come with them."""

from __future__ import annotations

import mimetypes
import os
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, PackageLoader
from markupsafe import Markup
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from voicecheck.handbook import load_topic
from voicecheck.records import BenchSetup
from voicecheck.records.bounds import Bounds, list_bounds
from voicecheck.records.orders import DeviceSource, FileSource, SimulatedSource, Stated, SweepOrder
from voicecheck.records.terms import MarkKey, MarkState, words_of
from voicecheck.records.times import say_own_day, say_own_time
from voicecheck.web.desk import Status
from voicecheck.web.jobview import find_test
from voicecheck.web.remedies import link_commands, quote_name
from voicecheck.words import name_languages
from voicecheck.workflow.fits import CAUTIONS
from voicecheck.workflow.settypes import list_known_regions
from voicecheck.workflow.sweeping.seats import ENOUGH_DBFS, TOO_MUCH_DBFS
from voicecheck.workflow.trialwords import say_outcome, say_trial
from voicecheck.workflow.wording import (
    say_chance,
    say_found,
    say_mark,
    say_mark_name,
    say_quantity,
    say_source,
    say_stage,
    say_unexplained,
    say_value,
)

if TYPE_CHECKING:
    from voicecheck.web.desk import Desk
    from voicecheck.web.live import Live

STATIC = (
    "page.css",
    "page.js",
    "palette.css",
    "curves.css",
    "curves.js",
    "curvefigure.js",
    "curvelooks.js",
    "curveplot.js",
    "meter.js",
    "checks.js",
    "vendor/htmx.min.js",
    "vendor/uPlot.iife.min.js",
    "vendor/uPlot.min.css",
)

PATH_WORDS = {
    "all": "all: transmit and sidetone at once, then receive",
    "both": "transmit and sidetone at once",
    "transmit": "transmit",
    "receive": "receive",
    "sidetone": "sidetone",
    "loop": "loop, no set",
}
CHECK_WORDS = {
    "dial": "Dial",
    "bell": "Hear the bell",
    "flex": "Cord and hook",
    "line": "Line current",
    "tones": "Line tones",
    "speak": "Speech",
}
"""What is on a button that begins a check; "One name" of the check itself stands on its page."""


@cache
def _templates() -> Environment:
    loader = PackageLoader("voicecheck", "data/web")
    templates = Environment(loader=loader, autoescape=True, trim_blocks=True, lstrip_blocks=True)
    templates.filters["when"] = say_own_time
    templates.filters["day"] = say_own_day
    templates.filters["figure"] = say_value
    templates.filters["chance"] = say_chance
    templates.filters["unexplained"] = say_unexplained
    templates.filters["quantity"] = say_quantity
    templates.filters["source"] = say_source
    templates.filters["address"] = quote_name
    templates.filters["linked"] = link_commands
    templates.filters["outcome"] = say_outcome
    templates.globals["say_trial"] = say_trial
    templates.filters["mark"] = say_mark
    templates.globals["say_found"] = say_found
    templates.filters["mark_name"] = say_mark_name
    templates.filters["stage_name"] = say_stage
    templates.globals["known_regions"] = list_known_regions
    templates.globals["topic_title"] = lambda name: load_topic(name).title
    templates.globals["languages"] = name_languages()
    templates.globals["path_words"] = PATH_WORDS
    templates.globals["check_words"] = CHECK_WORDS
    templates.globals["find_test"] = find_test
    templates.globals["fit_cautions"] = CAUTIONS
    templates.globals["strip_names"] = [say_mark_name(key) for key in words_of(MarkKey)]
    templates.globals["sign_names"] = [(say_mark(one), one) for one in words_of(MarkState)]
    templates.filters["range"] = write_range
    order = (SweepOrder, Stated, FileSource, DeviceSource, SimulatedSource)
    templates.globals["bounds"] = {
        "order": {name: one for kind in order for name, one in list_bounds(kind).items()},
        "bench": list_bounds(BenchSetup),
    }
    templates.globals["enough_dbfs"] = ENOUGH_DBFS
    templates.globals["too_much_dbfs"] = TOO_MUCH_DBFS
    return templates


def write_range(bounds: Bounds) -> Markup:
    """
    What a field may hold, as attributes of a field for numbers.

    Examples
    --------
    >>> write_range(Bounds(name="seats", low=1, high=50, is_whole=True))
    Markup('min="1" max="50"')
    """
    ends = {"min": bounds.low, "max": bounds.high}
    return Markup(" ").join(
        Markup('{}="{:g}"').format(name, end) for name, end in ends.items() if end is not None
    )


class Renderer:
    """
    Makes pages that know of the work under way and of who else is at a bench.

    Parameters
    ----------
    desk : Desk
    live : Live
    """

    def __init__(self, desk: Desk, live: Live) -> None:
        self._desk, self._live = desk, live

    def show(self, name: str, *, status: int = 200, **values: Any) -> Response:
        """A page from its template."""
        work = self._desk.status if self._desk.is_shown else Status()
        busy = [one for one in self._live.busy if one.pid != os.getpid()]
        template = _templates().get_template(name)
        return HTMLResponse(template.render(work=work, busy=busy, **values), status)


def go_to(address: str) -> Response:
    """Send the browser on after a form."""
    return RedirectResponse(address, 303)


def show_static(request: Request) -> Response:
    """A style sheet, a script or a library file, and no other file."""
    name = request.path_params["name"]
    if name not in STATIC:
        raise HTTPException(404, "There is no such page.")
    content = (files("voicecheck") / "data" / "web" / name).read_bytes()
    kind = mimetypes.guess_type(name)[0] or "application/octet-stream"
    # The page is of this version only, and asks again after an update.
    return Response(content, media_type=kind, headers={"cache-control": "no-cache"})
