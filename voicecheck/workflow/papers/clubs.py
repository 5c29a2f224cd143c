"""Baselines that clubs pass on: made from the book, taken into it, brought together."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence
from pathlib import Path

from voicecheck import __version__
from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.records import Baseline, ClubBaseline, ClubRecording, SetType, from_json
from voicecheck.records.clubfile import read_club, write_club
from voicecheck.records.times import get_now_utc
from voicecheck.verdicts.clubs import merge_baselines
from voicecheck.workflow.papers.clubsound import check_sound, read_package

KIND = "club-baseline"
"""Of the documents in the book that hold one, under the name of the set type here."""
SIMULATED = "simulated"
ADDED, SAME, NEWER, OLDER, OWN = "added", "same", "newer", "older", "own"


def name_club_file(type_name: str, *, with_sound: bool = False) -> str:
    """
    File name for the baseline of a type.

    Examples
    --------
    >>> name_club_file("Hillview 2 / wall"), name_club_file("...")
    ('hillview-2-wall.baseline.json', 'type.baseline.json')
    """
    kept = re.sub(r"[^\w]+", "-", type_name.casefold()).strip("-_")
    return f"{kept[:60] or 'type'}.baseline.{'zip' if with_sound else 'json'}"


def make_club(
    book: JobBook,
    type_name: str,
    *,
    made_by: str = "",
    recordings: Sequence[ClubRecording] = (),
) -> bytes:
    """
    The file of a type's own baselines, all paths: statistics and curves, no sound.

    Parameters
    ----------
    book : JobBook
    type_name : str
    made_by : str
        Whoever stands behind it, as they want to be called.
    recordings : sequence of ClubRecording
        Those that travel beside it.

    Returns
    -------
    bytes

    Raises
    ------
    InputError
        No such type, or no baseline of its own.
    """
    set_type = book.load_type(type_name)
    newest = {one.path: one for one in book.list_baselines() if one.type_name == type_name}
    if not newest:
        raise InputError(
            f"type {type_name!r} has no baseline of this book's own to pass on; sweep good sets "
            f'with --stage reference, then `voicecheck baseline build "{type_name}"`'
        )
    baselines = tuple(_make_public(one) for one in newest.values())
    benches = list(dict.fromkeys(one.conditions.bench for one in baselines if one.conditions.bench))
    calibrations = dict.fromkeys(_tell_calibration(one) for one in baselines)
    club = ClubBaseline(
        type_name=type_name,
        transmitter=set_type.transmitter,
        feed_ma=set_type.feed_ma,
        region=set_type.region,
        made_by=made_by.strip(),
        bench=", ".join(benches),
        simulated=any(bench.startswith(SIMULATED) for bench in benches),
        calibration="; ".join(calibrations),
        made_utc=get_now_utc(),
        version=__version__,
        baselines=baselines,
        recordings=tuple(recordings),
    )
    content = write_club(club)
    read_club(content, name_club_file(type_name))  # what leaves is what others will take
    return content


def _make_public(one: Baseline) -> Baseline:
    """A baseline without what was noted about single sets."""
    conditions = one.conditions.replace(notes=(), handset=None, seat=None, seed=None, time_utc=None)
    doubted = tuple(dataclasses.replace(doubt, job=None) for doubt in one.doubted)
    return dataclasses.replace(one, conditions=conditions, doubted=doubted, without=())


def _tell_calibration(one: Baseline) -> str:
    told = one.conditions.calibration or ""
    if not told:
        told = "not calibrated" if one.unit == "dB relative" else "by several calibrations"
    return "; ".join((f"{one.path}: {told}", *one.conditions.calibration_notes))


def take_club(book: JobBook, file: Path, *, as_name: str | None = None) -> tuple[ClubBaseline, str]:
    """
    Take a club's baseline into the book; the job list stays as it is.

    Parameters
    ----------
    book : JobBook
    file : Path
    as_name : str, optional
        What the type is called here, where that is another name.

    Returns
    -------
    ClubBaseline
        Under the name of the type here.
    str
        "added", "newer" (an older one of the same maker no longer counts), "older" (a newer one
        goes on counting), "same" (it is there) or "own" (it was made from this book's own sets, and
        is not taken).

    Raises
    ------
    InputError
        No such file, no such document, a value out of range, or another kind of transmitter; the
        book is as it was.
    """
    content, sound = read_package(file)
    club = read_club(content, file.name)
    check_sound(club, sound, file.name)
    name = as_name or club.type_name
    _match_type(book, dataclasses.replace(club.set_type, name=name), file.name)
    known = list_clubs(book, name)
    taken = _rename(club, name)
    if any(one.fingerprint == club.fingerprint for one in _list_kept(book, name)):
        return taken, SAME
    if _is_own(book, taken):
        return taken, OWN
    if name not in {one.name for one in book.list_types()}:
        book.add_type(dataclasses.replace(club.set_type, name=name))
    for data in sound.values():
        book.take_recording(data)
    # As it came: with what a later program says in it, and with the same fingerprint.
    book.save_bench_record(KIND, name, content.decode("utf-8"))
    former = next((one for one in known if _is_of_one(one, club)), None)
    if former is None:
        return taken, ADDED
    return taken, NEWER if club.made_utc >= former.made_utc else OLDER


def _match_type(book: JobBook, told: SetType, file: str) -> None:
    here = {one.name: one for one in book.list_types()}.get(told.name)
    if here is not None and here.transmitter != told.transmitter:
        raise InputError(
            f"club baseline {file}: transmitter: need {here.transmitter}, as {told.name!r} has "
            f"here, got {told.transmitter}; give the type another name with --as"
        )


def _rename(club: ClubBaseline, name: str) -> ClubBaseline:
    baselines = tuple(dataclasses.replace(one, type_name=name) for one in club.baselines)
    return dataclasses.replace(club, type_name=name, baselines=baselines)


def _is_own(book: JobBook, club: ClubBaseline) -> bool:
    """Whether it says what this book's own baselines say: their sets must not count twice."""
    own = {(one.type_name, one.path, one.n, one.built_utc) for one in book.list_baselines()}
    told = {(one.type_name, one.path, one.n, one.built_utc) for one in club.baselines}
    return bool(own & told)


