"""The check list in lines, for the report."""

from __future__ import annotations

from voicecheck.records import CheckList
from voicecheck.records.verdicts import TELLING


def describe_list(checked: CheckList) -> dict[str, str]:
    """
    The check list as lines of a report: its state, then every step.

    Returns
    -------
    dict
        Name to words.
    """
    states = [step.state for step in checked.steps]
    head = f"{checked.final} ({checked.variant} set): " + ", ".join(
        f"{states.count(state)} {state}"
        for state in ("measured", "done", "not tested", "open")
        if state in states
    )
    lines = {"check list": head}
    for step in checked.steps:
        told = f"{step.state}: {step.result}" if step.result else step.state
        told += f" ({step.verdict})" if step.verdict in TELLING else ""
        told += f"; partly: {step.partly} missing" if step.partly else ""
        lines[f"step {step.step}, {step.task}"] = told
    if checked.jack is not None:
        jack = checked.jack
        lines["jack conversion"] = (
            f"fitted {jack.fitted or '-'}; removed {jack.removed or '-'}; kept {jack.kept or '-'}"
        )
    return lines
