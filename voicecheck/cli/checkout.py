"""`dial`, `tones`, `flex`, `bell`, `speak`, `line`, `check`: the rest of a checkout."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer

from voicecheck.cli.common import (
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
Seed = Annotated[int, typer.Option(help="Which individual of the made scene.")]
Channel = Annotated[int, typer.Option(help="Channel that is recorded, from 1.")]
OutChannel = Annotated[int, typer.Option(help="Channel that is played, from 1.")]
Seconds = Annotated[float, typer.Option(help="How long a sound device records, 2 to 600 s.")]
ToneHz = Annotated[float, typer.Option(help="Tone that runs through the set, Hz.")]
Level = Annotated[float, typer.Option(help="Level of what is played, at most -12 dBFS.")]
NoPlay = Annotated[
    bool, typer.Option("--no-play", help="Play nothing: the tone comes from elsewhere.")
]
Region = Annotated[str, typer.Option(help="Region of the limits. Default: the set type's.")]


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    for name, command in (
        ("dial", dial),
        ("tones", tones),
        ("flex", flex),
        ("bell", bell),
        ("speak", speak),
        ("line", line),
    ):
        app.command(name)(command)


def dial(
    job: MaybeJob = None,
    recording: RecordingFile = None,
    simulated: Simulated = None,
    bench: Bench = None,
    tone_hz: ToneHz = 1000.0,
    clicks: Annotated[
        bool, typer.Option("--clicks", help="AC-coupled recording of the clicks alone.")
    ] = False,
    region: Region = "",
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Timing picture: .png, .svg or .pdf.")
    ] = None,
    force: Force = False,
    stage: Stage = "",
    seconds: Seconds = 30.0,
    level_dbfs: Level = -30.0,
    no_play: NoPlay = False,
    seed: Seed = 1,
    channel: Channel = 1,
    out_channel: OutChannel = 1,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Read dial pulses: count, speed, break ratio, drift, bounce and pauses of each digit."""
    from voicecheck.workflow.checkout import Options

    options = Options(tone_hz=tone_hz, is_clicks=clicks, region=region)
    plays = not (clicks or no_play)
    source = _name_source(
        recording, simulated, bench, seed=seed, channel=channel, out_channel=out_channel,
        seconds=seconds, tone_hz=tone_hz if plays else None, level_dbfs=level_dbfs,
    )  # fmt: skip
    if bench is not None:
        _warn("dial", plays=plays, quiet=quiet)
        tell("Recording: dial now.", quiet=quiet or plays)
    check = _run("dial", source, options, job, stage, book, as_json=as_json, quiet=quiet)
    if picture is not None:
        from voicecheck.workflow.pictures import write_timing

        with open_door(force=force, quiet=quiet) as door:
            tell(f"Wrote {write_timing(check, picture, door)}.", quiet=quiet)


