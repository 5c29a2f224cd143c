"""`protocol`: two evenings that show what a bench and this program are worth together."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from voicecheck.cli.common import (
    Book,
    Force,
    JobNumber,
    Json,
    Quiet,
    open_door,
    show_progress,
    tell,
    write_json,
    write_text,
)
from voicecheck.cli.guidance import TerminalAttendant, wrap
from voicecheck.cli.keys import is_terminal
from voicecheck.errors import InputError

if TYPE_CHECKING:
    from voicecheck.records import Protocol, ProtocolAgain, ProtocolFinding
    from voicecheck.verdicts.protocol.steps import StepReading

EnvelopeFile = Annotated[Path, typer.Argument(metavar="ENVELOPE.json", help="The friend's file.")]


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    protocol = typer.Typer(
        help="Two evenings that show what a bench and this program are worth together.",
        rich_markup_mode=None,
        no_args_is_help=True,
    )
    protocol.command("start")(start)
    protocol.command("next")(next_part)
    protocol.command("show")(show)
    protocol.command("hide")(hide)
    protocol.command("open")(open_file)
    protocol.command("bundle")(bundle_job)
    protocol.command("again")(again)
    app.add_typer(protocol, name="protocol")


def start(
    type_name: Annotated[
        str, typer.Option("--type", metavar="NAME", help="Set type of the handset you will use.")
    ],
    label: Annotated[str, typer.Option(help="Of the job. Default: says what it is.")] = "",
    book: Book = None,
    as_json: Json = False,
) -> None:
    """Open the job that both evenings are kept with."""
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.protocol.kept import load_protocol, start_protocol

    with open_book(book) as opened:
        job = start_protocol(opened, type_name, label).job
        found = load_protocol(opened, job)
    if as_json:
        from voicecheck.records import to_document

        write_json(to_document(found))
        return
    write_text(
        f"Job {job} keeps both evenings.\n"
        "Read first: voicecheck help protocol\n"
        f"Then: voicecheck protocol next {job} --bench NAME"
    )


def next_part(
    job: JobNumber,
    part: Annotated[
        str | None, typer.Option(help="Do this part, as 'seats 2A'. Default: the next one.")
    ] = None,
    bench: Annotated[
        str | None, typer.Option(metavar="NAME", help="Bench that was set up.")
    ] = None,
    simulated: Annotated[
        str | None, typer.Option(metavar="HANDSET", help="Simulated, as electret.")
    ] = None,
    seed: Annotated[int, typer.Option(help="Which individual of the simulated kind.")] = 1,
    read: Annotated[
        list[str] | None,
        typer.Option("--read", metavar="NAME=NUMBER", help="What a meter showed; repeat."),
    ] = None,
    takes: Annotated[
        int | None, typer.Option(min=1, max=50, help="Fewer or more takes than planned.")
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not wait for a key.")] = False,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Do the next part: what to wire, what to type, then it records and keeps it."""
    from voicecheck.cli.measuring import read_source
    from voicecheck.cli.takeview import TakeView
    from voicecheck.records import to_document
    from voicecheck.records.orders import FileSource
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.protocol.kept import judge_kept
    from voicecheck.workflow.protocol.taking import (
        PartOrder,
        find_next,
        get_caution,
        take_part,
    )

    source = read_source(
        files=(), simulated=simulated, seed=seed, bench=bench, channels=(1, None), take=None
    )
    if isinstance(source, FileSource):
        raise InputError("protocol: name --bench NAME or --simulated HANDSET")
    typed, is_made = read_typed(read or ()), bench is None and quiet
    is_asked = bench is not None and not yes and is_terminal()
    with open_book(book) as opened, TakeView(quiet=quiet) as view:
        name = part or find_next(opened, job)
        if not name:
            write_text(f"All parts of job {job} are done: voicecheck protocol show {job}")
            return
        if not is_asked:
            tell(wrap(f"! {get_caution(name)}", "", "  "), quiet=is_made)
        attendant = ProtocolTerminal(view, is_asked=is_asked, quiet=quiet)
        order = PartOrder(job=job, part=name, source=source, typed=typed, n_takes=takes)
        try:
            done = take_part(opened, order, attendant)
        except KeyboardInterrupt:
            tell(f"voicecheck: stopped; what was recorded is kept, {name} is not done")
            sys.exit(130)
        found, after = judge_kept(opened, job), find_next(opened, job)
    if as_json:
        write_json(to_document(done))
        return
    write_text(render_part(name, found, after))


