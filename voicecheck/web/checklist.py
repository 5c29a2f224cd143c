"""The check list of a job: what was measured fills itself in, the rest is ticked by hand."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from voicecheck.errors import InputError
from voicecheck.records import CheckStep, JackConversion, Job
from voicecheck.web.forms import Sent, parse_number, with_form
from voicecheck.web.pages import Pages
from voicecheck.web.render import go_to
from voicecheck.workflow.books import open_book
from voicecheck.workflow.checks.checklist import (
    Entry,
    Sheet,
    get_template,
    load_list,
    load_sheet,
    update_list,
)

if TYPE_CHECKING:
    from voicecheck.jobbook import JobBook

LISTS = (".csv", ".txt")
SAYINGS = ("", "done", "not tested")
STATE_MARKS = {"measured": "◆", "done": "✓", "not tested": "–", "open": "○"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """
    What stands in the fields of the form.

    Parameters
    ----------
    steps : dict of int to (str, str)
        Of each step what is said ("", "done", "not tested") and in which words.
    variant, final, fitted, removed, kept : str
    """

    steps: dict[int, tuple[str, str]]
    variant: str
    final: str
    fitted: str
    removed: str
    kept: str


class ListPages(Pages):
    """Shows and keeps the check list."""

    def list_routes(self) -> list[Route]:
        """See `Pages`."""
        return [
            Route("/jobs/{job}/list", self.show),
            Route("/jobs/{job}/list", with_form(self.keep), methods=["POST"]),
            Route("/jobs/{job}/list/template.csv", self.show_template),
        ]

    def show(self, request: Request) -> Response:
        """The list as it stands."""
        number = parse_number(request.path_params["job"])
        with open_book(self._where) as book:
            job, sheet = book.load_job(number), load_sheet(book, number)
        return self._show(job, sheet, _recall(sheet))

    def keep(self, request: Request, sent: Sent) -> Response:
        """Keep what was said; where something is refused, the form comes back as it was typed."""
        number = parse_number(request.path_params["job"])
        with open_book(self._where) as book:
            job, sheet = book.load_job(number), load_sheet(book, number)
            typed = _read_typed(sheet, sent)
            try:
                _check_kept(sheet, sent)
                _update(book, number, sheet.entry, typed, sent)
            except InputError as error:
                return self._show(job, sheet, typed, refused=str(error))
        return go_to(f"/jobs/{number}/list")

    def show_template(self, request: Request) -> Response:
        """The list in use as a file to be edited."""
        number = parse_number(request.path_params["job"])
        with open_book(self._where) as book:
            text = get_template(load_sheet(book, number).entry)
        return Response(
            text,
            media_type="text/csv",
            headers={
                "content-disposition": 'attachment; filename="check-list.csv"',
                "content-security-policy": "sandbox",
            },
        )

    def _show(self, job: Job, sheet: Sheet, typed: Typed, refused: str = "") -> Response:
        states = [step.state for step in sheet.checked.steps]
        return self._renderer.show(
            "list.html",
            status=400 if refused else 200,
            refused=refused,
            job=job,
            sheet=sheet,
            typed=typed,
            phases=_group(sheet.checked.steps),
            counts={state: states.count(state) for state in STATE_MARKS},
            state_marks=STATE_MARKS,
        )


def _recall(sheet: Sheet) -> Typed:
    """What was said so far."""
    entry = sheet.entry
    steps = {step.step: ("", "") for step in sheet.checked.steps}
    steps |= {number: ("done", words) for number, words in entry.done.items()}
    steps |= {number: ("not tested", words) for number, words in entry.skipped.items()}
    jack = entry.jack or JackConversion()
    return Typed(
        steps=steps,
        variant=entry.variant,
        final=sheet.checked.final,
        fitted=jack.fitted,
        removed=jack.removed,
        kept=jack.kept,
    )


def _read_typed(sheet: Sheet, sent: Sent) -> Typed:
    """
    What the form holds; a field that was not sent is as it was.

    A box without a tick sends nothing, so that the form names the steps that it showed: of these,
    words without a tick say why a step is not tested.
    """
    was = _recall(sheet)
    shown = {one for one in sent.data.getlist("shown") if isinstance(one, str)}
    steps = {}
    for number, (say, words) in was.steps.items():
        new_words = sent.text(f"words-{number}", words).strip()
        unticked = "not tested" if new_words else ""
        is_shown = str(number) in shown
        steps[number] = (sent.text(f"say-{number}", unticked if is_shown else say), new_words)
    return Typed(
        steps=steps,
        variant=sent.text("variant", was.variant),
        final=sent.text("final", was.final),
        fitted=sent.text("fitted", was.fitted).strip(),
        removed=sent.text("removed", was.removed).strip(),
        kept=sent.text("kept", was.kept).strip(),
    )


def _check_kept(sheet: Sheet, sent: Sent) -> None:
    if sent.whole("n_kept", sheet.n_kept) != sheet.n_kept:
        raise InputError(
            "check list: it was changed elsewhere since this page was opened; look at what it says "
            "now, and keep again"
        )


def _update(book: JobBook, job: int, entry: Entry, typed: Typed, sent: Sent) -> None:
    done, skipped, reopened = {}, {}, []
    said = {**entry.done, **entry.skipped}
    for number, (say, words) in typed.steps.items():
        if say not in SAYINGS:
            raise InputError(f"step {number}: need done, not tested or nothing, got {say[:40]!r}")
        if say == "done":
            done[number] = words
        elif say == "not tested":
            skipped[number] = words
        elif words and words != said.get(number):
            raise InputError(
                f"step {number}: something was written, but it is neither done nor not tested; "
                "say which, or take the words out"
            )
        elif number in said:
            reopened.append(number)
    update_list(
        book,
        job,
        variant=typed.variant,
        done=done,
        skipped=skipped,
        reopened=tuple(reopened),
        jack=JackConversion(fitted=typed.fitted, removed=typed.removed, kept=typed.kept),
        final=typed.final,
        template=_read_template(sent),
    )


def _read_template(sent: Sent) -> str | None:
    """Text of a list of the user's own, "" for the product's again, `None` for no change."""
    with tempfile.TemporaryDirectory() as folder:
        files = sent.save_uploads("template", Path(folder), LISTS)
        if files:
            return load_list(files[0])
    return "" if sent.has("own_again") else None


def _group(steps: tuple[CheckStep, ...]) -> list[tuple[str, list[CheckStep]]]:
    """Steps by phase, in their order."""
    phases: list[tuple[str, list[CheckStep]]] = []
    for step in steps:
        if not phases or phases[-1][0] != step.phase:
            phases.append((step.phase, []))
        phases[-1][1].append(step)
    return phases
