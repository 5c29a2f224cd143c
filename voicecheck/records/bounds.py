"""
What a field of a record may hold, read from its own type.

A field says it once: `Literal` for a closed list of words, `Annotated[..., Meta(ge=, le=)]` for a
range. From that come the check of the record, the attributes of a form's field and the range that
a command's help shows, so that none of them can say something else.
"""

from __future__ import annotations

import functools
import types
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

import msgspec

from voicecheck.errors import InputError
from voicecheck.records.terms import check_word


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """
    What one field may hold.

    Parameters
    ----------
    name : str
        What the field is called where it is typed.
    low, high : float or None
    unit, remedy : str
        `remedy` ends the error sentence: "; was it amperes?".
    is_whole : bool
        Whether only whole numbers fit.
    words : tuple
        Of a closed list; empty for a number or for free text.
    most : int or None
        Letters of a text, or entries of a list of texts.
    """

    name: str
    low: float | None = None
    high: float | None = None
    unit: str = ""
    remedy: str = ""
    is_whole: bool = False
    words: tuple[str | int, ...] = ()
    most: int | None = None

    @property
    def text(self) -> str:
        """The range or the words as a help shows them: "1 to 200 mA", "coupler, coil"."""
        if self.words:
            return ", ".join(map(str, self.words))
        if self.low is None and self.high is None:
            return ""
        if self.high is None:
            return f"{self.low:g} {self.unit} or more".replace("  ", " ")
        if self.low is None:
            return f"{self.high:g} {self.unit} or less".replace("  ", " ")
        return f"{self.low:g} to {self.high:g} {self.unit}".rstrip()

    def check(self, value: Any) -> None:
        """
        Refuse a value that does not fit.

        Raises
        ------
        InputError
            With what is needed, what was given, and what it may have been meant as.
        """
        if self.most is not None:
            if len(value) > self.most:
                what = "letters" if isinstance(value, str) else "entries"
                message = f"{self.name}: need at most {self.most} {what}, got {len(value)}"
                raise InputError(message)
        elif self.words and isinstance(value, str):
            check_word(value, map(str, self.words), self.name)
        elif self.words and value not in self.words:
            raise InputError(f"{self.name}: need one of {self.text}, got {value}")
        elif not self.words and not self._is_inside(value):
            ends = "from" if self.low is not None and self.high is not None else "of"
            kind = f"a whole number {ends} " if self.is_whole else ""
            raise InputError(f"{self.name}: need {kind}{self.text}, got {value:g}{self.remedy}")

    def _is_inside(self, value: float) -> bool:
        # Written so that NaN, which compares with nothing, is outside of any range.
        is_high_enough = self.low is None or value >= self.low
        return is_high_enough and (self.high is None or value <= self.high)


@functools.cache
def list_bounds(record: type[Any]) -> Mapping[str, Bounds]:
    """
    Bounds of the fields of a record, by field; a field that may hold anything is left out.

    Examples
    --------
    >>> from voicecheck.records.benches import BenchSetup
    >>> list_bounds(BenchSetup)["feed_ma"].text, list_bounds(BenchSetup)["ear"].text
    ('1 to 200 mA', 'coupler, coil')
    """
    hints = get_type_hints(record, include_extras=True)
    found = {name: _read_bounds(name, kind) for name, kind in hints.items()}
    return {name: one for name, one in found.items() if one.text or one.most is not None}


def check_bounds(record: Any) -> None:
    """
    Refuse a record of which a field holds what it may not; `None` is "not stated".

    Raises
    ------
    InputError
        Of the first field that does not fit.
    """
    for name, bounds in list_bounds(record.__class__).items():
        if (value := getattr(record, name)) is not None:
            bounds.check(value)


def _read_bounds(name: str, kind: Any) -> Bounds:
    if get_origin(kind) in {Union, types.UnionType}:
        stated = [one for one in get_args(kind) if one is not type(None)]
        return _read_bounds(name, stated[0]) if len(stated) == 1 else Bounds(name=name)
    if get_origin(kind) is Literal:
        return Bounds(name=name, words=get_args(kind))
    if get_origin(kind) is not Annotated:
        return Bounds(name=name)
    base, *notes = get_args(kind)
    meta = next((note for note in notes if isinstance(note, msgspec.Meta)), msgspec.Meta())
    inner = _read_bounds(meta.title or name, base)
    if inner.words:
        return inner
    return Bounds(
        name=inner.name,
        low=meta.ge,
        high=meta.le,
        unit=(meta.extra or {}).get("unit", ""),
        remedy=(meta.extra or {}).get("remedy", ""),
        is_whole=base is int,
        most=meta.max_length,
    )
