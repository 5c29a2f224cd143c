"""The help: in the order of the work, an example for each command, nothing cut."""

from __future__ import annotations

import shlex
import subprocess
import sys
from collections.abc import Iterator
from typing import Any

import pytest
from typer.main import get_command

import voicecheck.__main__
from voicecheck.cli.commands import ENTRIES
from voicecheck.cli.helping import EXAMPLES, READ_ON, SECTIONS
from voicecheck.cli.main import make_app
from voicecheck.handbook import list_topics

WIDTH = 80


def run(*words: str) -> Any:
    command = [sys.executable, "-m", "voicecheck", *words]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def list_commands() -> Iterator[tuple[str, Any]]:
    """Every command that a help shows, as it is typed, groups too."""
    assert ENTRIES[-1].names == ("page",), voicecheck.__main__.__doc__

    def walk(command: Any, words: tuple[str, ...]) -> Iterator[tuple[str, Any]]:
        for name, child in getattr(command, "commands", {}).items():
            if not child.hidden:
                yield " ".join((*words, name)), child
                yield from walk(child, (*words, name))

    yield from walk(get_command(make_app()), ())


def test_the_name_alone_shows_the_help_and_is_no_mistake() -> None:
    alone, asked = run(), run("--help")
    assert (alone.returncode, alone.stderr) == (0, "")
    assert alone.stdout == asked.stdout
    group = run("job")
    assert (group.returncode, group.stderr) == (0, "")
    assert "Open a job for one set." in group.stdout
    assert run("frobnicate").returncode == 2


def test_nothing_is_cut_and_nothing_is_wider_than_80_columns() -> None:
    text = run("--help").stdout
    flat = " ".join(text.split())
    assert "..." not in text.replace("[ARGS]...", "")
    assert max(map(len, text.splitlines())) <= WIDTH
    for name, command in list_commands():
        if " " not in name:
            assert " ".join(command.help.partition("\n\n")[0].split()) in flat, name
    places = [text.index(f"\n{section.title}:") for section in SECTIONS]
    assert places == sorted(places)
    assert text.count("Example: voicecheck ") == len(SECTIONS)


def test_every_command_has_an_example_that_it_takes() -> None:
    """Options and arguments of the example are those of the command; nothing is carried out."""
    commands = dict(list_commands())
    assert sorted(EXAMPLES) == sorted(commands)
    for name, command in commands.items():
        assert f"voicecheck {EXAMPLES[name]}" in command.epilog, name
        words = shlex.split(EXAMPLES[name])
        place = [part for part in words[:2] if " ".join(words[:2]) in commands or part == words[0]]
        found = commands[" ".join(words[:2]) if " ".join(words[:2]) in commands else words[0]]
        found.make_context(name, words[len(place) :])


def test_a_help_leads_to_a_page_of_the_handbook() -> None:
    commands = dict(list_commands())
    assert set(READ_ON) <= set(commands)
    assert set(READ_ON.values()) <= set(list_topics())
    for name, topic in READ_ON.items():
        assert commands[name].epilog.endswith(f"Read on: voicecheck help {topic}"), name
    assert run("report", "--help").stdout.rstrip().endswith("Read on: voicecheck help languages")


def test_an_example_with_an_option_that_is_none_would_be_found() -> None:
    commands = dict(list_commands())
    with pytest.raises(Exception, match="No such option"):
        commands["compare"].make_context("compare", ["3", "--versus", "before"])
