"""The microphone's own curve: read from the text of a file, and how far it may be off."""

from __future__ import annotations

import csv
import functools
import hashlib
import importlib.resources
import re

import numpy as np

from voicecheck.errors import InputError
from voicecheck.records.arrays import Array
from voicecheck.records.benches import MicrophoneCurve

FREQUENCY_HZ = (0.1, 200e3)
MOST_DB = 40.0
MOST_TOLERANCE_DB = 20.0
NEEDED_HZ = (200.0, 4000.0)
"""A curve that does not reach over the voice band corrects nothing where it matters."""
N_POINTS = 10000
MOST_LETTERS = 500_000
BEGINS_WITH_NUMBER = re.compile(r"[-+]?[.\d]")


def parse_curve(text: str, label: str) -> MicrophoneCurve:
    r"""
    A microphone's curve from the text of a file.

    Parameters
    ----------
    text : str
        Lines of two columns, Hz and dB that the microphone reads too much, or three with the
        tolerance in dB; apart by blanks, tabs, commas or semicolons. Lines that do not begin with
        a number are passed over.
    label : str
        What the file is called.

    Returns
    -------
    MicrophoneCurve
        Its dB re those at 1 kHz, where the calibrator rules.

    Raises
    ------
    InputError
        Not such a file; the message names the line.

    Examples
    --------
    >>> parse_curve("200 1.0\n1000 1.0\n4000 4.0", "mine").level_db
    (0.0, 0.0, 3.0)
    """
    if len(text) > MOST_LETTERS:
        raise InputError(f"microphone curve {label}: too long for two columns, Hz and dB")
    rows = [
        _parse_line(line, number, label)
        for number, line in enumerate(text.splitlines(), 1)
        if BEGINS_WITH_NUMBER.match(line.strip())
    ]
    if not 2 <= len(rows) <= N_POINTS:
        message = f"need 2 to {N_POINTS} lines of Hz and dB, got {len(rows)}"
        raise InputError(f"microphone curve {label}: {message}")
    if len({len(row) for row in rows}) > 1:
        message = "some lines have a tolerance and some have none"
        raise InputError(f"microphone curve {label}: {message}")
    columns = [np.array(column) for column in zip(*rows, strict=True)]
    frequency_hz, level_db = columns[:2]
    if np.any(np.diff(frequency_hz) <= 0.0):
        raise InputError(f"microphone curve {label}: the first column, Hz, must rise line by line")
    if frequency_hz[0] > NEEDED_HZ[0] or frequency_hz[-1] < NEEDED_HZ[1]:
        message = (
            f"need {NEEDED_HZ[0]:.0f} to {NEEDED_HZ[1]:.0f} Hz, got {frequency_hz[0]:g} to "
            f"{frequency_hz[-1]:g} Hz"
        )
        raise InputError(f"microphone curve {label}: {message}")
    at_1khz_db = np.interp(np.log(1000.0), np.log(frequency_hz), level_db)
    return MicrophoneCurve(
        label=label,
        frequency_hz=tuple(frequency_hz.tolist()),
        level_db=tuple((level_db - at_1khz_db).tolist()),
        tolerance_db=tuple(columns[2].tolist()) if len(columns) > 2 else (),
    )


def _parse_line(line: str, number: int, label: str) -> tuple[float, ...]:
    where = f"microphone curve {label}, line {number}"
    is_comma_decimal = bool(re.search(r"[;\t]", line)) or bool(re.search(r"\d,\d+\s+\S", line))
    text = line.strip().replace(",", ".") if is_comma_decimal else line.strip()
    words = [word for word in re.split(r"[;,\s]+", text) if word]
    try:
        values = tuple(map(float, words))
    except ValueError:
        raise InputError(f"{where}: need numbers, got {line.strip()[:40]!r}") from None
    if len(values) not in (2, 3):
        raise InputError(f"{where}: need Hz, dB and perhaps a tolerance, got {len(values)} columns")
    if not FREQUENCY_HZ[0] <= values[0] <= FREQUENCY_HZ[1]:
        raise InputError(f"{where}: the first column is the frequency in Hz, got {values[0]:g}")
    if not abs(values[1]) <= MOST_DB:
        raise InputError(
            f"{where}: need -{MOST_DB:g} to {MOST_DB:g} dB re 1 kHz, got {values[1]:g}; "
            "take the microphone's sensitivity off the column"
        )
    if len(values) > 2 and not 0.0 <= values[2] <= MOST_TOLERANCE_DB:
        raise InputError(
            f"{where}: the third column is the tolerance, 0 to {MOST_TOLERANCE_DB:g} dB, got "
            f"{values[2]:g}; leave out a column of phases"
        )
    return values


