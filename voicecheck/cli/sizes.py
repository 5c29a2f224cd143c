"""Numbers that no option means: infinite, none at all, or of twenty digits."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import typer

MOST = 1e12
"""Nothing that a command asks for is larger (judgement); records hold the narrower bounds."""


def bound_numbers(command: Any) -> Any:
    """
    Let every option and argument of a command, and of those below it, refuse such numbers.

    Parameters
    ----------
    command : command of the command-line library

    Returns
    -------
    command
        The same.
    """
    for one in getattr(command, "commands", {}).values():
        bound_numbers(one)
    for param in command.params:
        param.callback = _follow(param.callback)
    return command


def _follow(callback: Callable[..., Any] | None) -> Callable[..., Any]:
    """What looks at a value first, and then does what was to be done with it."""

    def look(ctx: Any, param: Any, value: Any) -> Any:
        for one in value if isinstance(value, (list, tuple)) else (value,):
            is_number = isinstance(one, (int, float)) and not isinstance(one, bool)
            if is_number and not (abs(one) <= MOST and math.isfinite(one)):
                told = f"{str(one)[:40]} is no number that can be meant here."
                raise typer.BadParameter(told, ctx=ctx, param=param)
        return value if callback is None else callback(ctx, param, value)

    return look
