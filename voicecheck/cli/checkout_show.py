"""Records of a checkout as plain text."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from voicecheck.cli.guidance import wrap
from voicecheck.cli.show import render_table
from voicecheck.cli.tellshow import render_next
from voicecheck.workflow.wording import say_found, say_limit, say_problems, say_quantity, say_source

if TYPE_CHECKING:
    from collections.abc import Iterable

    from voicecheck.records import CheckList, CheckStep, Finding
    from voicecheck.records.standing import NextStep
    from voicecheck.workflow.checks.kinds import CheckKind

FINDING_HEADS = ("quantity", "value", "from", "to", "unit", "verdict", "limit", "who says so")
FAULT_MARKS = {"outside": "[!]", "doubtful": "[?]"}
LEGEND = "[x] done  [m] measured  [!] fault  [?] near a limit  [~] partly  [-] not tested"
STATE_MARKS = {"measured": "[m]", "done": "[x]", "not tested": "[-]", "open": "[ ]"}


def render_check(kind: CheckKind, check: Any) -> str:
    """Every number of a check: its figures, how they stand to limits, and its problems."""
    lines = [kind.describe(check)]
    for shown in kind.tabulate(check):
        if isinstance(shown, str):
            lines.append(f"  {shown}")
        else:
            lines.append(render_table([*([shown.heads] if shown.heads else []), *shown.rows]))
    findings = getattr(check, "findings", ())
    if findings:
        lines.append(render_table([FINDING_HEADS, *map(_finding_row, findings)]))
    lines += [f"  ! {line}" for line in say_problems(check.problems)]
    return "\n".join(lines)


def _finding_row(finding: Finding) -> tuple[str, ...]:
    numbers = (finding.value, finding.low, finding.high)
    value, low, high = (
        "" if one is None else say_found(finding, one, with_unit=False) for one in numbers
    )
    source = say_source(finding.source, is_marked=False)
    reason = "" if finding.reason in source else say_source(finding.reason, is_marked=False)
    return (
        say_quantity(finding.quantity),
        value or "withheld",
        low,
        high,
        finding.unit,
        finding.verdict,
        say_limit(finding),
        "; ".join(filter(None, (source, reason))),
    )


def _mark(step: CheckStep) -> str:
    """A fault that was found looks different from what is fine, and half from whole."""
    if step.state == "measured" and step.verdict in FAULT_MARKS:
        return FAULT_MARKS[step.verdict]
    return "[~]" if step.state == "open" and step.partly else STATE_MARKS[step.state]


def render_ticked(checked: CheckList, touched: Iterable[int], step: NextStep) -> str:
    """
    After a tick: what was ticked, how much is left, what is next.

    Parameters
    ----------
    checked : CheckList
    touched : iterable of int
        Steps that this call was about.
    step : NextStep
        Of the job.
    """
    by_number = {one.step: one for one in checked.steps}
    said = [by_number[number] for number in touched if number in by_number]
    lines = [wrap(f"{_mark(one)} {one.step} {one.task}: {one.state}", "", "    ") for one in said]
    left = [by_number[number] for number in checked.open_steps if number in by_number]
    if not left:
        lines.append(f"No step is open; the set is {checked.final}.")
    else:
        count = f"{len(left)} step{'s' if len(left) > 1 else ''} left"
        lines.append(wrap(f"{count}; the next by hand or measured: {_say_step(left[0])}", "", "  "))
    return "\n".join([*lines, *render_next(step), f"All steps: voicecheck check {checked.job}"])


def _say_step(step: CheckStep) -> str:
    missing = f" ({step.partly} missing)" if step.partly else ""
    return f"{step.step}, {step.task}{missing}."


def render_list(checked: CheckList) -> str:
    """The check list, its open steps and its state."""
    lines = []
    phase = ""
    for step in checked.steps:
        if step.phase != phase:
            phase = step.phase
            lines.append(f"{phase}:")
        lines.append(wrap(f"{_mark(step)} {step.step:2d} {step.task}", "  ", " " * 9))
        if step.result:
            lines.append(_note(f"{step.state}: {step.result}"))
        elif step.state == "open" and step.good:
            lines.append(_note(step.good))
        if step.partly:
            lines.append(_note(f"partly: {step.partly} missing"))
    if checked.jack is not None:
        jack = checked.jack
        lines.append(f"jack: fitted {jack.fitted}; removed {jack.removed}; kept {jack.kept}")
    n_open = len(checked.open_steps)
    steps = f": {n_open} step{'s' if n_open > 1 else ''} open" if n_open else ""
    return "\n".join([*lines, LEGEND, f"{checked.final}{steps}"])


def _note(text: str) -> str:
    return wrap(text, " " * 9, " " * 11)
