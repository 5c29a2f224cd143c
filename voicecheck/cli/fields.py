"""Options of a command from the fields of an options record."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from voicecheck.records.fields import Field

VARIOUS = inspect.Parameter.VAR_KEYWORD
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
    if field.argument:
        # The record refuses what is none of its words; a command has no default of its own here.
        named = typer.Argument(metavar=field.argument, help=f"{told}.")
        return make_parameter(field.name, Annotated[kind, named], inspect.Parameter.empty)
    metavar = "FILE" if field.kind == "file" else None
    option = typer.Option(field.option, help=f"{told}.", metavar=metavar)
    return make_parameter(field.name, Annotated[kind, option], default)


class MadeCommand:
    """
    The function of a command whose options are made from the fields of a record.

    They are made when somebody asks for them: a list of commands needs none.

    Parameters
    ----------
    function : callable
        What the command does; its sentence is the command's help.
    list_parameters : callable
        Gives what the command takes.
    name : str
    """

    def __init__(
        self,
        function: Callable[..., None],
        list_parameters: Callable[[], Sequence[inspect.Parameter]],
        name: str = "",
    ) -> None:
        self._function, self._list_parameters = function, list_parameters
        self.__name__ = name or function.__name__
        self.__doc__ = function.__doc__
        self.__annotations__: dict[str, Any] = {}

    @property
    def __signature__(self) -> inspect.Signature:
        """What the command takes, as a function would state it."""
        return inspect.Signature(self._list_parameters())

    def __call__(self, **values: Any) -> None:
        """Do it."""
        self._function(**values)


def ask_also(
    function: Callable[..., None], list_more: Callable[[], Iterable[Field]]
) -> MadeCommand:
    """
    Let a command ask for the fields of a record, in front of its option --book.

    Parameters
    ----------
    function : callable
        Takes the fields as further keywords.
    list_more : callable
        Gives the fields.

    Returns
    -------
    MadeCommand
    """

    def list_parameters() -> list[inspect.Parameter]:
        stated = inspect.signature(function, eval_str=True).parameters.values()
        own = [make_parameter(p.name, p.annotation, p.default) for p in stated if p.kind != VARIOUS]
        place = [one.name for one in own].index("book")
        return [*own[:place], *map(make_option, list_more()), *own[place:]]

    return MadeCommand(function, list_parameters)


def read_fields(fields: Iterable[Field], values: dict[str, Any]) -> dict[str, Any]:
    """Values of fields as their record takes them, out of what was typed."""
    return {field.name: _read(field, values[field.name]) for field in fields}


def _read(field: Field, value: Any) -> Any:
    if field.kind == "texts":
        return tuple(value or ())
    if field.kind == "yes or no":
        from voicecheck.records.fields import read_yes_or_no

        return read_yes_or_no(field.option.removeprefix("--"), value)
    return value