def tones(
    job: MaybeJob = None,
    recording: RecordingFile = None,
    simulated: Simulated = None,
    bench: Bench = None,
    region: Region = "",
    stage: Stage = "",
    seconds: Seconds = 20.0,
    seed: Seed = 1,
    channel: Channel = 1,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Recognise keypad digits and call-progress tones: frequency, twist, level, cadence."""
    from voicecheck.workflow.checkout import Options

    options = Options(region=region)
    source = _name_source(recording, simulated, bench, seed=seed, channel=channel, seconds=seconds)
    if bench is not None:
        _warn("tones", quiet=quiet)
    _run("tones", source, options, job, stage, book, as_json=as_json, quiet=quiet)


def flex(
    job: MaybeJob = None,
    recording: RecordingFile = None,
    simulated: Simulated = None,
    bench: Bench = None,
    tone_hz: ToneHz = 1000.0,
    moved: Annotated[str, typer.Option(help="What is moved: cord, hook or handset.")] = "cord",
    place: Annotated[
        list[str] | None,
        typer.Option(help="Where along the cord, in order, for equal shares of the time; repeat."),
    ] = None,
    beat_s: Annotated[float, typer.Option(help="Beat of the metronome, seconds.")] = 1.0,
    stage: Stage = "",
    seconds: Seconds = 30.0,
    level_dbfs: Level = -30.0,
    no_play: NoPlay = False,
    seed: Seed = 1,
    channel: Channel = 1,
    out_channel: OutChannel = 1,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Watch a steady tone while the cord is flexed, the hook pressed or the handset tapped."""
    from voicecheck.workflow.checkout import Options

    places = tuple(place or ())
    options = Options(tone_hz=tone_hz, beat_s=beat_s, places=places, moved=moved)
    source = _name_source(
        recording, simulated, bench, seed=seed, channel=channel, out_channel=out_channel,
        seconds=seconds, tone_hz=None if no_play else tone_hz, level_dbfs=level_dbfs,
    )  # fmt: skip
    beat = None
    if bench is not None:
        _warn("flex", plays=not no_play, quiet=quiet)
        beat = _make_metronome(seconds, options, plays=not no_play, quiet=quiet)
    _run("flex", source, options, job, stage, book, as_json=as_json, quiet=quiet, beat=beat)


def bell(
    job: MaybeJob = None,
    recording: RecordingFile = None,
    simulated: Simulated = None,
    bench: Bench = None,
    stage: Stage = "",
    seconds: Seconds = 15.0,
    seed: Seed = 1,
    channel: Channel = 1,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Hear the bell: strike rate, the two gongs, level, decay, cadence, taps while dialling."""
    from voicecheck.workflow.checkout import Options

    _warn("bell", quiet=quiet and bench is None)
    source = _name_source(recording, simulated, bench, seed=seed, channel=channel, seconds=seconds)
    if bench is not None:
        tell("Microphone at the distance you always use, gain untouched. Ring now.", quiet=quiet)
    _run("bell", source, Options(), job, stage, book, as_json=as_json, quiet=quiet)


def speak(
    job: MaybeJob = None,
    recording: RecordingFile = None,
    simulated: Simulated = None,
    bench: Bench = None,
    stage: Stage = "",
    seconds: Seconds = 12.0,
    listen: Annotated[
        Path | None,
        typer.Option(metavar="OUT.wav", help="Also write before and after, matched in level."),
    ] = None,
    force: Force = False,
    play: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="With --bench: play this speech through the receiver, on a coupler.",
        ),
    ] = None,
    level_dbfs: Level = -30.0,
    seed: Seed = 1,
    channel: Channel = 1,
    out_channel: OutChannel = 1,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Count to six: active speech level (ITU-T P.56), crest, noise in the pauses."""
    from voicecheck.errors import InputError
    from voicecheck.workflow.checkguide import SPEAK_NOW
    from voicecheck.workflow.checkout import Options

    if listen is not None and job is None:
        raise InputError("--listen: needs a job with speech of both stages")
    if play is not None and bench is None:
        raise InputError("--play: needs --bench NAME, whose output drives the receiver")
    if listen is None or any(one is not None for one in (recording, simulated, bench)):
        source = _name_source(
            recording, simulated, bench, seed=seed, channel=channel, out_channel=out_channel,
            seconds=seconds, speech=play, level_dbfs=level_dbfs,
        )  # fmt: skip
        if bench is not None:
            _warn("speak", plays=play is not None, quiet=quiet)
            tell(SPEAK_NOW, quiet=quiet or play is not None)
        _run("speak", source, Options(), job, stage, book, as_json=as_json, quiet=quiet)
    if listen is not None and job is not None:
        from voicecheck.workflow.books import open_book
        from voicecheck.workflow.listening import write_listening_file

        with open_book(book) as opened, open_door(force=force, quiet=quiet) as door:
            written = write_listening_file(opened, job, listen, door)
        tell(f"Wrote {written}: before, a second of silence, after, equally loud.", quiet=quiet)


def line(
    job: MaybeJob = None,
    on_hook_v: Annotated[float | None, typer.Option(help="Volts, handset on its hook.")] = None,
    off_hook_v: Annotated[float | None, typer.Option(help="Volts, handset lifted.")] = None,
    loop_ma: Annotated[float | None, typer.Option(help="Loop current off-hook, mA.")] = None,
    ringer_equivalence: Annotated[
        float | None, typer.Option(help="Sum of ringer equivalence numbers on the line.")
    ] = None,
    dial_tone_dbm: Annotated[
        float | None, typer.Option(help="Dial tone, each of its tones, dBm.")
    ] = None,
    pulses: Annotated[
        str, typer.Option(help="Whether the line or adapter takes dial pulses: yes or no.")
    ] = "",
    note: Annotated[str, typer.Option(help="Which line or adapter.")] = "",
    region: Region = "",
    stage: Stage = "",
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Type in meter readings of the line or the bench feed."""
    from voicecheck.errors import InputError
    from voicecheck.workflow.readings import keep_line

    _warn("line", quiet=quiet)
    if pulses not in ("", "yes", "no"):
        raise InputError(f"pulses: need yes or no, got {pulses!r}")
    check, document = keep_line(
        book,
        job,
        stage=stage,
        region=region,
        on_hook_v=on_hook_v,
        off_hook_v=off_hook_v,
        loop_ma=loop_ma,
        ringer_equivalence=ringer_equivalence,
        dial_tone_dbm=dial_tone_dbm,
        accepts_pulses={"yes": True, "no": False}.get(pulses),
        note=note,
    )
    _show(check, document, as_json=as_json)


def _name_source(
    recording: Path | None, simulated: str | None, bench: str | None, **options: Any
) -> Any:
    from voicecheck.workflow.scenes import Source

    return Source(recording=recording, simulated=simulated, bench=bench, **options)


def _run(
    kind: str,
    source: Any,
    options: Any,
    job: int | None,
    stage: str,
    book: str | None,
    *,
    as_json: bool,
    quiet: bool,
    beat: Callable[[float], None] | None = None,
) -> Any:
    """Take, analyse, keep, show; an unusable recording still gives a document with its problem."""
    from contextlib import nullcontext

    from voicecheck.errors import RecordingError
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.checkout import describe_failure, run_check

    heard = None
    if source.bench is not None and kind in ("dial", "tones"):
        heard = _make_roll(kind, options, quiet=quiet)
    with open_book(book) if job is not None else nullcontext() as opened:
        show_bar = source.bench is not None and beat is None
        with show_progress(100, kind, quiet=quiet or not show_bar) as advance:

            def follow(fraction: float, _level: float | None) -> None:
                if beat is not None:
                    beat(fraction)
                advance(to=100 * fraction)

            try:
                check, document = run_check(
                    kind, source, options, book=opened, job=job, stage=stage,
                    progress=follow, heard=heard,
                )  # fmt: skip
            except RecordingError as error:
                if as_json:
                    write_json(describe_failure(kind, error))
                raise
    _show(check, document, as_json=as_json)
    return check


def _show(check: Any, document: dict[str, Any], *, as_json: bool) -> None:
    if as_json:
        write_json(document)
        return
    from voicecheck.cli.checkout_show import render_check

    write_text(render_check(check))


def _make_roll(kind: str, options: Any, *, quiet: bool) -> Callable[[Any], None]:
    """Digits roll by while they are dialled, where the sound is looked at as it comes in."""
    from voicecheck.workflow.checkout import find_number

    shown = ""

    def look(so_far: Any) -> None:
        nonlocal shown
        number = find_number(kind, so_far, options)
        if number != shown and not quiet:
            sys.stderr.write(f"\r  {number} ")
            sys.stderr.flush()
        shown = number

    return look


def _make_metronome(
    seconds: float, options: Any, *, plays: bool, quiet: bool
) -> Callable[[float], None]:
    """Show each beat as it is due."""
    from voicecheck.workflow.checkguide import Metronome

    metronome = Metronome(
        seconds, options.beat_s, moved=options.moved, places=options.places, plays=plays
    )

    def follow(fraction: float) -> None:
        if (beat := metronome.find_beat(fraction)) is not None:
            tell(f"  {beat}", quiet=quiet)

    return follow


def _warn(kind: str, *, plays: bool = False, quiet: bool) -> None:
    """Say what may hurt, before anything is done."""
    from voicecheck.workflow.checkguide import get_check_caution

    if caution := get_check_caution(kind, plays=plays):
        tell(f"Caution: {caution[0].lower()}{caution[1:]}", quiet=quiet)