def _is_of_one(one: ClubBaseline, other: ClubBaseline) -> bool:
    return (one.made_by, one.bench) == (other.made_by, other.bench)


def list_clubs(book: JobBook, type_name: str | None = None) -> tuple[ClubBaseline, ...]:
    """
    Clubs' baselines in the book that count, of one type or all, the oldest first.

    Of one maker's several for one type the newest counts.
    """
    newest: dict[tuple[str, str, str], ClubBaseline] = {}
    for club in _list_kept(book, type_name):
        key = (club.type_name, club.made_by, club.bench)
        if key not in newest or club.made_utc >= newest[key].made_utc:
            newest.pop(key, None)
            newest[key] = club
    return tuple(newest.values())


def _list_kept(book: JobBook, type_name: str | None) -> list[ClubBaseline]:
    """All that were taken in, checked then; the book notices a changed row."""
    return [
        _rename(from_json(record.document, ClubBaseline), record.name)
        for record in book.list_bench_records(kind=KIND, name=type_name)
    ]


def bring_together(
    own: Baseline | None, clubs: Sequence[ClubBaseline], path: str
) -> Baseline | None:
    """
    One baseline of a path out of the book's own and the clubs' of its type.

    Simulated sets never count together with telephones; `None` where there is nothing.
    """
    others = {club.maker: one for club in clubs for one in club.baselines if one.path == path}
    if not others:
        return own
    is_simulated = own is not None and own.conditions.bench.startswith(SIMULATED)
    apart = [club.maker for club in clubs if club.simulated != is_simulated]
    return merge_baselines(own, others, apart=apart)
