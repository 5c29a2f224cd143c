"""Records of a checkout as plain text."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from voicecheck.cli.show import render_table

if TYPE_CHECKING:
    from voicecheck.records import CheckList, CheckStep, Finding
    from voicecheck.workflow.checks.kinds import CheckKind

FAULT_MARKS = {"outside": "[!]", "doubtful": "[?]"}
STATE_MARKS = {"measured": "[m]", "done": "[x]", "not tested": "[-]", "open": "[ ]"}


def render_check(kind: CheckKind, check: Any) -> str:
    """A check in a line, its figures, how they stand to limits, and its problems."""
    lines = [kind.describe(check)]
    for shown in kind.tabulate(check):
        if isinstance(shown, str):
            lines.append(f"  {shown}")
        else:
            lines.append(render_table([*([shown.heads] if shown.heads else []), *shown.rows]))
    findings = getattr(check, "findings", ())
    if findings:
        lines.append(render_table([_finding_row(finding) for finding in findings]))
    for problem in check.problems:
        when = f" at {problem.at_s:.2f} s" if problem.at_s is not None else ""
        lines.append(f"  ! {problem.kind}{when}: {problem.message}; {problem.effect}")
    return "\n".join(lines)


def _finding_row(finding: Finding) -> tuple[str, ...]:
    low = "" if finding.low is None else f"{finding.low:g}"
    high = "" if finding.high is None else f"{finding.high:g}"
    return (
        finding.verdict,
        finding.quantity.replace("_", " "),
        "-" if finding.value is None else f"{finding.value:.2f} {finding.unit}".strip(),
        f"[{low} .. {high}]",
        finding.source + (f", {finding.reason}" if finding.reason else ""),
    )


def _mark(step: CheckStep) -> str:
    """A fault that was found looks different from what is fine, and half from whole."""
    if step.state == "measured" and step.verdict in FAULT_MARKS:
        return FAULT_MARKS[step.verdict]
    return "[~]" if step.state == "open" and step.partly else STATE_MARKS[step.state]


def render_list(checked: CheckList) -> str:
    """The check list, its open steps and its state."""
    lines = []
    phase = ""
    for step in checked.steps:
        if step.phase != phase:
            phase = step.phase
            lines.append(f"{phase}:")
        lines.append(f"  {_mark(step)} {step.step:2d} {step.task}")
        told = step.result or ("" if step.state != "open" else step.good)
        if told:
            lines.append(f"         {step.state}: {told}" if step.result else f"         {told}")
        if step.partly:
            lines.append(f"         partly: {step.partly} missing")
    if checked.jack is not None:
        jack = checked.jack
        lines.append(f"jack: fitted {jack.fitted}; removed {jack.removed}; kept {jack.kept}")
    n_open = len(checked.open_steps)
    lines.append(
        f"{checked.final}" + (f": {n_open} step{'s' if n_open > 1 else ''} open" if n_open else "")
    )
    return "\n".join(lines)
