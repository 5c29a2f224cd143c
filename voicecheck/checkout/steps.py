"""The check list: what was measured fills itself in, the rest is ticked or given a reason."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import replace
from importlib.resources import files

from voicecheck.errors import InputError
from voicecheck.records import CheckList, CheckStep, JackConversion

TEMPLATE = "checklist.csv"
VARIANTS = ("desk", "wall")
FINALS = ("ready", "not ready")
COLUMNS = ("step", "phase", "variant", "task", "good", "filled_by", "source", "provenance")


def read_template() -> str:
    """Text of the check list that comes with the product, to be edited."""
    return files("voicecheck").joinpath("data", TEMPLATE).read_text("utf-8")


def parse_steps(text: str, variant: str) -> tuple[CheckStep, ...]:
    """
    Steps of a check list's text.

    Parameters
    ----------
    text : str
        CSV with the columns of the template; lines that start with "#" are left out.
    variant : str
        "desk" or "wall".

    Returns
    -------
    tuple of CheckStep
        All open, in the order of the text.

    Raises
    ------
    InputError
        Unknown variant, a column is missing, or a step has no number of its own.

    Examples
    --------
    >>> len(parse_steps(read_template(), "wall"))
    26
    """
    if variant not in VARIANTS:
        raise InputError(f"variant: need one of {', '.join(VARIANTS)}, got {variant!r}")
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    reader = csv.DictReader(io.StringIO("\n".join(lines)))
    missing = set(COLUMNS) - set(reader.fieldnames or ())
    if missing:
        raise InputError(f"check list: needs the columns {', '.join(sorted(missing))}")
    steps = []
    for row in reader:
        if row["variant"].strip() not in ("all", variant):
            continue
        if not row["step"].strip().isdecimal() or not row["task"].strip():
            raise InputError(f"check list: need a number and a task, got {list(row.values())[:4]}")
        steps.append(
            CheckStep(
                step=int(row["step"]),
                phase=row["phase"],
                task=row["task"],
                good=row["good"],
                filled_by=row["filled_by"].strip(),
                source=row["source"],
                provenance=row["provenance"],
            )
        )
    numbers = [step.step for step in steps]
    if len(set(numbers)) < len(numbers) or not numbers:
        raise InputError("check list: each step needs a number of its own, for each variant")
    return tuple(steps)


def fill_steps(
    steps: tuple[CheckStep, ...],
    *,
    measured: Mapping[str, str],
    done: Mapping[int, str],
    skipped: Mapping[int, str],
) -> tuple[CheckStep, ...]:
    """
    Say of every step whether it was measured, done, not tested, or is open.

    Parameters
    ----------
    steps : tuple of CheckStep
    measured : mapping of str to str
        What `filled_by` names, to the result in words. A step filled by "dial:any" takes either
        stage; one filled by "sweep:after" takes any path of that stage. With a "+" at its end
        the result is shown, but the step stays open until it is ticked.
    done : mapping of int to str
        Steps ticked by hand, with what was found.
    skipped : mapping of int to str
        Steps not tested, with the reason.

    Returns
    -------
    tuple of CheckStep

    Raises
    ------
    InputError
        There is no such step, or a skipped step has no reason.

    Examples
    --------
    >>> steps = fill_steps(parse_steps(read_template(), "desk"), measured={"dial:before": "10 pps"},
    ...                    done={1: ""}, skipped={2: "owner away"})
    >>> [step.state for step in steps if step.step in (1, 2, 3, 7)]
    ['done', 'not tested', 'open', 'measured']
    """
    known = {step.step for step in steps}
    for number in (*done, *skipped):
        if number not in known:
            raise InputError(f"step {number}: not on this check list, which has {sorted(known)}")
    for number, reason in skipped.items():
        if not reason.strip():
            raise InputError(f"step {number}: a step that is not tested needs a reason")
    filled = []
    for step in steps:
        found = _find_measured(step.filled_by.removesuffix("+"), measured)
        if step.step in skipped:
            filled.append(replace(step, state="not tested", result=skipped[step.step]))
        elif found and step.filled_by.endswith("+") and step.step not in done:
            filled.append(replace(step, result=found))
        elif found:
            by_hand = done.get(step.step, "")
            told = f"{found}; {by_hand}" if by_hand else found
            filled.append(replace(step, state="measured", result=told))
        elif step.step in done:
            filled.append(replace(step, state="done", result=done[step.step]))
        else:
            filled.append(step)
    return tuple(filled)


def _find_measured(filled_by: str, measured: Mapping[str, str]) -> str:
    """Results that fill a step in: its own key, or keys below it."""
    if not filled_by:
        return ""
    kind, _, rest = filled_by.partition(":")
    keys = [f"{kind}:before", f"{kind}:after"] if rest == "any" else [filled_by]
    found = [
        result
        for name, result in measured.items()
        if any(name == key or name.startswith(f"{key}:") for key in keys)
    ]
    return "; ".join(dict.fromkeys(found))


def conclude(
    job: int | None,
    variant: str,
    steps: tuple[CheckStep, ...],
    *,
    jack: JackConversion | None = None,
    final: str = "",
) -> CheckList:
    """
    The list with its final state.

    Parameters
    ----------
    job : int or None
    variant : str
    steps : tuple of CheckStep
    jack : JackConversion, optional
    final : str
        "ready" or "not ready"; "" leaves it "not ready".

    Returns
    -------
    CheckList

    Raises
    ------
    InputError
        Another state; or "ready" while a step is open.
    """
    if final and final not in FINALS:
        raise InputError(f"final: need one of {', '.join(FINALS)}, got {final!r}")
    checked = CheckList(
        job=job, variant=variant, steps=steps, jack=jack, final=final or "not ready"
    )
    if checked.final == "ready" and checked.open_steps:
        numbers = ", ".join(map(str, checked.open_steps))
        raise InputError(
            f"the set cannot be ready: steps {numbers} are open; measure them, tick them with "
            "--done N, or say why not with --skip N=REASON; nothing was changed"
        )
    return checked