def read_typed(given: Any) -> dict[str, float]:
    """
    Readings as they are given with the command.

    Raises
    ------
    InputError
        Not a name, "=" and a number.

    Examples
    --------
    >>> read_typed(["loop_ma=38,5"])
    {'loop_ma': 38.5}
    """
    found = {}
    for one in given:
        name, _, text = one.partition("=")
        try:
            found[name.strip()] = float(text.replace(",", "."))
        except ValueError:
            raise InputError(f"read: need NAME=NUMBER, got {one[:40]!r}") from None
    return found


class ProtocolTerminal(TerminalAttendant):
    """Somebody at a terminal who can read a meter."""

    def ask_number(self, reading: StepReading) -> float | None:
        """See `ProtocolAttendant`."""
        offered = "" if reading.default is None else f"{reading.default:g}"
        text = typer.prompt(
            f"{reading.label}, {reading.unit}", default=offered, show_default=bool(offered),
            err=True,
        ).strip()  # fmt: skip
        try:
            return float(text.replace(",", ".")) if text else None
        except ValueError:
            raise InputError(f"{reading.name}: need a number, got {text[:40]!r}") from None


def show(job: JobNumber, book: Book = None, as_json: Json = False) -> None:
    """Show what was done, what it shows, and what is left."""
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.protocol.kept import load_protocol

    with open_book(book) as opened:
        found = load_protocol(opened, job)
    _show(found, as_json=as_json)


def _show(found: Protocol | ProtocolAgain, *, as_json: bool) -> None:
    from voicecheck.records import Protocol, to_document

    if as_json:
        write_json(to_document(found))
    elif isinstance(found, Protocol):
        write_text(render_protocol(found))
    else:
        write_text(render_again(found))


def hide(
    job: JobNumber,
    envelope: EnvelopeFile,
    plant: Annotated[
        list[str] | None,
        typer.Option("--plant", metavar="WORDS", help="Of one round, or none; one for each."),
    ] = None,
    force: Force = False,
    book: Book = None,
    quiet: Quiet = False,
) -> None:
    """For the friend alone: say what each round hides, and close the envelope."""
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.protocol.hiding import close_envelope, list_rounds

    words = list(plant or ())
    if not words and is_terminal():
        tell("Only the friend looks at this screen. Nothing that is typed is shown.")
        words = [
            typer.prompt(f"{name} (none: nothing is done)", hide_input=True, err=True)
            for name in list_rounds()
        ]
    with open_book(book) as opened, open_door(force=force, quiet=quiet) as door:
        digest = close_envelope(opened, job, words, envelope, door)
    write_text(
        f"Closed. The friend keeps {envelope.name}; job {job} keeps its hash alone:\n{digest}"
    )


def open_file(
    job: JobNumber, envelope: EnvelopeFile, book: Book = None, as_json: Json = False
) -> None:
    """After the last round: open the friend's envelope, count hits and false alarms."""
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.protocol.hiding import open_envelope
    from voicecheck.workflow.protocol.kept import load_protocol

    with open_book(book) as opened:
        open_envelope(opened, job, envelope)
        found = load_protocol(opened, job)
    _show(found, as_json=as_json)


