"""What is said at the end of a command: the verdict, a few lines, what comes next."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Iterable
from typing import TYPE_CHECKING

from voicecheck.cli.common import tell
from voicecheck.cli.guidance import WIDTH
from voicecheck.cli.numbers import list_budgets
from voicecheck.cli.show import render_comparison, render_table
from voicecheck.workflow.wording import say_path, say_stage

if TYPE_CHECKING:
    from voicecheck.jobbook import JobBook
    from voicecheck.records import Comparison, Run
    from voicecheck.records.standing import NextStep
    from voicecheck.workflow.told import Told, ToldPart

WIDEST = 100
"""Lines longer than that are hard to follow, however wide the screen is."""
BUDGET_HEADS = ("figure", "95 % interval", "what it is made of")


def render_told(told: Told, *, numbers: str = "") -> str:
    """
    A comparison in a few lines.

    Parameters
    ----------
    told : Told
    numbers : str
        The command that shows every number.
    """
    lines = [told.simulated] if told.simulated else []
    lines += map(wrap, (told.headline, *told.lead))
    lines += [*_render_parts(told.parts), *map(wrap, told.lines)]
    return "\n".join([*lines, *render_next(told.next_step, numbers=numbers)])


def _render_parts(parts: Iterable[ToldPart]) -> list[str]:
    """A line for each part: its name, its state in a word, and what is said of it."""
    known = list(parts)
    if not known:
        return []
    name_width = max(len(part.name) for part in known)
    state_width = max(len(part.state) for part in known)
    lines = []
    for part in known:
        head = f"  {part.name:{name_width}}  {part.state:{state_width}}  "
        lines.append(wrap(part.sentence, head, " " * len(head)))
    return lines


def render_next(step: NextStep | None, *, numbers: str = "") -> list[str]:
    """What comes next, with the command for it; where the numbers are."""
    lines = []
    if step is not None:
        whole = f"Next: {step.sentence} {step.command}"
        if len(whole) <= WIDTH:
            lines.append(whole)
        else:
            lines += [wrap(f"Next: {step.sentence}", "", "      "), f"      {step.command}"]
    if numbers:
        lines.append(f"Numbers: {numbers}")
    return lines


def tell_next(book: JobBook, job: int, *, quiet: bool) -> None:
    """Tell beside the output what comes next for a job."""
    from voicecheck.workflow.standing import set_standing

    for line in render_next(set_standing(book, job).next_step):
        tell(line, quiet=quiet)
    tell_backup(book)


def tell_backup(book: JobBook) -> None:
    """Keep the book once a day of use, and tell what could not be kept."""
    from voicecheck.workflow.books import backup_today

    if missing := backup_today(book):
        tell(f"Careful: {missing}.")


def wrap(text: str, first: str = "", then: str = "  ") -> str:
    """A sentence on lines of a width that is easily followed."""
    width = min(WIDEST, max(WIDTH, shutil.get_terminal_size().columns - 2))
    return textwrap.fill(
        text, width, initial_indent=first, subsequent_indent=then, break_on_hyphens=False
    )


def render_comparison_numbers(comparison: Comparison, runs: Iterable[Run]) -> str:
    """
    Every number of a comparison.

    Parameters
    ----------
    comparison : Comparison
    runs : iterable of Run
        Whose figures are told with what their intervals are made of.
    """
    parts = [render_comparison(comparison)]
    for run in runs:
        parts.append(f"{say_path(run.path)}, {say_stage(run.stage)}:")
        parts.append(render_table([BUDGET_HEADS, *list_budgets(run.pooled)]))
    return "\n".join(parts)
