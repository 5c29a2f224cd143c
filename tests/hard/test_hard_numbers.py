"""Infinite, none, or of twenty digits: every option that takes a number refuses it, exit 2."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer
from audio_files import run_main

from voicecheck.cli.main import make_app

HOSTILE = ("inf", "-inf", "nan", "NaN", "1e400", "-1e300", "12345678901234567890", "9" * 5000)


NUMBERS = (int, float)


def get_kind(param: Any) -> Any:
    """What a parameter takes; of several values what one of them is."""
    kind = param.type_descriptor.annotation
    return kind.__args__[0] if getattr(kind, "__args__", ()) else kind


def list_numbers(command: Any, words: tuple[str, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Each option or argument that is a number, with what has to be typed before it."""
    for name, one in getattr(command, "commands", {}).items():
        yield from list_numbers(one, (*words, name))
    needed = [param for param in command.params if param.param_type_name == "argument"]
    for param in command.params:
        if get_kind(param) in NUMBERS:
            yield words, tuple(one.name for one in needed), param


EVERY = list(list_numbers(typer.main.get_command(make_app())))


@pytest.mark.parametrize(
    ("words", "needed", "param"),
    EVERY,
    ids=["-".join((*words, str(param.name))) for words, _, param in EVERY],
)
def test_refused_by_the_option(
    words: tuple[str, ...], needed: tuple[str, ...], param: Any, tmp_path: Path
) -> None:
    for hostile in HOSTILE:
        if param.param_type_name == "argument":
            typed = [hostile if name == param.name else "1" for name in needed]
            if hostile.startswith("-"):
                typed.insert(0, "--")
        else:
            typed = [*["1" for _ in needed], f"{param.opts[0]}={hostile}"]
        with_book = (
            ["--book", str(tmp_path / "b")] if hostile[0] != "-" or "--" not in typed else []
        )
        code, out, said = run_main(*words, *with_book, *typed)
        assert (code, out) == (2, ""), (typed, said)
        assert len(said.splitlines()) == 1, said
        assert "Traceback" not in said
        assert not (tmp_path / "b").exists()


def test_there_are_many_and_ordinary_numbers_pass() -> None:
    assert len(EVERY) > 60
    code, _, said = run_main("tones", "--simulated", "busy", "--seed", "3")
    assert code == 0, said
    code, _, said = run_main("watch", "--seconds", "nan")
    assert code == 2, said
