"""Read-only arrays inside frozen records, and equality that understands them."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from functools import cache
from typing import Any, get_args, get_type_hints

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def freeze_arrays(record: Any) -> None:
    """
    Replace every array-like field of a frozen dataclass by a read-only float64 copy.

    Parameters
    ----------
    record : dataclass instance
        Called from `__post_init__`; fields of type `Array` are converted, `None` is kept.
    """
    kind: Any = type(record)
    for name in _list_array_fields(kind):
        if (value := getattr(record, name)) is not None:
            object.__setattr__(record, name, _freeze(value))


@cache
def _list_array_fields(kind: type) -> tuple[str, ...]:
    """Fields that are an `Array` or may be one, by their types, however these are spelled."""
    types = get_type_hints(kind)
    names = (field.name for field in dataclasses.fields(kind))
    return tuple(name for name in names if Array in (types[name], *get_args(types[name])))


def _freeze(value: Any) -> Array:
    """Read-only float64 copy; an array that nobody can write to any more is taken as it is."""
    if (
        isinstance(value, np.ndarray)
        and value.dtype == np.float64
        and value.base is None
        and not value.flags.writeable
    ):
        return value
    array = np.array(value, dtype=np.float64)
    array.flags.writeable = False
    return array


def is_same(first: Any, second: Any) -> bool:
    """
    Whether two records hold the same values, NaN equal to NaN.

    Parameters
    ----------
    first, second : record, array, tuple, mapping or scalar

    Returns
    -------
    bool
    """
    if type(first) is not type(second):
        return False
    if isinstance(first, np.ndarray):
        return bool(np.array_equal(first, second, equal_nan=True))
    if dataclasses.is_dataclass(first):
        return all(
            is_same(getattr(first, field.name), getattr(second, field.name))
            for field in dataclasses.fields(first)
        )
    if isinstance(first, tuple | list):
        return len(first) == len(second) and all(map(is_same, first, second))
    if isinstance(first, Mapping):
        return first.keys() == second.keys() and all(is_same(first[k], second[k]) for k in first)
    return bool(first == second or (first != first and second != second))  # noqa: PLR0124 (NaN)


def none_if_nan(value: float) -> float | None:
    """
    A withheld scalar as records have it.

    Examples
    --------
    >>> none_if_nan(2.5), none_if_nan(math.nan)
    (2.5, None)
    """
    return float(value) if math.isfinite(value) else None
