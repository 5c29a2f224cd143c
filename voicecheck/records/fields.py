"""
What may be asked of somebody: the fields of an options record, each described once.

An options record is a frozen dataclass whose fields are `Annotated` with `msgspec.Meta`: bounds
and unit (see `voicecheck.records.bounds`), a description (as a command's help tells it) and, in
`extra`, a label (as a form shows it), the option's name and an example. Command line and page are
made from these fields.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

import msgspec

from voicecheck.records.bounds import Bounds, list_bounds
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
        Of the field in its record.
    kind : str
        "number", "whole", "text", "choice", "tick", "yes or no", "texts" or "file".
    default : object
        `None` where nothing need be said.
    label, about : str
        As a form shows it; as a command's help tells it.
    option : str
        Of the command line, as "--tone-hz".
    bounds : Bounds
    example : str
    argument : str
        What a command calls it where it stands without an option's name; "" for an option.
    """

    name: str
    kind: FieldKind
    default: Any
    label: str
    about: str
    option: str
    bounds: Bounds
    example: str = ""
    argument: str = ""


def list_fields(record: Any) -> tuple[Field, ...]:
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
    hints, bounds = get_type_hints(record, include_extras=True), list_bounds(record)
    return tuple(
        _describe(one, hint, bounds.get(one.name, Bounds(name=one.name)))
        for one in dataclasses.fields(record)
        if (hint := _find_annotated(hints[one.name])) is not None
    )


def _find_annotated(hint: Any) -> Any:
    """
    The part of a field's type that says how it is asked for; `None` where it is not.

    A number that is stored and may be missing carries it inside: a reader of JSON takes no bounds
    around a choice of types.
    """
    if get_origin(hint) is Annotated:
        return hint
    if get_origin(hint) in (Union, UnionType):
        inner = [_find_annotated(one) for one in get_args(hint) if one is not NoneType]
        told = [one for one in inner if one and any(_is_told(meta) for meta in get_args(one)[1:])]
        return told[0] if len(told) == 1 else None
    return None


def _is_told(meta: Any) -> bool:
    return isinstance(meta, msgspec.Meta) and bool(meta.description)


def _describe(field: dataclasses.Field[Any], hint: Any, bounds: Bounds) -> Field:
    inner, *metas = get_args(hint)
    meta = next(one for one in metas if isinstance(one, msgspec.Meta))
    extra: dict[str, str] = meta.extra or {}
    return Field(
        name=field.name,
        kind=_find_kind(inner),
        default=None if field.default is dataclasses.MISSING else field.default,
        label=extra.get("label", field.name.replace("_", " ")),
        about=meta.description or "",
        option=extra.get("option", "--" + field.name.replace("_", "-")),
        example=extra.get("example", ""),
        argument=extra.get("argument", ""),
        bounds=bounds,
    )


def _find_kind(hint: Any) -> FieldKind:
    if get_origin(hint) in (Union, UnionType):
        (inner,) = (one for one in get_args(hint) if one is not NoneType)
        return "yes or no" if inner is bool else _find_kind(inner)
    if get_origin(hint) is Literal:
        return "choice"
    return "texts" if get_origin(hint) is tuple else KINDS[hint]


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
