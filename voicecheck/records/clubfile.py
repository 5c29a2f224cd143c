"""
A club's baseline as a file, and reading one with suspicion.

The file is the JSON document "voicecheck.club-baseline/1". Its fingerprint is SHA-256 over the
document without the key `fingerprint`, keys sorted, no blanks, numbers as short as they can be
said exactly; the first 64 bits are told in letters that sound unlike each other. It is the same on
every machine, and a changed digit changes it.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator
from typing import Any

import msgspec
import numpy as np

from voicecheck.errors import InputError
from voicecheck.records.arrays import Array
from voicecheck.records.clubs import ClubBaseline
from voicecheck.records.covariation import Covariation
from voicecheck.records.documents import from_json, to_document
from voicecheck.records.jobs import Baseline, BaselineQuantity
from voicecheck.records.signals import PATHS
from voicecheck.records.terms import Transmitter, words_of

SCHEMA = "voicecheck.club-baseline/1"
MOST_BYTES = 4 << 20
MOST_POINTS, MOST_SETS, MOST_TEXT, MOST_LINES = 4000, 100_000, 4000, 100
MOST_DB = 1000.0
MOST = 1e30
"""Of two sets the limit of a ratio is far away, and yet a limit."""
DIGITS = 8
"""Significant digits that are passed on: a frequency stays on its grid."""
LETTERS = "AFHJKLMOQRSUWXYZ"
"""Sixteen whose English names do not rhyme."""
CURVES = (
    "mean_db", "sd_db", "low_db", "high_db",
    "shape_mean_db", "shape_sd_db", "shape_low_db", "shape_high_db",
)  # fmt: skip
SEAT_CURVES = ("seat_sd_db", "shape_seat_sd_db")


def compute_fingerprint(document: dict[str, Any]) -> str:
    """
    Fingerprint of a document, whatever it says its fingerprint is.

    Returns
    -------
    str
        Four groups of four letters.

    Examples
    --------
    >>> compute_fingerprint({"a": 1.5}) == compute_fingerprint({"fingerprint": "x", "a": 1.5})
    True
    >>> compute_fingerprint({"a": 1.5})
    'JUFW UKAU HHRJ JXQJ'
    """
    kept = {key: value for key, value in document.items() if key != "fingerprint"}
    text = json.dumps(kept, sort_keys=True, separators=(",", ":"))
    digits = hashlib.sha256(text.encode("ascii")).hexdigest()[:16]
    letters = "".join(LETTERS[int(digit, 16)] for digit in digits)
    return " ".join(letters[at : at + 4] for at in range(0, 16, 4))


def write_club(club: ClubBaseline) -> bytes:
    """The file of a club's baseline, with its fingerprint made."""
    document = _shorten(to_document(club))
    document["fingerprint"] = compute_fingerprint(document)
    return json.dumps(document, separators=(",", ":")).encode("ascii")


def _shorten(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}")
    if isinstance(value, list):
        return [_shorten(item) for item in value]
    if isinstance(value, dict):
        return {key: _shorten(item) for key, item in value.items()}
    return value


def read_club(text: bytes, name: str) -> ClubBaseline:
    """
    Read a club's baseline.

    Parameters
    ----------
    text : bytes
    name : str
        Of the file, for messages.

    Returns
    -------
    ClubBaseline

    Raises
    ------
    InputError
        Too large, no such document, or a value out of its range; one line names the field.
    """
    try:
        return _read(text)
    except _Refused as refused:
        raise InputError(f"club baseline {name}: {refused}; nothing was taken in") from refused


def _read(text: bytes) -> ClubBaseline:
    _need(len(text) <= MOST_BYTES, "size", f"at most {MOST_BYTES} bytes", len(text))
    document = _parse(text)
    club = _decode(text)
    _check_club(club)
    found = compute_fingerprint(document)
    is_whole = club.fingerprint == found
    _need(is_whole, "fingerprint", f"{found} (or it was changed on its way)", club.fingerprint)
    return club


class _Refused(Exception):  # noqa: N818 (never leaves this module)
    """Why a file is not taken."""


