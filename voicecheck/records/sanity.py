"""
Whether a record that somebody else sent could have been measured: its numbers, by their names.

Types are checked on reading (`from_json`); here are sizes, signs and lengths. The bounds are far
beyond anything measured (judgement): they keep out what would make a later calculation fail or
mislead, and never stand in a verdict. NaN is "withheld" and passes.
"""

from __future__ import annotations

import dataclasses
import math
import re
import sys
from collections.abc import Iterator, Mapping
from typing import Any, NoReturn

import numpy as np

from voicecheck.errors import InputError
from voicecheck.records.arrays import Array

MOST, MOST_DB, MOST_HZ = 1e9, 1000.0, 1e6
WIDEST_LIMIT = 1e100
"""Limits of a type from two sets of few seats let everything within, and are as wide as that."""
RATES_HZ = (1000, 1_000_000)
MOST_COUNT = 100_000
"""Of what is counted one by one: sets, seats, runs."""
MOST_NUMBERS = 1_000_000
"""Of one array."""
_DB, _HZ = re.compile(r"(_|^)(db|dbfs|dbm|dbmp|dbspl|dbrnc)$"), re.compile(r"_hz$")
_NEVER_NEGATIVE = re.compile(r"(^|_)(sd|uncertainty|half_width)(_|$)|^dof$|^n_|^n$")
_COUNT = re.compile(r"^n$|^n_(seats|sets|runs|kept)$")
_SHA256 = re.compile(r"[0-9a-f]{64}")
_LIMITS = (
    ("mean_db", "low_db", "high_db"),
    ("shape_mean_db", "shape_low_db", "shape_high_db"),
    ("quantity", "low", "high"),
)
"""Pairs of limits, each with the field that tells them from levels of a low and a high band."""


def check_sanity(record: Any, name: str) -> None:
    """
    Refuse a record with a number that nothing measured can have.

    Parameters
    ----------
    record : record, or any value inside of one
    name : str
        What it is called in the message; fields are added with points.

    Raises
    ------
    InputError
        The field, what it needs, and what it holds.

    Examples
    --------
    >>> from voicecheck.records import RecordingInfo
    >>> check_sanity(RecordingInfo(rate_hz=48000), "run")
    >>> check_sanity(RecordingInfo(rate_hz=-1), "run")
    Traceback (most recent call last):
    voicecheck.errors.InputError: run.rate_hz: need 1000 to 1000000, got -1
    """
    if dataclasses.is_dataclass(record):
        _check_lengths(record, name)
        _check_limits(record, name)
        for field in dataclasses.fields(record):
            _check_value(getattr(record, field.name), field.name, f"{name}.{field.name}")
    elif isinstance(record, Mapping):
        for key, value in record.items():
            check_sanity(value, f"{name}.{ascii(key)[:40]}")
    elif isinstance(record, (tuple, list)):
        for at, value in enumerate(record):
            check_sanity(value, f"{name}[{at}]")


def _check_value(value: Any, field: str, name: str) -> None:
    if isinstance(value, bool) or value is None:
        return
    if isinstance(value, np.ndarray):
        if value.size > MOST_NUMBERS:
            _refuse(name, f"at most {MOST_NUMBERS} numbers", value.size)
        for extreme in _list_extremes(value):
            _check_number(extreme, field, name)
    elif isinstance(value, (int, float)):
        _check_number(value, field, name)
    elif isinstance(value, str):
        if field == "sha256" and not _SHA256.fullmatch(value):
            _refuse(name, "64 digits from 0 to f", ascii(value)[:60])
    else:
        check_sanity(value, name)


def _list_extremes(array: Array) -> Iterator[float]:
    known = array[~np.isnan(array)]
    if known.size:
        yield from (float(np.min(known)), float(np.max(known)))


def _check_number(value: float, field: str, name: str) -> None:
    if isinstance(value, int) and abs(value) > sys.maxsize:
        _refuse(name, "a number of sensible size", "one that no calculation can hold")
    if math.isnan(value):
        return
    low, high = -MOST, MOST
    if field == "rate_hz":
        low, high = RATES_HZ
    elif field in ("low", "high"):
        low, high = -WIDEST_LIMIT, WIDEST_LIMIT
    elif _COUNT.search(field):
        low, high = 1 if field == "n" else 0, MOST_COUNT
    elif _DB.search(field):
        low, high = -MOST_DB, MOST_DB
    elif _HZ.search(field):
        low, high = -MOST_HZ, MOST_HZ
    if _NEVER_NEGATIVE.search(field):
        low = max(low, 0)
    if not low <= value <= high:
        _refuse(name, f"{low:.7g} to {high:.7g}", f"{value:.7g}")


def _check_lengths(record: Any, name: str) -> None:
    """Curves of one record have a value for each frequency, or for each of their first."""
    arrays = {
        field.name: value
        for field in dataclasses.fields(record)
        if isinstance(value := getattr(record, field.name), np.ndarray)
    }
    first = next((one for one in ("frequency_hz", "input_db") if one in arrays), None)
    if first is None:
        return
    wanted = arrays[first].shape
    if len(wanted) != 1:
        _refuse(f"{name}.{first}", "numbers in a row", f"shape {wanted}")
    for field, array in arrays.items():
        if array.shape[-1:] != wanted or array.ndim > 2:
            _refuse(f"{name}.{field}", f"{wanted[0]} numbers as {first}", f"shape {array.shape}")
    if first == "frequency_hz" and not (
        np.all(arrays[first] > 0.0) and np.all(np.diff(arrays[first]) > 0.0)
    ):
        _refuse(f"{name}.{first}", "rising numbers above 0", "others")


def _check_limits(record: Any, name: str) -> None:
    for beside, low, high in _LIMITS:
        if not hasattr(record, beside):
            continue
        lower, upper = getattr(record, low, None), getattr(record, high, None)
        if lower is None or upper is None or type(lower) is not type(upper):
            continue
        if np.any(np.asarray(lower) > np.asarray(upper)):
            _refuse(f"{name}.{low}", f"to lie below {high}", "one that does not")


def _refuse(name: str, need: str, got: object) -> NoReturn:
    raise InputError(f"{name}: need {need}, got {got}")
