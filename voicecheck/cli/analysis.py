"""`signal` and `analyze`: what needs neither a bench nor a job book."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from voicecheck.cli.common import (
    Force,
    Json,
    Numbers,
    Quiet,
    open_door,
    show_progress,
    tell,
    write_json,
    write_text,
)

if TYPE_CHECKING:
    from voicecheck.records import Measurement


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command("signal")(signal)
    app.command("analyze")(analyze)
    app.command("frying")(frying)


def signal(
    out: Annotated[Path, typer.Argument(metavar="OUT.wav", help="File to write.")],
    rate: Annotated[int, typer.Option(help="44100, 48000 or 96000 Hz.")] = 48000,
    level_dbfs: Annotated[
        float, typer.Option(help="Nominal level, dB re a full-scale sine.")
    ] = -12.0,
    sweeps: Annotated[int | None, typer.Option(help="How many sweeps. Default 3.")] = None,
    sweep_s: Annotated[float | None, typer.Option(help="Length of each, s. Default 3.")] = None,
    silence_s: Annotated[
        float | None,
        typer.Option(help="Length of the first silence, s: longer weighs crackle better."),
    ] = None,
    kind: Annotated[
        str,
        typer.Option(
            help="default (18 s), quick (7 s), careful (42 s), or parts: the stimulus of the "
            "electrical check (51 s)."
        ),
    ] = "default",
    cap_dbfs: Annotated[float, typer.Option(help="Output cap: no block may peak above it.")] = -3.0,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Write the test signal to a WAV file that carries its own recipe."""
    from voicecheck.workflow.analysis import choose_recipe, describe_programme, write_signal

    if kind == "parts":
        given = {"--sweeps": sweeps, "--sweep-s": sweep_s, "--silence-s": silence_s}
        _write_stimulus(out, rate, level_dbfs, cap_dbfs, given, (force, as_json, quiet))
        return
    recipe = choose_recipe(
        kind,
        rate_hz=rate,
        level_dbfs=level_dbfs,
        n_sweeps=sweeps,
        sweep_s=sweep_s,
        silence_s=silence_s,
        cap_dbfs=cap_dbfs,
    )
    with open_door(force=force, quiet=quiet) as door:
        programme = write_signal(out, recipe, door)
    if as_json:
        write_json(describe_programme(programme, str(out)))
        return
    tell(
        f"{out}: {programme.duration_s:.1f} s at {rate} Hz, nominal level {level_dbfs:g} dBFS.\n"
        "Play it through the mouth or the line, never into an ear, and record what comes back.",
        quiet=quiet,
    )


def _write_stimulus(
    out: Path,
    rate_hz: int,
    level_dbfs: float,
    cap_dbfs: float,
    given: dict[str, Any],
    how: tuple[bool, bool, bool],
) -> None:
    from voicecheck.errors import InputError
    from voicecheck.workflow.analysis import (
        choose_stimulus,
        describe_programme,
        write_stimulus,
    )

    if told := [name for name, value in given.items() if value is not None]:
        raise InputError(f"{', '.join(told)}: the stimulus of the electrical check has no sweeps")
    force, as_json, quiet = how
    recipe = choose_stimulus(rate_hz=rate_hz, level_dbfs=level_dbfs, cap_dbfs=cap_dbfs)
    with open_door(force=force, quiet=quiet) as door:
        programme = write_stimulus(out, recipe, door)
    if as_json:
        write_json(describe_programme(programme, str(out), recipe))
        return
    tell(
        f"{out}: {programme.duration_s:.1f} s at {rate_hz} Hz, nominal level {level_dbfs:g} dBFS.\n"
        "Play it through the resistor into the part, never into a public line or an ear, and "
        "record both sides of the resistor.",
        quiet=quiet,
    )


def analyze(
    recordings: Annotated[
        list[Path], typer.Argument(metavar="RECORDING...", help="WAV, FLAC or AIFF files.")
    ],
    programme: Annotated[
        Path, typer.Option("--signal", metavar="OUT.wav", help="The test signal that was played.")
    ],
    channel: Annotated[
        int | None,
        typer.Option(help="Channel of the recordings, from 1. Default: the one that holds it."),
    ] = None,
    take: Annotated[
        int | None,
        typer.Option(min=1, help="Of several takes in one file, from 1. Default: the strongest."),
    ] = None,
    jobs: Annotated[int, typer.Option(min=1, max=256, help="Recordings at the same time.")] = 1,
    numbers: Numbers = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Compute response, level, distortion and noise of recordings."""
    from voicecheck.workflow.analysis import Unusable, analyze_files, describe_result

    with show_progress(len(recordings), "analysing", quiet=quiet) as advance:
        results = analyze_files(
            recordings,
            programme,
            channel=channel,
            take=take,
            n_jobs=jobs,
            progress=lambda _: advance(),
        )
    if as_json:
        documents = [describe_result(result) for result in results]
        write_json(documents if len(documents) > 1 else documents[0])
    exit_code = 0
    for result in results:
        if isinstance(result, Unusable):
            name = result.recording.file
            prefix = "" if str(result.error).startswith(f"{name}:") else f"{name}: "
            tell(f"voicecheck: {prefix}{result.error}")
            exit_code = max(exit_code, result.error.exit_code)
        elif not as_json:
            write_text(_render(result, numbers=numbers))
    if exit_code:
        raise typer.Exit(exit_code)


def _render(measurement: Measurement, *, numbers: bool) -> str:
    """What was found in a few lines, or every number of it."""
    from voicecheck.cli.show import render_measurement
    from voicecheck.cli.tellshow import render_told
    from voicecheck.workflow.telltakes import tell_measurement

    if numbers:
        return render_measurement(measurement, with_numbers=True)
    return render_told(tell_measurement(measurement), numbers="the same with --numbers")


def frying(
    recording: Annotated[
        Path, typer.Argument(metavar="RECORDING", help="Idle noise, nothing played; any length.")
    ],
    channel: Annotated[int, typer.Option(help="Channel of the recording, from 1.")] = 1,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Count crackle and frying in a long recording of idle noise."""
    from voicecheck.records import to_document
    from voicecheck.workflow.analysis import watch_idle

    def show(burst: Any) -> None:
        tell(
            f"{burst.at_s:9.2f} s  {burst.size_db:5.1f} dB  {burst.duration_ms:.0f} ms",
            quiet=quiet or as_json,
        )

    summary = watch_idle(recording, channel=channel, on_burst=show)
    if as_json:
        write_json({"schema": "voicecheck.frying/1", **to_document(summary)})
        return
    level = "none" if summary.level_dbfs is None else f"{summary.level_dbfs:.1f} dBFS"
    write_text(
        f"{summary.duration_s:.1f} s, usual level {level}, {summary.n_bursts} bursts, "
        f"{summary.bursts_per_s:.2f} a second"
    )