def identify_curve(curve: MicrophoneCurve | None) -> str:
    r"""
    A name that no other curve has: what the file is called, and a few letters of what is in it.

    Examples
    --------
    >>> identify_curve(None), identify_curve(parse_curve("200 0\n4000 0", "mine"))[:5]
    ('', 'mine ')
    """
    if curve is None:
        return ""
    digest = hashlib.sha256(format_curve(curve).encode()).hexdigest()
    return f"{curve.label} {digest[:6]}"


def format_curve(curve: MicrophoneCurve) -> str:
    r"""
    The lines that `parse_curve` reads.

    Examples
    --------
    >>> format_curve(parse_curve("200,1.5,.5\n1000,0,.1\n4000,3,.5", "mine"))
    '200 1.5 0.5\n1000 0 0.1\n4000 3 0.5'
    """
    columns = [curve.frequency_hz, curve.level_db]
    columns += [curve.tolerance_db] if curve.tolerance_db else []
    rows = zip(*columns, strict=True)
    return "\n".join(" ".join(f"{value:.6g}" for value in row) for row in rows)


def read_curve_db(curve: MicrophoneCurve | None, frequency_hz: Array) -> Array:
    """
    What the microphone reads too much, re 1 kHz.

    Parameters
    ----------
    curve : MicrophoneCurve or None
    frequency_hz : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (n,)
        dB; 0 without a curve, and beyond its ends what it is there.
    """
    if curve is None:
        return np.zeros(len(frequency_hz))
    points = np.log(curve.frequency_hz)
    return np.asarray(np.interp(np.log(frequency_hz), points, curve.level_db))


def estimate_curve_db(curve: MicrophoneCurve | None, frequency_hz: Array) -> Array:
    """
    How far the microphone may be from that, re 1 kHz: half-width of a 95 % interval.

    Parameters
    ----------
    curve : MicrophoneCurve or None
    frequency_hz : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (n,)
        dB. Without a curve what small microphones do; with one its own tolerance, or a proposal
        where it states none (`along_band.csv`). Beyond the ends of a curve what small
        microphones do, too.
    """
    usual_db = read_usual_db("microphone", frequency_hz)
    if curve is None:
        return usual_db
    if curve.tolerance_db:
        points = np.log(curve.frequency_hz)
        own_db = np.interp(np.log(frequency_hz), points, curve.tolerance_db)
        # Stated for the whole curve; close to 1 kHz the calibrator knows better.
        own_db = own_db * np.minimum(np.abs(np.log2(frequency_hz / 1000.0)), 1.0)
    else:
        own_db = read_usual_db("curve", frequency_hz)
    ends_hz = curve.frequency_hz[0], curve.frequency_hz[-1]
    is_known = (frequency_hz >= ends_hz[0]) & (frequency_hz <= ends_hz[1])
    return np.asarray(np.where(is_known, own_db, np.maximum(own_db, usual_db)))


def describe_curve(curve: MicrophoneCurve | None) -> str:
    """What the microphone's part of an interval rests on, where it is no measurement."""
    if curve is None:
        return (
            "the microphone's curve is not stated: what small ones do (from memory, not seen in "
            "print) is in every interval away from 1 kHz; `bench edit NAME --microphone-curve "
            "FILE` states it"
        )
    if not curve.tolerance_db:
        return (
            f"the microphone's curve {curve.label} states no tolerance: 1 dB at 4 kHz (a proposal) "
            "is in every interval; a third column states it"
        )
    return ""


@functools.cache
def _load_usual() -> dict[str, tuple[tuple[float, float], ...]]:
    file = importlib.resources.files("voicecheck").joinpath("data/bench/along_band.csv")
    lines = file.read_text(encoding="utf-8").splitlines()
    found: dict[str, tuple[tuple[float, float], ...]] = {}
    for row in csv.DictReader(line for line in lines if not line.startswith("#")):
        point = (float(row["frequency_hz"]), float(row["half_width_db"]))
        found[row["what"]] = (*found.get(row["what"], ()), point)
    return found


def read_usual_db(what: str, frequency_hz: Array) -> Array:
    """
    Half-widths of the table `along_band.csv`, dB.

    Parameters
    ----------
    what : str
        "microphone", "curve" or "handset".
    frequency_hz : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (n,)
    """
    points_hz, half_widths_db = np.array(_load_usual()[what]).T
    return np.asarray(np.interp(np.log(frequency_hz), np.log(points_hz), half_widths_db))
