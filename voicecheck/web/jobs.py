"""Jobs: the list with search, and one job with what was found and done."""

from __future__ import annotations

import tempfile
from pathlib import Path
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from voicecheck.errors import InputError
from voicecheck.records.fields import list_fields
from voicecheck.records.jobwords import JOB_WORDS, JobWords
from voicecheck.records.terms import JobStage, words_of
from voicecheck.web.checks import choose_channel, find_check_setup, sort_checks
from voicecheck.web.forms import ATTACHED, Sent, parse_number, with_form
from voicecheck.web.jobview import choose_mark, list_log, make_panel
from voicecheck.web.pages import Pages
from voicecheck.web.render import go_to
from voicecheck.web.work import list_photographs
from voicecheck.workflow.benches.choosing import list_simulated
from voicecheck.workflow.benches.store import list_benches
from voicecheck.workflow.books import attach_file, backup_today, open_book
from voicecheck.workflow.checks.checklist import NAME, load_sheet
from voicecheck.workflow.checks.kinds import list_kinds
from voicecheck.workflow.checks.run import list_checks, name_document
from voicecheck.workflow.papers.answers import keep_cause
from voicecheck.workflow.papers.comparing import compare, describe_masks
from voicecheck.workflow.papers.judging import judge_stage
from voicecheck.workflow.papers.pagecurves import collect_curves
from voicecheck.workflow.papers.reporting import make_report_file
from voicecheck.workflow.sets import list_earlier
from voicecheck.workflow.standing import list_standings, set_standing
from voicecheck.workflow.takes import list_takes, read_sound
from voicecheck.workflow.trials import load_trials, name_trial_file
from voicecheck.workflow.undoing import find_undo, undo
from voicecheck.workflow.work import list_entries

MOST_LINE = 200
PER_PAGE = 50
REPORT_POLICY = (
    "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:; "
    "media-src data:"
)
REPORT_FILES = {
    "report.html": "text/html",
    "report.pdf": "application/pdf",
    "chart.png": "image/png",
    "chart.svg": "image/svg+xml",
    "findings.csv": "text/csv",
    "response.csv": "text/csv",
    "report.json": "application/json",
}
DOCUMENTS = {name_document(kind.name): f"{kind.name} checked" for kind in list_kinds()} | {
    NAME: "check list kept",
    **{name_trial_file(name): f"trial done: {name}" for name in load_trials()},
}
"""Files that the program itself keeps with a job, and what their coming means."""
STATES = ("", "open", "closed")
STAGES_OF_JOB = words_of(JobStage)

JOB_STAGES: dict[str, JobStage] = {"done": "after", "not done": "before"}
"""What is sent of the work to the stage that the job is at then."""