def _parse(text: bytes) -> dict[str, Any]:
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise _Refused("is not a JSON document") from error
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        told = document.get("schema") if isinstance(document, dict) else None
        raise _Refused(f"schema: need {SCHEMA!r}, got {str(told)[:60]!r}")
    return document


def _decode(text: bytes) -> ClubBaseline:
    try:
        return from_json(text, ClubBaseline)
    except (msgspec.MsgspecError, ValueError, TypeError, OverflowError, RecursionError) as error:
        raise _Refused(f"does not fit ({str(error)[:200]})") from error


def _need(is_met: object, field: str, need: str, got: object) -> None:
    if not is_met:
        raise _Refused(f"{field}: need {need}, got {str(got)[:60]}")


def _check_club(club: ClubBaseline) -> None:
    for field in ("type_name", "region", "made_by", "bench", "calibration", "made_utc", "version"):
        _check_text(field, getattr(club, field))
    _need(club.type_name.strip(), "type_name", "a name", "an empty one")
    kinds = words_of(Transmitter)
    _need(club.transmitter in kinds, "transmitter", f"one of {', '.join(kinds)}", club.transmitter)
    _need(0.0 < club.feed_ma <= 200.0, "feed_ma", "0 to 200 mA", club.feed_ma)
    paths = [one.path for one in club.baselines]
    _need(paths, "baselines", "at least one", "none")
    for at, baseline in enumerate(club.baselines):
        _check_baseline(baseline, f"baselines[{at}]")
        _need(
            baseline.type_name == club.type_name, f"baselines[{at}].type_name", club.type_name,
            baseline.type_name,
        )  # fmt: skip
    _need(len(set(paths)) == len(paths), "baselines", "one for each path", ", ".join(paths))
    for at, kept in enumerate(club.recordings):
        is_hash = len(kept.sha256) == 64 and set(kept.sha256) <= set("0123456789abcdef")
        _need(is_hash, f"recordings[{at}].sha256", "64 digits from 0 to f", kept.sha256)


def _check_text(field: str, text: str) -> None:
    _need(len(text) <= MOST_TEXT, field, f"at most {MOST_TEXT} letters", len(text))
    _need(text.isprintable(), field, "letters on one line", ascii(text))


def _check_baseline(one: Baseline, at: str) -> None:
    _need(one.path in PATHS, f"{at}.path", f"one of {', '.join(PATHS)}", one.path)
    _need(2 <= one.n <= MOST_SETS, f"{at}.n", f"2 to {MOST_SETS}", one.n)
    for field, text in _list_texts(one):
        _check_text(f"{at}.{field}", text)
    hz = one.frequency_hz
    _need(hz.ndim == 1 and 1 <= hz.size <= MOST_POINTS, f"{at}.frequency_hz",
          f"1 to {MOST_POINTS} numbers in a row", f"shape {hz.shape}")  # fmt: skip
    rises = bool(np.all(np.isfinite(hz)) and hz[0] > 0.0 and np.all(np.diff(hz) > 0.0))
    _need(rises and hz[-1] <= 1e6, f"{at}.frequency_hz", "rising numbers up to 1 MHz", "others")
    for name in (*CURVES, *SEAT_CURVES):
        curve = getattr(one, name)
        if curve is not None or name in CURVES:
            _check_curve(curve, hz.size, f"{at}.{name}", is_spread=name.endswith("sd_db"))
    for low, high in (("low_db", "high_db"), ("shape_low_db", "shape_high_db")):
        crossed = getattr(one, low) > getattr(one, high)
        _need(not np.any(crossed), f"{at}.{low}", f"to lie below {high}", "one that does not")
    for name, value, least, most in (
        ("dof", one.dof, 1e-3, 1e6), ("n_seats", one.n_seats, 1.0, 1e4),
        ("level_share", one.level_share, 0.0, 1.0),
    ):  # fmt: skip
        fits = value is None or least <= value <= most
        _need(fits, f"{at}.{name}", f"{least:g} to {most:g}", value)
    names = [quantity.quantity for quantity in one.quantities]
    _need(len(set(names)) == len(names) <= 200, f"{at}.quantities", "each once", len(names))
    for quantity in one.quantities:
        _check_quantity(quantity, f"{at}.quantities {ascii(quantity.quantity)[:40]}")
    if one.covariation is not None:
        _check_covariation(one.covariation, one.n, f"{at}.covariation")


