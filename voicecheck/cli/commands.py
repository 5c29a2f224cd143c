"""Which module has which commands: one is loaded when a command of its own is asked for."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import dataclass

import typer
from typer.models import CommandInfo

from voicecheck.cli.helping import add_examples


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """
    Commands that come together.

    Parameters
    ----------
    names : tuple of str
        As they are typed after the program's name.
    register : callable
        Adds them to a command line; loads what it needs.
    """

    names: tuple[str, ...]
    register: Callable[[typer.Typer], None]


def _add_analysis(app: typer.Typer) -> None:
    from voicecheck.cli import analysis

    analysis.register(app)


def _add_jobs(app: typer.Typer) -> None:
    from voicecheck.cli import jobs

    jobs.register(app)


def _add_sets(app: typer.Typer) -> None:
    from voicecheck.cli import sets

    sets.register(app)


def _add_work(app: typer.Typer) -> None:
    from voicecheck.cli import work

    work.register(app)


def _add_shop(app: typer.Typer) -> None:
    from voicecheck.cli import shop

    shop.register(app)


def _add_tallies(app: typer.Typer) -> None:
    from voicecheck.cli import tallies

    tallies.register(app)


def _add_comparing(app: typer.Typer) -> None:
    from voicecheck.cli import comparing

    comparing.register(app)


def _add_books(app: typer.Typer) -> None:
    from voicecheck.cli import books

    books.register(app)


def _add_measuring(app: typer.Typer) -> None:
    from voicecheck.cli import measuring

    measuring.register(app)


def _add_trials(app: typer.Typer) -> None:
    from voicecheck.cli import trials

    trials.register(app)


def _add_protocol(app: typer.Typer) -> None:
    from voicecheck.cli import protocol

    protocol.register(app)


def _add_lines(app: typer.Typer) -> None:
    from voicecheck.cli import lines

    lines.register(app)


def _add_bench(app: typer.Typer) -> None:
    from voicecheck.cli import bench

    bench.register(app)


def _add_watch(app: typer.Typer) -> None:
    from voicecheck.cli import watch

    watch.register(app)


def _add_checks(app: typer.Typer) -> None:
    from voicecheck.cli import checkout

    checkout.register(app)


def _add_check_list(app: typer.Typer) -> None:
    from voicecheck.cli import checklist

    checklist.register(app)


def _add_handbook(app: typer.Typer) -> None:
    from voicecheck.cli import handbook

    handbook.register(app)


def _add_selftest(app: typer.Typer) -> None:
    from voicecheck.cli import selftest

    selftest.register(app)


def _add_demo(app: typer.Typer) -> None:
    from voicecheck.cli import demo

    demo.register(app)


ENTRIES: list[Entry] = [
    Entry(names=("signal", "analyze", "frying"), register=_add_analysis),
    Entry(
        names=("report", "type", "job", "baseline"),
        register=_add_jobs,
    ),
    Entry(names=("set",), register=_add_sets),
    Entry(names=("work", "slip"), register=_add_work),
    Entry(names=("compare", "element", "masks"), register=_add_comparing),
    Entry(
        names=("import", "edit", "reopen", "attach", "timeline", "book", "export"),
        register=_add_books,
    ),
    Entry(names=("sweep", "handsets", "devices"), register=_add_measuring),
    Entry(names=("trial",), register=_add_trials),
    Entry(names=("fits",), register=_add_lines),
    Entry(names=("protocol",), register=_add_protocol),
    Entry(names=("bench",), register=_add_bench),
    Entry(names=("watch",), register=_add_watch),
    Entry(names=("shop",), register=_add_shop),
    Entry(names=("statistics",), register=_add_tallies),
    # The checks say their names themselves; a name that stands nowhere here loads everything.
    Entry(names=(), register=_add_checks),
    Entry(names=("check",), register=_add_check_list),
    Entry(names=("demo",), register=_add_demo),
    Entry(names=("selftest",), register=_add_selftest),
    Entry(names=("help",), register=_add_handbook),
]
"""In the order in which a help shows them."""


def add_commands(app: typer.Typer, wanted: str | None = None) -> bool:
    """
    Add to a command line the one command that is wanted, or every command.

    Parameters
    ----------
    app : typer.Typer
    wanted : str or None

    Returns
    -------
    is_found : bool
        Whether the one that is wanted is there; if not, all others are.
    """
    entries = [entry for entry in ENTRIES if wanted in entry.names] or ENTRIES
    for entry in entries:
        entry.register(app)
    add_examples(app)
    commands = [one for one in app.registered_commands if one.name == wanted]
    groups = [one for one in app.registered_groups if one.name == wanted]
    if not commands and not groups:
        return False
    # The library builds all that it has before it runs anything.
    app.registered_commands, app.registered_groups = commands, groups
    return True


def strip_options(app: typer.Typer) -> None:
    """Leave of every command its name and its first sentence: what a list of commands shows."""
    groups = [
        CommandInfo(name=one.name, help=one.typer_instance.info.help, callback=_run_nothing)
        for one in app.registered_groups
        if one.typer_instance is not None
    ]
    commands = [
        CommandInfo(
            name=one.name, help=one.help or inspect.getdoc(one.callback), callback=_run_nothing
        )
        for one in app.registered_commands
        if not one.hidden
    ]
    app.registered_commands, app.registered_groups = commands + groups, []


def _run_nothing() -> None:
    """Stand in for a command of which only the name is shown."""
