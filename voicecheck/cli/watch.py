"""`watch`: the live meter."""

from __future__ import annotations

import contextlib
import sys
import time
from typing import TYPE_CHECKING, Annotated, cast

import typer

from voicecheck.cli.common import Book, Json, with_ranges, write_json, write_text
from voicecheck.cli.screen import clean_line
from voicecheck.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Generator, Iterator

    from voicecheck.records.terms import BenchEnd, RateHz
    from voicecheck.workflow.benches.watching import Seen, Watch

FRAME_S = 0.05
TOP_DB, ROW_DB, N_ROWS = 0.0, 8.0, 10
BAR_WIDTH, BAR_DB = 48, 80.0
OCTAVES = ("100", "200", "400", "800", "1.6k", "3.15k", "6.3k")
"""Nominal midbands of every third column."""
BLOCKS, LETTERS = " ▁▂▃▄▅▆▇█", " .:#"


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command("watch", cls=with_ranges(_list_orders))(watch)


def _list_orders() -> tuple[type, ...]:
    from voicecheck.records.orders import WatchOrder

    return (WatchOrder,)


def watch(
    bench: Annotated[str | None, typer.Option(help="Bench that was set up.")] = None,
    device: Annotated[str | None, typer.Option(help="Or a sound device.")] = None,
    end: Annotated[str, typer.Option(help="Of a bench.")] = "line-tap",
    channel: Annotated[int, typer.Option(help="Input of a device.")] = 1,
    rate: Annotated[int, typer.Option(help="Samples per second of a device.")] = 48000,
    seconds: Annotated[float | None, typer.Option(min=0.1, help="Stop by itself.")] = None,
    talk_dbfs: Annotated[
        float | None, typer.Option(help="Where the talk mark lights; else as calibrated.")
    ] = None,
    region: Annotated[str, typer.Option(help="Whose dial tone; all if left out.")] = "",
    book: Book = None,
    as_json: Json = False,
) -> None:
    """Watch an input: level, talk mark, thirds of an octave, dial tone, mains; Ctrl-C ends."""
    from voicecheck.records.orders import WatchOrder
    from voicecheck.workflow.benches.watching import open_watch
    from voicecheck.workflow.books import open_book

    if as_json and seconds is None:
        raise InputError("watch: --json needs --seconds, a document has an end")
    order = WatchOrder(
        bench=bench,
        device=device,
        end=cast("BenchEnd", end),
        channel=channel,
        rate_hz=cast("RateHz", rate),
        talk_dbfs=talk_dbfs,
        region=region,
    )
    with open_book(book) as opened:
        ready = open_watch(opened, order)
    with contextlib.closing(_read_for(ready, seconds)) as readings:
        if as_json:
            _write_document(ready, readings)
            return
        # Whoever watches ends it with Ctrl-C: that is no failure.
        with contextlib.suppress(KeyboardInterrupt):
            if sys.stdout.isatty():
                _show_live(ready, readings)
            else:
                for line in _list_lines(ready, readings):
                    write_text(line)
                    sys.stdout.flush()


def _read_for(ready: Watch, seconds: float | None) -> Generator[Seen, None, None]:
    """Readings until so much sound has come in."""
    with contextlib.closing(ready.read()) as readings:
        for seen in readings:
            yield seen
            if seconds is not None and seen.time_s >= seconds:
                return


def _keep_each_second(readings: Iterator[Seen]) -> Iterator[Seen]:
    """The last reading of each second of sound, with the highest peak of that second."""
    import dataclasses

    due_s, peak_db, is_clipped = 1.0, -1e9, False
    for seen in readings:
        peak_db, is_clipped = max(peak_db, seen.peak_db), is_clipped or seen.is_clipped
        if seen.time_s >= due_s:
            yield dataclasses.replace(seen, peak_db=peak_db, is_clipped=is_clipped)
            due_s = seen.time_s - seen.time_s % 1.0 + 1.0
            peak_db, is_clipped = -1e9, False


