"""The usual programme with changes, for scripts: a few words instead of a record."""

from __future__ import annotations

import dataclasses
import difflib
from typing import Any

from voicecheck.errors import InputError
from voicecheck.programme import DEFAULT_RECIPE
from voicecheck.programme import make_programme as make_of_recipe
from voicecheck.records import Programme, Recipe

SHORTCUTS = {
    "sweeps": "n_sweeps", "seconds": "sweep_s", "level": "level_dbfs", "steps": "step_levels_db",
    "tones": "tones_hz", "rate": "rate_hz",
}  # fmt: skip
"""Short names of a recipe's fields."""


def make_programme(recipe: Recipe | None = None, **changes: Any) -> Programme:
    """
    Make the test signal of a recipe, or of the usual one with changes.

    Parameters
    ----------
    recipe : Recipe, optional
        The usual one when left out.
    **changes : object
        Fields of `Recipe`, or short: sweeps, seconds, level (dBFS), steps (dB), tones (Hz),
        rate (Hz).

    Returns
    -------
    Programme

    Raises
    ------
    InputError
        No such field, or a value that does not fit.

    Examples
    --------
    >>> make_programme(sweeps=2, seconds=1.5).recipe.n_sweeps
    2
    """
    named = {SHORTCUTS.get(name, name): value for name, value in changes.items()}
    if len(named) < len(changes):
        raise InputError(f"recipe: one thing was said twice among {', '.join(changes)}")
    known = {
        field.name: getattr(DEFAULT_RECIPE, field.name) for field in dataclasses.fields(Recipe)
    }
    for name, value in named.items():
        if name not in known:
            raise refuse_name("recipe", name, (*SHORTCUTS, *known))
        named[name] = _read_as(name, value, known[name])
    return make_of_recipe(dataclasses.replace(recipe or DEFAULT_RECIPE, **named))


def _read_as(name: str, value: Any, like: Any) -> Any:
    """A value as the field takes it."""
    parts = value if isinstance(like, tuple) and isinstance(value, list | tuple) else (value,)
    if any(isinstance(one, bool) or not isinstance(one, int | float) for one in parts):
        raise InputError(f"recipe: {name} needs {_say_kind(like)}, got {value!r:.40}")
    if isinstance(like, tuple):
        return tuple(float(one) for one in parts)
    if isinstance(like, int) and not float(value).is_integer():
        raise InputError(f"recipe: {name} needs {_say_kind(like)}, got {value!r:.40}")
    return int(value) if isinstance(like, int) else float(value)


def _say_kind(like: Any) -> str:
    return (
        "numbers"
        if isinstance(like, tuple)
        else ("a whole number" if isinstance(like, int) else "a number")
    )


def refuse_name(what: str, name: str, known: tuple[str, ...]) -> InputError:
    """The error that a name which there is not ends in, with those near it."""
    near = difflib.get_close_matches(name, known, n=3, cutoff=0.5)
    told = f"near it: {', '.join(near)}" if near else f"there are: {', '.join(known)}"
    return InputError(f"{what}: there is no {name!r}; {told}")
