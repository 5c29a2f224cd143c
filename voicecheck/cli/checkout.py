"""The checks beside the sweep: one command each, made from what the check says of itself."""

from __future__ import annotations

import inspect
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from voicecheck.cli.common import (
    AllNumbers,
    Book,
    Force,
    Json,
    Quiet,
    open_door,
    show_progress,
    tell,
    write_json,
    write_text,
)
from voicecheck.cli.fields import MadeCommand, make_option, make_parameter, read_fields
from voicecheck.cli.lines import LINE, add_line_group
from voicecheck.cli.screen import write_over
from voicecheck.records.fields import list_fields
from voicecheck.workflow.checks.kinds import CheckKind, has_picture, list_kinds
from voicecheck.workflow.checks.source import Source, list_source_fields
from voicecheck.writing import DOOR, Door

if TYPE_CHECKING:
    from voicecheck.records.standing import NextStep

MaybeJob = Annotated[
    int | None, typer.Argument(metavar="JOB", help="Number of the job; none: analyse only.")
]
RecordingFile = Annotated[
    Path | None, typer.Option("--recording", metavar="FILE", help="WAV, FLAC or AIFF file.")
]
Simulated = Annotated[
    str | None,
    typer.Option(
        "--simulated",
        metavar="NAME",
        help='Made scene, as "healthy" or "slow+bouncing"; an unknown name lists them.',
    ),
]
Bench = Annotated[
    str | None, typer.Option("--bench", metavar="NAME", help="Sound device to record from.")
]
Stage = Annotated[
    str,
    typer.Option(help="before or after. Default: before for the first of its kind, then after."),
]
Picture = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Picture of the check: .png, .svg or .pdf.")
]
Play = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE", help="With --bench: play this speech through the receiver, on a coupler."
    ),
]
Listen = Annotated[
    Path | None,
    typer.Option(metavar="OUT.wav", help="Also write before and after, matched in level."),
]


def register(app: typer.Typer) -> None:
    """Add a command for every check to the command line."""
    for kind in list_kinds():
        if kind.name == LINE:
            # Beside its readings it has commands for lines by name.
            add_line_group(app, make_command(kind), kind.about)
        else:
            app.command(kind.name, help=kind.about)(make_command(kind))


def make_command(kind: CheckKind) -> MadeCommand:
    """The command of a check, with the options that the check has."""

    def run(**values: Any) -> None:
        _Call(kind, values).run()

    return MadeCommand(run, lambda: _list_parameters(kind), kind.name)


def _list_parameters(kind: CheckKind) -> list[inspect.Parameter]:
    files: dict[str, Any] = {}
    if kind.measure is not None:
        files = {"recording": RecordingFile, "simulated": Simulated, "bench": Bench}
    outputs: dict[str, Any] = {"picture": Picture} if has_picture(kind) else {}
    if kind.plays == "speech":
        outputs |= {"play": Play, "listen": Listen}
    writes = {"picture", "listen"} & set(outputs)
    asked = list_fields(kind.options)
    return [
        *(make_option(one) for one in asked if one.argument),
        make_parameter("job", MaybeJob, None),
        *(make_parameter(name, annotation, None) for name, annotation in files.items()),
        *(make_option(one) for one in asked if not one.argument),
        *(make_parameter(name, annotation, None) for name, annotation in outputs.items()),
        *([make_parameter("force", Force, False)] if writes else []),
        make_parameter("stage", Stage, ""),
        *map(make_option, list_source_fields(kind)),
        make_parameter("numbers", AllNumbers, False),
        make_parameter("book", Book, None),
        make_parameter("as_json", Json, False),
        make_parameter("quiet", Quiet, False),
    ]


