"""Trials from the page: what each is for, its form, its outcome."""

from __future__ import annotations

import functools
import tempfile
from dataclasses import dataclass
from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from voicecheck.errors import InputError
from voicecheck.records import Job
from voicecheck.records.orders import DeviceSource, SweepOrder
from voicecheck.web.desk import Field, Handle, Prompt
from voicecheck.web.forms import Sent, parse_number, with_form
from voicecheck.web.pages import Pages
from voicecheck.web.render import go_to
from voicecheck.web.sweeping import PageAttendant, check_device, read_source
from voicecheck.workflow.benches.choosing import list_simulated
from voicecheck.workflow.benches.store import list_benches
from voicecheck.workflow.books import Where, open_book
from voicecheck.workflow.checks.run import STAGES
from voicecheck.workflow.papers.judging import judge_stage
from voicecheck.workflow.sweeping.seats import SeatRequest
from voicecheck.workflow.trials import StoredTrial, load_trials, read_trials, run_trial
from voicecheck.workflow.trialwords import say_outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A form that was refused: of which trial, and why."""

    name: str
    title: str
    line: str


class TrialPages(Pages):
    """Answers what concerns trials."""

    def list_routes(self) -> list[Route]:
        """See `Pages`."""
        return [
            Route("/jobs/{job}/trials", self.show),
            Route("/jobs/{job}/trials/{name}", with_form(self.start), methods=["POST"]),
        ]

    def show(self, request: Request) -> Response:
        """Results and forms of all trials."""
        return self._show(parse_number(request.path_params["job"]))

    def _show(self, number: int, refused: Refused | None = None) -> Response:
        with open_book(self._where) as book:
            job = book.load_job(number)
            set_type = book.load_type(job.type_name)
            benches = [file.setup for file in list_benches(book)]
            done = read_trials(book, job)
        handsets, faults = list_simulated()
        return self._renderer.show(
            "trials.html",
            status=400 if refused else 200,
            refused=refused,
            job=job,
            set_type=set_type,
            benches=benches,
            kinds=load_trials(),
            done={name: list_done(done, name) for name in load_trials()},
            stages=STAGES,
            handsets=handsets,
            faults=faults,
            simulated=any(one.is_simulated for one in done),
        )

    def start(self, request: Request, sent: Sent) -> Response:
        """Begin a trial."""
        number, name = parse_number(request.path_params["job"]), request.path_params["name"]
        if name not in load_trials():
            raise HTTPException(404, "There is no such trial.")
        with open_book(self._where) as book:
            job = book.load_job(number)
        folder = tempfile.TemporaryDirectory()
        try:
            order = read_order(job, name, sent, Path(folder.name))
            self._desk.start(
                f"{load_trials()[name].title}, job {number}",
                functools.partial(_try, self._where, name, order, folder),
                tab=sent.text("tab"),
                job=number,
                address=f"/jobs/{number}/trials#{name}",
            )
        except InputError as error:
            folder.cleanup()
            title = load_trials()[name].title
            return self._show(number, Refused(name=name, title=title, line=str(error)))
        except BaseException:
            folder.cleanup()
            raise
        return go_to(f"/jobs/{number}/trials#{name}")


def list_done(done: tuple[StoredTrial, ...], name: str) -> list[StoredTrial]:
    """Trials of one name, the newest first."""
    return [one for one in reversed(done) if one.trial.name == name]


def read_order(job: Job, name: str, sent: Sent, folder: Path) -> SweepOrder:
    """
    What the form asks for.

    Raises
    ------
    InputError
        Something is missing or out of range.
    """
    signal, source = read_source(sent, folder)
    return SweepOrder(
        job=job.job,
        path=load_trials()[name].path,
        stage=sent.text("stage") or job.stage,
        source=source,
        signal=signal,
    )


def _try(
    where: Where,
    name: str,
    order: SweepOrder,
    folder: tempfile.TemporaryDirectory[str],
    handle: Handle,
) -> str:
    """Do a trial; a line that says what follows from it."""
    with folder, open_book(where) as book:
        if isinstance(order.source, DeviceSource):
            check_device(book, order.source)
        trial, _ = run_trial(book, name, order, PageTrial(order, handle))
        handle.tell("Weighing the causes")
        judge_stage(book, order.job, order.stage)
    return f"Done: {say_outcome(trial)}"


class PageTrial(PageAttendant):
    """Somebody at the page who can read a meter."""

    def ask_ma(self, request: SeatRequest) -> float | None:
        """See `TrialAttendant`."""
        if not self.is_asked:
            return None
        wrong = ""
        while True:
            answer = self._handle.ask(
                Prompt(
                    title=request.title,
                    steps=("Read the meter in the loop; leave it empty where there is none.",),
                    button="Start the take",
                    fields=(Field(name="ma", label="Loop current", unit="mA", is_required=False),),
                    wrong=wrong,
                )
            )
            text = answer.get("ma", "").replace(",", ".")
            try:
                return float(text) if text else None
            except ValueError:
                wrong = f"{text[:20]!r} is no number"