def bundle_job(
    job: JobNumber,
    target: Annotated[Path, typer.Argument(metavar="OUT.zip", help="File to write.")],
    force: Force = False,
    book: Book = None,
    as_json: Json = False,
) -> None:
    """Write all recordings and readings as one file without names, for others."""
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.protocol.corpus import bundle

    with open_book(book) as opened:
        found = bundle(opened, job, target, overwrite=force)
    if as_json:
        _show(found, as_json=True)
        return
    n = sum(len(one.sounds) for one in found.parts)
    write_text("\n".join(_shout(found)))
    write_text(
        f"{target.name}: {len(found.parts)} parts, {_count(n)}; no owner, contact, photograph "
        f"or speech\nRead it by any later version: voicecheck protocol again {target.name}"
    )


def again(
    corpus: Annotated[Path, typer.Argument(metavar="CORPUS.zip", help="As bundle wrote it.")],
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Read such a file by this version, and say what is another since."""
    from voicecheck.workflow.protocol.corpus import read_corpus

    with show_progress(1, "reading again", quiet=quiet) as advance:
        found = read_corpus(corpus, on_progress=lambda done, n: advance(to=done / n))
    _show(found, as_json=as_json)


def render_part(name: str, found: Protocol, after: str) -> str:
    """What a part gave, and what comes next."""
    done = next(one for one in found.parts if one.part == name)
    lines = _shout(found)
    lines.append(f"{name} is done: {_count(len(done.sounds))} kept with job {found.job}.")
    lines += [wrap(f"> {one.message}: {one.effect}", "  ", "    ") for one in done.problems]
    if done.answer:
        lines.append("The answer to this round is kept; it is told when the envelope is opened.")
    lines += [_say(one) for one in found.findings if one.step == done.step and not done.answer]
    last = f"voicecheck protocol show {found.job}"
    lines.append(f"Next: {after}" if after else f"All parts are done: {last}")
    return "\n".join(lines)


def render_protocol(found: Protocol) -> str:
    """Every step with its verdict, then what is left."""
    so_far = " so far" if found.missing and found.findings else ""
    lines = [*_shout(found), f"Two evenings, job {found.job}: {found.overall}{so_far}"]
    lines += [_say(one) for one in found.findings]
    if found.told:
        lines.append("What this bench can tell:")
        lines += [wrap(line, "  ", "    ") for line in found.told]
    if found.missing:
        lines.append(wrap(f"Still to do: {', '.join(found.missing)}", "", "  "))
    else:
        lines.append(f"For others: voicecheck protocol bundle {found.job} corpus.zip")
    return "\n".join(lines)


def render_again(found: ProtocolAgain) -> str:
    """What is another since, what of it goes beyond its interval first."""
    lines = _shout(found.now)
    lines.append(
        f"{found.n_recordings} recordings, {found.n_figures} figures; judged by "
        f"{found.was_version} then, by {found.version} now"
    )
    beyond = [one for one in found.changed if one.is_beyond]
    lines.append(
        f"{len(found.changed)} figures are others, {len(beyond)} of them by more than their "
        f"interval; {len(found.verdicts)} verdicts are others"
    )
    for one in sorted(found.changed, key=lambda one: not one.is_beyond)[:40]:
        was, now = ("withheld" if value is None else f"{value:.6g}" for value in (one.was, one.now))
        mark = "beyond its interval" if one.is_beyond else "within its interval"
        lines.append(f"  {one.part}, {one.figure.replace('_', ' ')}: {was}, now {now} ({mark})")
    lines += [f"  {one.step}, {one.quantity}: {one.was}, now {one.now}" for one in found.verdicts]
    return "\n".join(lines)


def _count(n: int) -> str:
    return "1 recording" if n == 1 else f"{n} recordings"


def _say(finding: ProtocolFinding) -> str:
    return wrap(f"{finding.verdict}: {finding.said}", "  ", "    ")


def _shout(found: Protocol) -> list[str]:
    from voicecheck.cli.show import say_simulated

    return [say_simulated()] if found.is_simulated else []
