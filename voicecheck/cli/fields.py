"""Options of a command from the fields of an options record."""

from __future__ import annotations

import inspect
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Any

import typer

from voicecheck.records.fields import Field, read_yes_or_no

TYPES: dict[str, Any] = {
    "number": float,
    "whole": int,
    "text": str,
    "choice": str,
    "tick": bool,
    "yes or no": str,
    "texts": list[str],
    "file": Path,
}


def make_parameter(name: str, kind: Any, default: Any) -> inspect.Parameter:
    """A parameter of a command, as its function would state it."""
    place = inspect.Parameter.KEYWORD_ONLY
    return inspect.Parameter(name, place, default=default, annotation=kind)


def make_option(field: Field) -> inspect.Parameter:
    """
    The option that asks for a field, its bounds in its help.

    What is out of bounds is refused by the record itself, in the same sentence everywhere.
    """
    told = field.about.rstrip(".")
    if field.bounds.text and field.kind in ("number", "whole"):
        told += f", {field.bounds.text}"
    kind, default = TYPES[field.kind], field.default
    if field.kind in ("texts", "yes or no"):
        default = None if field.kind == "texts" else ""
    if default is None:
        kind = kind | None
    option = typer.Option(field.option, help=f"{told}.")
    return make_parameter(field.name, Annotated[kind, option], default)


def read_fields(fields: Iterable[Field], values: dict[str, Any]) -> dict[str, Any]:
    """Values of fields as their record takes them, out of what was typed."""
    return {field.name: _read(field, values[field.name]) for field in fields}


def _read(field: Field, value: Any) -> Any:
    if field.kind == "texts":
        return tuple(value or ())
    if field.kind == "yes or no":
        return read_yes_or_no(field.option.removeprefix("--"), value)
    return value
