"""The check list: what was measured fills itself in, the rest is ticked or given a reason."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import replace
from importlib.resources import files

from voicecheck.errors import InputError
from voicecheck.records import CheckList, CheckStep, JackConversion
from voicecheck.records.terms import check_word

TEMPLATE = "checklist.csv"
VARIANTS = ("desk", "wall")
FINALS = ("ready", "not ready")
MOST_STEPS, MOST_FIGURES = 150, 4
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
    check_word(variant, VARIANTS, "variant")
    steps = []
    for row in _read_rows(text):
        if row["variant"].strip() not in ("all", variant):
            continue
        number = row["step"].strip()
        if not (number.isdecimal() and len(number) <= MOST_FIGURES and row["task"].strip()):
            raise InputError(f"check list: need a number and a task, got {list(row.values())[:4]}")
        steps.append(
            CheckStep(
                step=int(number),
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
    if len(steps) > MOST_STEPS:
        raise InputError(f"check list: need at most {MOST_STEPS} steps, got {len(steps)}")
    return tuple(steps)


def _read_rows(text: str) -> list[dict[str, str]]:
    """Rows of the list's columns; a row that is too short has empty ones at its end."""
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    try:
        reader = csv.DictReader(io.StringIO("\n".join(lines)), restval="")
        missing = set(COLUMNS) - set(reader.fieldnames or ())
        rows = [{name: row.get(name, "") for name in COLUMNS} for row in reader]
    except csv.Error as error:
        raise InputError(f"check list: cannot be read as a table ({error})") from error
    if missing:
        raise InputError(f"check list: needs the columns {', '.join(sorted(missing))}")
    return rows


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
        found = _find_measured(step.filled_by, measured)
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
    found = [result for key, result in measured.items() if is_filled_by(filled_by, key)]
    return "; ".join(dict.fromkeys(found))


def is_filled_by(filled_by: str, key: str) -> bool:
    """
    Whether a result fills a step in.

    Parameters
    ----------
    filled_by : str
        Of the step.
    key : str
        Of the result, as "dial:before".

    Examples
    --------
    >>> is_filled_by("tones:any+", "tones:after"), is_filled_by("sweep:after", "sweep:before:loop")
    (True, False)
    """
    filled_by = filled_by.removesuffix("+")
    kind, _, rest = filled_by.partition(":")
    fits = [f"{kind}:before", f"{kind}:after"] if rest == "any" else [filled_by]
    return bool(filled_by) and any(key == one or key.startswith(f"{one}:") for one in fits)


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
    if final:
        check_word(final, FINALS, "final")
    checked = CheckList(
        job=job, variant=variant, steps=steps, jack=jack, final=final or "not ready"
    )
    if checked.final == "ready" and checked.open_steps:
        numbers = ", ".join(map(str, checked.open_steps))
        raise InputError(
            f"the set cannot be ready: steps {numbers} are open; measure them, tick them, or say "
            "why they are not tested; nothing was changed"
        )
    return checked
