"""The check list: what was measured fills itself in, the rest is ticked or given a reason."""

from __future__ import annotations

import csv
import functools
import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from importlib.resources import files

from voicecheck.errors import InputError
from voicecheck.records import CheckList, CheckStep, JackConversion
from voicecheck.records.terms import check_word
from voicecheck.records.verdicts import rank_verdict

TEMPLATE = "checklist.csv"
VARIANTS = ("desk", "wall")
FINALS = ("ready", "not ready")
MOST_STEPS, MOST_FIGURES = 150, 4
COLUMNS = ("step", "phase", "variant", "task", "good", "filled_by", "source", "provenance")


SPEECH_PATHS = ("transmit", "receive", "sidetone")
"""What a step asks for that says "sweep" and names no path."""
NEEDS = {"paths": 1, "parts": 1, "digits": 1, "times": 2, "seats": 2}
"""Words of the column `needs`, and how many words follow them at least."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """
    What a measurement found, as far as a step asks.

    Parameters
    ----------
    words : str
        In a line.
    verdict : str
        "" where nothing judges it.
    seats : int or None
        Of a sweep; `None` where it does not matter how many.
    digits : str
        Of a dial, in every take of that stage.
    """

    words: str
    verdict: str = ""
    seats: int | None = None
    digits: str = ""


@functools.cache
def read_template() -> str:
    """Text of the check list that comes with the product, to be edited."""
    return files("voicecheck").joinpath("data", TEMPLATE).read_text("utf-8")


@functools.lru_cache(maxsize=16)
def parse_steps(text: str, variant: str) -> tuple[CheckStep, ...]:
    """
    Steps of a check list's text.

    Parameters
    ----------
    text : str
        CSV with the columns of the template (`needs` may be missing); lines that start with "#" are
        left out.
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
                needs=row["needs"].strip(),
            )
        )
        _check_needs(steps[-1])
    numbers = [step.step for step in steps]
    if len(set(numbers)) < len(numbers) or not numbers:
        raise InputError("check list: each step needs a number of its own, for each variant")
    if len(steps) > MOST_STEPS:
        raise InputError(f"check list: need at most {MOST_STEPS} steps, got {len(steps)}")
    return tuple(steps)


def _check_needs(step: CheckStep) -> None:
    """Refuse needs that no measurement can meet."""
    for part in filter(None, (text.split() for text in step.needs.split(";"))):
        is_counted = part[0] not in ("times", "seats") or (part[1:2] and part[1].isdecimal())
        if len(part) <= NEEDS.get(part[0], len(part)) or not is_counted:
            raise InputError(
                f"check list, step {step.step}: needs {' '.join(part)[:40]!r} cannot be read; "
                'as "paths transmit receive", "seats 3 transmit", "digits 12", "times 10 0"'
            )


def _read_rows(text: str) -> list[dict[str, str]]:
    """Rows of the list's columns; a row that is too short has empty ones at its end."""
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    try:
        reader = csv.DictReader(io.StringIO("\n".join(lines)), restval="")
        missing = set(COLUMNS) - set(reader.fieldnames or ())
        rows = [{name: row.get(name) or "" for name in (*COLUMNS, "needs")} for row in reader]
    except csv.Error as error:
        raise InputError(f"check list: cannot be read as a table ({error})") from error
    if missing:
        raise InputError(f"check list: needs the columns {', '.join(sorted(missing))}")
    return rows


def fill_steps(
    steps: tuple[CheckStep, ...],
    *,
    measured: Mapping[str, Found],
    done: Mapping[int, str],
    skipped: Mapping[int, str],
) -> tuple[CheckStep, ...]:
    """
    Say of every step whether it was measured, done, not tested, or is open.

    Parameters
    ----------
    steps : tuple of CheckStep
    measured : mapping of str to Found
        What `filled_by` names, to what was found. A step filled by "dial:any" takes either stage;
        one filled by "sweep:after" takes the paths of that stage. With a "+" at its end the result
        is shown, but the step stays open until it is ticked; so it does as long as anything that
        the step needs is missing.
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
    >>> dialled = {"dial:before": Found(words="10 pps", digits="1234567890")}
    >>> steps = fill_steps(parse_steps(read_template(), "desk"), measured=dialled, done={1: ""},
    ...                    skipped={2: "owner away"})
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
        results = _find_measured(step.filled_by, measured) if step.filled_by else {}
        found = "; ".join(dict.fromkeys(one.words for one in results.values()))
        if results:
            partly = ", ".join(_list_missing(step, results)) if found else ""
            step = replace(step, partly=partly, verdict=_find_verdict(results.values()))  # noqa: PLW2901
        if step.step in skipped:
            filled.append(replace(step, state="not tested", result=skipped[step.step]))
        elif found and step.step not in done and (step.partly or step.filled_by.endswith("+")):
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


def _find_measured(filled_by: str, measured: Mapping[str, Found]) -> dict[str, Found]:
    """Results that fill a step in, by key: its own key, or keys below it."""
    return {key: found for key, found in measured.items() if is_filled_by(filled_by, key)}


def _find_verdict(results: Iterable[Found]) -> str:
    """The gravest of the verdicts that there are; "" without any."""
    return min((one.verdict for one in results if one.verdict), key=rank_verdict, default="")


def _list_missing(step: CheckStep, results: Mapping[str, Found]) -> list[str]:
    """What of a step's needs has not been measured, in words."""
    needs = [part.split() for part in step.needs.split(";") if part.strip()]
    kind, *rest = step.filled_by.removesuffix("+").split(":")
    if kind == "sweep" and len(rest) == 1 and all(words[0] != "paths" for words in needs):
        needs.append(["paths", *SPEECH_PATHS])
    by_last = {key.rpartition(":")[2]: found for key, found in results.items()}
    digits = "".join(found.digits for found in results.values())
    missing: list[str] = []
    for name, *words in needs:
        if name in ("paths", "parts"):
            missing += [word for word in words if word not in by_last]
        elif name == "digits" and (gone := [one for one in words[0] if one not in digits]):
            missing.append(f"digit{'s' if len(gone) > 1 else ''} {' '.join(gone)}")
        elif name == "times" and digits.count(words[1]) < int(words[0]):
            missing.append(f"digit {words[1]}: {digits.count(words[1])} of {words[0]} times")
        elif name == "seats":
            few = ((word, by_last[word].seats) for word in words[1:] if word in by_last)
            told = [(word, n) for word, n in few if n is not None and n < int(words[0])]
            missing += [f"{word}: {n} of {words[0]} seats" for word, n in told]
    return missing


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
    >>> is_filled_by("parts:any;sweep:after:sidetone+", "sweep:after:sidetone")
    True
    """
    return any(_fits(one, key) for one in filled_by.removesuffix("+").split(";") if one)


def _fits(named: str, key: str) -> bool:
    kind, _, rest = named.partition(":")
    fits = [f"{kind}:before", f"{kind}:after"] if rest == "any" else [named]
    return any(key == one or key.startswith(f"{one}:") for one in fits)


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