def _check_covariation(one: Covariation, n: int, at: str) -> None:
    _need(len(one.traits) <= MOST_LINES, f"{at}.traits", f"at most {MOST_LINES}", len(one.traits))
    for text in (*one.traits, one.noise_from):
        _check_text(at, text)
    count = len(one.traits)
    for name, shape in (
        ("mean", (count,)), ("weights", (count,)), ("caps", (count,)), ("deviations", (n, count)),
    ):  # fmt: skip
        found = getattr(one, name)
        _need(found.shape == shape, f"{at}.{name}", f"shape {shape}", f"shape {found.shape}")
        known = found[~np.isnan(found)]
        _need(np.all(np.abs(known) <= MOST_DB), f"{at}.{name}", f"up to {MOST_DB:g}", "larger ones")
    for name in ("sd_db", "dof", "lent_dof", "seat_sd_db"):
        value = getattr(one, name)
        fits = value is None or 0.0 <= value <= 1e6
        _need(fits, f"{at}.{name}", "0 or more, of sensible size", value)
    for limit in (one.low_db, one.high_db):
        fits = limit is None or abs(limit) <= MOST
        _need(fits, at, "limits of sensible size", limit)


def _list_texts(one: Baseline) -> Iterator[tuple[str, str]]:
    conditions = one.conditions
    yield from (("unit", one.unit), ("method", one.method), ("version", one.version))
    yield from (("built_utc", one.built_utc or ""), ("conditions.bench", conditions.bench))
    yield "conditions.calibration", conditions.calibration or ""
    for field, texts in (
        ("warnings", one.warnings),
        ("conditions.notes", conditions.notes),
        ("conditions.calibration_notes", conditions.calibration_notes),
        ("doubted", [doubt.why for doubt in one.doubted]),
        ("doubted", [doubt.path for doubt in one.doubted]),
    ):
        _need(len(texts) <= MOST_LINES, field, f"at most {MOST_LINES}", len(texts))
        yield from ((field, text) for text in texts)


def _check_curve(curve: Array, n_points: int, field: str, *, is_spread: bool) -> None:
    _need(curve.shape == (n_points,), field, f"{n_points} numbers", f"shape {curve.shape}")
    known = curve[~np.isnan(curve)]
    _need(np.all(np.abs(known) <= MOST_DB), field, f"values within {MOST_DB:g} dB", "larger ones")
    if is_spread and known.size:
        _need(np.min(known) >= 0.0, field, "0 or more", float(np.min(known)))


def _check_quantity(one: BaselineQuantity, field: str) -> None:
    for text in (one.quantity, one.unit):
        _check_text(field, text)
    _need(1 <= one.n <= MOST_SETS, f"{field}.n", f"1 to {MOST_SETS}", one.n)
    numbers = {name: getattr(one, name) for name in ("mean", "sd", "low", "high", "seat_sd", "dof")}
    for name, value in numbers.items():
        fits = value is None or (math.isfinite(value) and abs(value) <= MOST)
        _need(fits, f"{field}.{name}", "a number of sensible size", value)
    for name in ("sd", "seat_sd", "dof"):
        value = numbers[name]
        _need(value is None or value >= 0.0, f"{field}.{name}", "0 or more", value)
    is_log = one.scale == "log"
    _need(one.mean > 0.0 or not is_log, f"{field}.mean", "more than 0", one.mean)
    _need(1.0 <= one.n_seats <= 1e4, f"{field}.n_seats", "1 to 10000", one.n_seats)
    if one.low is not None and one.high is not None:
        _need(one.low <= one.high, f"{field}.low", "to lie below high", one.low)
