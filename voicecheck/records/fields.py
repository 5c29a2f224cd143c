"""
What may be asked of somebody: the fields of an options record, each described once.

An options record is a frozen dataclass whose fields are `Annotated` with `msgspec.Meta`: bounds, a
title (as a form shows it), a description (as a command's help tells it) and, in `extra`, the unit,
the option's name and what to look at where a value is beyond the bounds. Command line, page and
validator are made from these fields; none of them names a bound of its own.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

import msgspec

from voicecheck.errors import InputError
from voicecheck.records.terms import check_word

FieldKind = Literal["number", "whole", "text", "choice", "tick", "yes or no", "texts", "file"]
KINDS: dict[Any, FieldKind] = {
    float: "number", int: "whole", str: "text", bool: "tick", Path: "file",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """
    One thing that may be asked.

    Parameters
    ----------
    name : str
        Of the field in its record, and in every message about it.
    kind : str
        "number", "whole", "text", "choice", "tick", "yes or no", "texts" or "file".
    default : object
        `None` where nothing need be said.
    title, about : str
        As a form shows it; as a command's help tells it.
    option : str
        Of the command line, as "--tone-hz".
    unit : str
    low, high : float or None
        Both allowed; of "texts" and "text" `high` is the most entries or letters.
    words : tuple of str
        Of a choice.
    remedy : str
        What to look at where a number is beyond its bounds.
    example : str
    """

    name: str
    kind: FieldKind
    default: Any
    title: str
    about: str
    option: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    words: tuple[str, ...] = ()
    remedy: str = ""
    example: str = ""

    @property
    def range_text(self) -> str:
        """
        The bounds in words; "" where there are none.

        Examples
        --------
        >>> Field(name="a", kind="number", default=1.0, title="A", about="", option="--a",
        ...       unit="s", low=2.0, high=600.0).range_text
        '2 to 600 s'
        """
        low = "" if self.low is None else f"{self.low:g}"
        high = "" if self.high is None else f"{self.high:g}"
        spans = {(True, True): f"{low} to {high}", (True, False): f"at least {low}"}
        told = spans.get((bool(low), bool(high)), f"at most {high}" if high else "")
        return f"{told} {self.unit}".strip() if told else ""


def list_fields(record: type) -> tuple[Field, ...]:
    """
    Fields of an options record that may be asked for, in their order.

    Parameters
    ----------
    record : type
        A frozen dataclass; a field without `msgspec.Meta` is not asked for.

    Returns
    -------
    tuple of Field
    """
    hints = get_type_hints(record, include_extras=True)
    described = ((one, hints[one.name]) for one in dataclasses.fields(record))
    return tuple(_describe(one, hint) for one, hint in described if get_origin(hint) is Annotated)


def _describe(field: dataclasses.Field[Any], hint: Any) -> Field:
    inner, *metas = get_args(hint)
    (meta,) = (one for one in metas if isinstance(one, msgspec.Meta))
    extra: dict[str, str] = meta.extra or {}
    kind, words = _find_kind(inner)
    most = meta.max_length
    return Field(
        name=field.name,
        kind=kind,
        default=None if field.default is dataclasses.MISSING else field.default,
        title=meta.title or field.name.replace("_", " "),
        about=meta.description or "",
        option=extra.get("option", "--" + field.name.replace("_", "-")),
        unit=extra.get("unit", ""),
        low=meta.ge,
        high=meta.le if most is None else most,
        words=words,
        remedy=extra.get("remedy", ""),
        example=extra.get("example", ""),
    )


def _find_kind(hint: Any) -> tuple[FieldKind, tuple[str, ...]]:
    if get_origin(hint) in (Union, UnionType):
        (inner,) = (one for one in get_args(hint) if one is not NoneType)
        return ("yes or no", ()) if inner is bool else _find_kind(inner)
    if get_origin(hint) is Literal:
        return "choice", get_args(hint)
    return ("texts", ()) if get_origin(hint) is tuple else (KINDS[hint], ())


def check_fields(options: Any) -> None:
    """
    Refuse what is out of the bounds of an options record's fields.

    Parameters
    ----------
    options : object
        An options record.

    Raises
    ------
    InputError
        The first value that is out of range: its name, what is needed, what was given.

    Examples
    --------
    >>> from dataclasses import make_dataclass
    >>> meta = msgspec.Meta(ge=2, le=600, extra={"unit": "s"})
    >>> Length = make_dataclass("Length", [("seconds", Annotated[float, meta])])
    >>> check_fields(Length(20.0))
    >>> check_fields(Length(1.0))
    Traceback (most recent call last):
        ...
    voicecheck.errors.InputError: seconds: need 2 to 600 s, got 1
    """
    for field in list_fields(type(options)):
        value = getattr(options, field.name)
        if value is not None:
            _check(field, value)


def _check(field: Field, value: Any) -> None:
    if field.kind == "choice":
        check_word(value, field.words, field.name)
    elif field.kind in ("number", "whole"):
        low = -math.inf if field.low is None else field.low
        high = math.inf if field.high is None else field.high
        if not (math.isfinite(value) and low <= value <= high):
            told = f"{field.name}: need {field.range_text or 'a number'}, got {value:g}"
            raise InputError(f"{told}; {field.remedy}" if field.remedy else told)
    elif field.high is not None and len(value) > field.high:
        what = "entries" if field.kind == "texts" else "letters"
        raise InputError(f"{field.name}: need at most {field.high:g} {what}, got {len(value)}")


def read_yes_or_no(name: str, text: str) -> bool | None:
    """
    An answer as it was typed; `None` where there is none.

    Raises
    ------
    InputError
        It is neither.

    Examples
    --------
    >>> read_yes_or_no("pulses", "yes"), read_yes_or_no("pulses", "")
    (True, None)
    """
    if text:
        check_word(text, ("yes", "no"), name)
    return {"yes": True, "no": False}.get(text)