class JobPages(Pages):
    """Answers what concerns a job but its sweeps and checks."""

    def list_routes(self) -> list[Route]:
        """See `Pages`."""
        return [
            Route("/", self.list_jobs),
            Route("/jobs", with_form(self.open_job), methods=["POST"]),
            Route("/jobs/{job}", self.show_job),
            Route("/jobs/{job}/curves", self.show_curves),
            Route("/jobs/{job}/report/{file}", self.show_report),
            Route("/jobs/{job}/files/{sha256}/{name}", self.show_file),
            Route("/jobs/{job}/note", with_form(self.add_note), methods=["POST"]),
            Route("/jobs/{job}/cause", with_form(self.keep_cause), methods=["POST"]),
            Route("/jobs/{job}/takes/{key}", with_form(self.change_take), methods=["POST"]),
            Route("/jobs/{job}/takes/{key}/{seat}.flac", self.hear),
            Route("/jobs/{job}/undo", with_form(self.undo), methods=["POST"]),
            Route("/jobs/{job}/edit", with_form(self.edit), methods=["POST"]),
            Route("/jobs/{job}/state", with_form(self.change_state), methods=["POST"]),
            Route("/jobs/{job}/attach", with_form(self.attach), methods=["POST"]),
            Route("/jobs/{job}/compare", with_form(self.compare), methods=["POST"]),
        ]

    def list_jobs(self, request: Request) -> Response:
        """Jobs, the newest first, fifty at a time."""
        search = request.query_params.get("search", "").replace("\0", "")[:200]
        state = request.query_params.get("state", "")
        state = state if state in STATES else ""
        page = parse_number(request.query_params.get("page", "0"), most=10**7)
        wanted = {"search": search or None, "state": state or None}
        with open_book(self._where) as book:
            jobs = book.list_jobs(limit=PER_PAGE, offset=page * PER_PAGE, **wanted)
            n_jobs = book.count_jobs(**wanted)
            types = book.list_types()
            standings = list_standings(book, jobs)

        def find_address(number: int) -> str:
            return "/?" + urlencode({"search": search, "state": state, "page": number})

        return self._renderer.show(
            "jobs.html",
            jobs=jobs,
            standings=standings,
            n_jobs=n_jobs,
            types=types,
            words=list_fields(JobWords),
            search=search,
            state=state,
            first=page * PER_PAGE + 1,
            newer=find_address(page - 1) if page else "",
            older=find_address(page + 1) if (page + 1) * PER_PAGE < n_jobs else "",
        )

    def open_job(self, _: Request, sent: Sent) -> Response:
        """Open a job."""
        with open_book(self._where) as book:
            words = {name: sent.text(name) for name in JOB_WORDS}
            of_set = parse_number(sent.text("set")) if sent.text("set") else None
            job = book.open_job(sent.text("label"), sent.text("type"), of_set=of_set, **words)
            backup_today(book)
        return go_to(f"/jobs/{job.job}")

    def show_job(self, request: Request) -> Response:
        """One job: its strip, the next step, the panel of one mark, the work log."""
        number = _find_number(request)
        with open_book(self._where) as book:
            job = book.load_job(number)
            set_type, standing = book.load_type(job.type_name), set_standing(book, number)
            mark = choose_mark(standing, request.query_params.get("mark", ""))
            checks, sheet = list_checks(book, number), load_sheet(book, number)
            kinds = [sort_checks(job, kind, checks, sheet) for kind in list_kinds()]
            takes = list_takes(book, number)
            line = request.query_params.get("line", "")[:MOST_LINE]
            panel = make_panel(book, job, mark, takes, line)
            setups = [file.setup for file in list_benches(book)]
            runs = book.list_runs(job=number, recordings=False)
            handsets, faults = list_simulated()
            return self._renderer.show(
                "job.html",
                job=job,
                standing=standing,
                panel=panel,
                shown=next((one for one in kinds if one.kind.name == panel.kind), None),
                kinds=kinds,
                benches=setups,
                setup=find_check_setup(setups),
                choose_channel=choose_channel,
                beside=_find_beside(request),
                stage=request.query_params.get("stage", "")[:200] or standing.stage,
                words=list_fields(JobWords),
                set_type=set_type,
                types=book.list_types(),
                stages=list(dict.fromkeys(run.stage for run in runs)),
                undo=find_undo(book, number, takes),
                lines=list_log(job, book.list_events(number), DOCUMENTS),
                handsets=handsets,
                faults=faults,
                masks=describe_masks(),
                kinds_taken=",".join(ATTACHED),
                earlier=list_earlier(book, job),
                entries=list_entries(job, set_type),
                photographs=list_photographs(job),
            )

    def show_curves(self, request: Request) -> Response:
        """What the chart draws."""
        with open_book(self._where) as book:
            number, beside = _find_number(request), _find_beside(request)
            return JSONResponse(collect_curves(book, number, beside=beside))

    def show_report(self, request: Request) -> Response:
        """One file of the report; the page itself under a policy of its own."""
        name = request.path_params["file"]
        if name not in REPORT_FILES:
            raise InputError("report: there is no such file")
        number = _find_number(request)
        with open_book(self._where) as book:
            content = make_report_file(book, number, name)
        if name == "report.html":
            return HTMLResponse(content, headers={"content-security-policy": REPORT_POLICY})
        kept_as = f'attachment; filename="job-{number}-{name}"'
        return Response(
            content,
            media_type=REPORT_FILES[name],
            headers={"content-disposition": kept_as, "content-security-policy": "sandbox"},
        )

    def show_file(self, request: Request) -> Response:
        """A file kept with the job, to be saved: what came from outside is never shown as ours."""
        sha256, name = request.path_params["sha256"], request.path_params["name"]
        with open_book(self._where) as book:
            kept = book.load_job(_find_number(request)).attachments
            if not any((one.sha256, one.name) == (sha256, name) for one in kept):
                raise InputError("this job has no such file")
            path = book.locate_attachment(sha256)
        return FileResponse(
            path,
            filename=name,
            media_type="application/octet-stream",
            headers={"content-security-policy": "sandbox"},
        )

    def add_note(self, request: Request, sent: Sent) -> Response:
        """Keep a note."""
        number, text = _find_number(request), sent.text("text")
        with open_book(self._where) as book:
            book.add_note(number, text)
        return go_to(f"/jobs/{number}#log")

    def change_take(self, request: Request, sent: Sent) -> Response:
        """Move a run or a check to another stage, put it aside, or bring it back."""
        number, key = _find_number(request), request.path_params["key"]
        act, reason = sent.text("act"), sent.text("reason")
        with open_book(self._where) as book:
            if act == "aside":
                book.put_aside(number, key, reason)
            elif act == "back":
                book.bring_back(number, key, reason)
            else:
                book.move(number, key, act, reason)
            for stage in STAGES_OF_JOB:
                judge_stage(book, number, stage)
        return go_to(f"/jobs/{number}#panel")

    def keep_cause(self, request: Request, sent: Sent) -> Response:
        """Keep what was wrong in the end."""
        number = _find_number(request)
        with open_book(self._where) as book:
            keep_cause(book, number, sent.text("cause"))
        return go_to(f"/jobs/{number}#log")

    def hear(self, request: Request) -> Response:
        """The recording of one seat."""
        seat = parse_number(request.path_params["seat"])
        with open_book(self._where) as book:
            sound = read_sound(book, _find_number(request), request.path_params["key"], seat)
        return Response(sound, media_type="audio/flac")

    def undo(self, request: Request, _: Sent) -> Response:
        """Take the last thing back."""
        number = _find_number(request)
        with open_book(self._where) as book:
            undo(book, number)
            for stage in STAGES_OF_JOB:
                judge_stage(book, number, stage)
        return go_to(f"/jobs/{number}")

    def edit(self, request: Request, sent: Sent) -> Response:
        """Change label, type or what is written about the job."""
        number = _find_number(request)
        with open_book(self._where) as book:
            job = book.load_job(number)
            was = {name: getattr(job, name) for name in ("label", "type_name", *JOB_WORDS)}
            now = {name: sent.text(name, value) for name, value in was.items()}
            changes = {name: value for name, value in now.items() if value != was[name]}
            if changes:
                book.edit_job(number, **changes)
        return go_to(f"/jobs/{number}")

    def change_state(self, request: Request, sent: Sent) -> Response:
        """Close the job or open it again; say that the work is done or that it is not."""
        number, state = _find_number(request), sent.text("state")
        with open_book(self._where) as book:
            if state in JOB_STAGES:
                book.set_stage(number, JOB_STAGES[state])
            elif state == "closed":
                book.close_job(number)
            else:
                book.reopen_job(number)
            backup_today(book)
        return go_to(f"/jobs/{number}")

    def attach(self, request: Request, sent: Sent) -> Response:
        """Keep files with the job."""
        number = _find_number(request)
        with tempfile.TemporaryDirectory() as folder, open_book(self._where) as book:
            book.load_job(number)
            files = sent.save_uploads("files", Path(folder), ATTACHED)
            if not files:
                raise InputError("file: choose one first")
            for file in files:
                attach_file(book, number, file)
        return go_to(f"/jobs/{number}#log")

    def compare(self, request: Request, sent: Sent) -> Response:
        """Hold a stage against a reference."""
        number = _find_number(request)
        against = sent.text("against", "before")
        # A mask may be a file of the user's on the command line; a browser names none.
        if against.startswith("mask:") and against[5:] not in describe_masks():
            raise InputError(f"against: there is no mask {against[5:][:60]!r}")
        with open_book(self._where) as book:
            compare(book, number, stage=sent.text("stage") or None, against=against)
        return go_to(f"/jobs/{number}#panel")


def _find_number(request: Request) -> int:
    return parse_number(request.path_params["job"])


def _find_beside(request: Request) -> int | None:
    """Number of another job whose curves are wanted beside."""
    text = request.query_params.get("beside", "")
    return parse_number(text) if text else None