def _list_lines(ready: Watch, readings: Iterator[Seen]) -> Iterator[str]:
    yield f"{ready.title}, {ready.unit}"
    for seen in _keep_each_second(readings):
        marks = [
            "talk" if seen.is_talking else "",
            "CLIPPED" if seen.is_clipped else "",
            f"mains {seen.mains_hz:.1f} Hz" if seen.mains_hz else "",
            seen.tone,
        ]
        levels = (
            f"{seen.time_s:6.1f} s  peak {seen.peak_db:6.1f}  RMS {seen.rms_db:6.1f}  "
            f"psophometric {seen.psophometric_db:6.1f}"
        )
        yield "  ".join(filter(None, (levels, *marks)))


def _write_document(ready: Watch, readings: Iterator[Seen]) -> None:
    from voicecheck.records import to_document

    write_json(
        {
            "schema": "voicecheck.watch/1",
            "input": ready.title,
            "unit": ready.unit,
            "talk_dbfs": ready.talk_dbfs,
            "band_hz": list(ready.band_hz),
            "readings": [to_document(seen) for seen in _keep_each_second(readings)],
        }
    )


def _show_live(ready: Watch, readings: Iterator[Seen]) -> None:
    """Redraw twenty times a second at most, whatever comes in."""
    from rich.console import Console
    from rich.live import Live
    from rich.text import Text

    console = Console(highlight=False, markup=False)
    is_plain = "utf" not in (console.encoding or "").lower()
    shown_s = 0.0
    with Live(console=console, auto_refresh=False, screen=False) as live:
        for seen in readings:
            now_s = time.monotonic()
            if now_s - shown_s < 0.8 * FRAME_S:
                continue
            shown_s = now_s
            picture = draw_meter(ready, seen, is_plain=is_plain)
            live.update(Text(picture, no_wrap=True, end=""), refresh=True)


def draw_meter(ready: Watch, seen: Seen, *, is_plain: bool = False) -> str:
    """
    The meter as lines of at most 78 letters.

    Parameters
    ----------
    ready : Watch
    seen : Seen
    is_plain : bool
        Letters only, for a terminal that has no blocks.

    Returns
    -------
    str
    """
    lines = [f" {clean_line(ready.title)}, {ready.unit}".ljust(66)[:66] + f"{seen.time_s:9.1f} s"]
    top_db = TOP_DB + ready.offset_db
    for name, level_db in (
        ("peak", seen.peak_db),
        ("RMS", seen.rms_db),
        ("psophometric", seen.psophometric_db),
    ):
        share = (level_db - top_db) / BAR_DB + 1.0
        n = round(BAR_WIDTH * min(1.0, max(0.0, share)))
        clipped = "  CLIPPED" if name == "peak" and seen.is_clipped else ""
        lines.append(f" {name:13}{'#' * n}{'.' * (BAR_WIDTH - n)} {level_db:6.1f}{clipped}")
    talk = "[TALK]" if seen.is_talking else "[    ]"
    if ready.talk_dbfs is None:
        known = "full transmit not known: calibrate, or --talk-dbfs"
    else:
        known = f"full transmit from {ready.talk_dbfs + ready.offset_db:.1f} {ready.unit}"
    mains = f"{seen.mains_hz:.1f} Hz" if seen.mains_hz else "none"
    lines.append(f" talk         {talk} {known}")
    lines.append(f" mains        {mains:10} tone  {seen.tone or 'none'}")
    lines.append("")
    return "\n".join([*lines, *draw_bands(ready, seen, is_plain=is_plain)])


def draw_bands(ready: Watch, seen: Seen, *, is_plain: bool = False) -> list[str]:
    """Thirds of an octave as columns, with their levels at the left and midbands below."""
    shades = LETTERS if is_plain else BLOCKS
    top_db = TOP_DB + ready.offset_db
    lines = []
    for row in range(N_ROWS):
        floor_db = top_db - (row + 1) * ROW_DB
        cells = []
        for level_db in seen.bands_db:
            share = min(1.0, max(0.0, (level_db - floor_db) / ROW_DB))
            cells.append(2 * shades[round(share * (len(shades) - 1))] + " ")
        lines.append(f" {floor_db + ROW_DB:6.0f} |{''.join(cells)}".rstrip())
    lines.append(f" {'':6} +{'-' * 3 * len(seen.bands_db)}")
    shown = "".join(label.ljust(9) for label in OCTAVES)
    lines.append(f" {'Hz':6}  {shown}".rstrip())
    return lines