class _Call:
    """One call of a check's command."""

    def __init__(self, kind: CheckKind, values: dict[str, Any]) -> None:
        self.kind, self.values = kind, values
        self.quiet, self.bench = values["quiet"], values.get("bench")
        self.source: Source | None = None

    def run(self) -> None:
        """Take, analyse, keep, show; then write what else was asked for."""
        self._check_files()
        if self._takes():
            # What may hurt is told before anything else is looked at.
            if self.kind.measure is None or (self.kind.guide.is_grave and self.bench is None):
                self._warn()
            options = self.kind.options(**read_fields(list_fields(self.kind.options), self.values))
            self.source = self._name_source(options)
            if self.bench is not None:
                self._warn()
                self._cue()
            check = self._take(options)
            if (picture := self.values.get("picture")) is not None:
                from voicecheck.workflow.papers.pictures import write_picture

                with self._open_door() as door:
                    written = write_picture(self.kind.name, check, picture, door)
                tell(f"Wrote {written}.", quiet=self.quiet)
        self._write_listening_file()

    def _check_files(self) -> None:
        from voicecheck.errors import InputError

        if self.values.get("listen") is not None and self.values["job"] is None:
            raise InputError("--listen: needs a job with speech of both stages")
        if self.values.get("play") is not None and self.bench is None:
            raise InputError("--play: needs --bench NAME, whose output drives the receiver")
        for name in ("picture", "listen"):
            if (path := self.values.get(name)) is not None:
                DOOR.check(path)

    def _open_door(self) -> AbstractContextManager[Door]:
        return open_door(force=self.values["force"], quiet=self.quiet)

    def _takes(self) -> bool:
        """Whether there is anything to be taken, beside a file of what was taken before."""
        sources = (self.values.get(name) for name in ("recording", "simulated", "bench"))
        return self.values.get("listen") is None or any(one is not None for one in sources)

    def _name_source(self, options: Any) -> Source | None:
        if self.kind.measure is None:
            return None
        about = read_fields(list_source_fields(self.kind), self.values)
        is_silent = about.get("no_play") or getattr(options, "clicks", False)
        return Source(
            **about,
            recording=self.values["recording"],
            simulated=self.values["simulated"],
            bench=self.bench,
            tone_hz=options.tone_hz if self.kind.plays == "tone" and not is_silent else None,
            speech=self.values.get("play"),
        )

    def _warn(self) -> None:
        guide, plays = self.kind.guide, self.source is not None and self.source.plays
        if caution := guide.get_caution(plays=plays):
            is_kept_quiet = self.quiet and not (guide.is_grave and self.bench is not None)
            tell(f"Caution: {caution[0].lower()}{caution[1:]}", quiet=is_kept_quiet)

    def _cue(self) -> None:
        if self.kind.guide.cue and self.source is not None and not self.source.plays:
            tell(self.kind.guide.cue, quiet=self.quiet)

    def _take(self, options: Any) -> Any:
        """Take, analyse, keep, show; an unusable recording gives a document with its problem."""
        from contextlib import nullcontext

        from voicecheck.errors import RecordingError
        from voicecheck.workflow.books import open_book
        from voicecheck.workflow.checks.run import describe_failure, run_check
        from voicecheck.workflow.standing import set_standing

        name, job, as_json = self.kind.name, self.values["job"], self.values["as_json"]
        is_real, beat = self.bench is not None, self._make_beat(options)
        step = None
        needs_book = job is not None or (is_real and self.kind.make_programme is not None)
        with open_book(self.values["book"]) if needs_book else nullcontext() as opened:
            quiet = self.quiet or not is_real or beat is not None
            with show_progress(100, name, quiet=quiet) as advance:

                def follow(fraction: float, _level: float | None) -> None:
                    if beat is not None:
                        beat(fraction)
                    advance(to=100 * fraction)

                try:
                    check, document = run_check(
                        name, self.source, options, book=opened, job=job,
                        stage=self.values["stage"], progress=follow,
                        heard=self._make_roll(options) if is_real else None,
                    )  # fmt: skip
                except RecordingError as error:
                    if as_json:
                        write_json(describe_failure(name, error))
                    raise
            if opened is not None and job is not None and not as_json:
                step = set_standing(opened, job).next_step
        if as_json:
            write_json(document)
        else:
            self._show(check, step)
        return check

    def _show(self, check: Any, step: NextStep | None) -> None:
        """In a few lines, or every number of it."""
        from voicecheck.cli.checkout_show import render_check
        from voicecheck.cli.tellshow import render_told
        from voicecheck.workflow.telltakes import tell_check

        simulated = self.source is not None and self.source.simulated is not None
        told = tell_check(self.kind, check, simulated=simulated, next_step=step)
        if self.values["numbers"]:
            write_text("\n".join(filter(None, (told.simulated, render_check(self.kind, check)))))
            return
        write_text(render_told(told, numbers="the same with --numbers"))

    def _make_roll(self, options: Any) -> Callable[[Any], None] | None:
        """Digits roll by while they are dialled, where the sound is looked at as it comes in."""
        from voicecheck.workflow.checks.run import find_number

        if self.kind.read_number is None:
            return None
        shown = ""

        def look(so_far: Any) -> None:
            nonlocal shown
            number = find_number(self.kind.name, so_far, options)
            if number != shown and not self.quiet:
                write_over(sys.stderr, f"  {number} ")
            shown = number

        return look

    def _make_beat(self, options: Any) -> Callable[[float], None] | None:
        """Show each beat as it is due."""
        from voicecheck.workflow.checks.pace import make_metronome

        if self.source is None or self.bench is None:
            return None
        metronome = make_metronome(self.kind, self.source, options)
        if metronome is None:
            return None

        def follow(fraction: float) -> None:
            if (beat := metronome.find_beat(fraction)) is not None:
                tell(f"  {beat}", quiet=self.quiet)

        return follow

    def _write_listening_file(self) -> None:
        if (listen := self.values.get("listen")) is None:
            return
        from voicecheck.workflow.books import open_book
        from voicecheck.workflow.papers.listening import write_listening_file

        with open_book(self.values["book"]) as opened, self._open_door() as door:
            written = write_listening_file(opened, self.values["job"], listen, door)
        tell(
            f"Wrote {written}: before, a second of silence, after, equally loud.", quiet=self.quiet
        )
