"""A step of the check list ticks itself only when all that it names was measured."""

from __future__ import annotations

import pytest

from voicecheck.checkout.steps import Found, fill_steps, parse_steps, read_template
from voicecheck.cli.checkout_show import render_list
from voicecheck.errors import InputError
from voicecheck.records import CheckList, CheckStep

HEAD = "step,phase,variant,task,good,filled_by,source,provenance"
SWEPT = {
    f"sweep:after:{path}": Found(words=path, seats=3)
    for path in ("transmit", "receive", "sidetone")
}


def fill(number: int, measured: dict[str, Found], done: dict[int, str] | None = None) -> CheckStep:
    steps = parse_steps(read_template(), "desk")
    filled = fill_steps(steps, measured=measured, done=done or {}, skipped={})
    return next(step for step in filled if step.step == number)


@pytest.mark.parametrize(
    ("number", "measured", "missing"),
    [
        (6, {"sweep:before:transmit": Found(words="x")}, "receive, sidetone"),
        (7, {"dial:before": Found(words="x", digits="3708")}, "digits 1 2 4 5 6 9"),
        (8, {"flex:before:cord": Found(words="x")}, "hook, handset"),
        (12, {"dial:after": Found(words="x", digits="000")}, "digit 0: 3 of 10 times"),
        (
            20,
            {**SWEPT, "sweep:after:transmit": Found(words="x", seats=1)},
            "transmit: 1 of 3 seats",
        ),
    ],
)
def test_a_part_is_shown_as_a_part(number: int, measured: dict[str, Found], missing: str) -> None:
    step = fill(number, measured)
    assert (step.state, step.partly) == ("open", missing)
    assert step.result
    assert fill(number, measured, done={number: "enough"}).state == "measured"


def test_the_whole_ticks_itself() -> None:
    assert fill(20, SWEPT).state == "measured"
    assert fill(7, {"dial:before": Found(words="x", digits="1234567890")}).state == "measured"
    no_carbon = {key: Found(words="x", seats=None) for key in SWEPT}
    assert fill(20, no_carbon).state == "measured"


@pytest.mark.parametrize("number", [12, 13, 14, 15, 16, 17, 18])
def test_work_is_ticked_by_a_person(number: int) -> None:
    measured = {
        **SWEPT,
        "dial:after": Found(words="x", digits="0" * 10),
        "flex:after:hook": Found(words="x"),
        "flex:after:cord": Found(words="x"),
        "bell:after": Found(words="x"),
    }
    assert fill(number, measured).state == "open"
    assert fill(number, measured).result
    assert fill(number, measured, done={number: ""}).state == "measured"


def test_a_fault_looks_different_from_fine() -> None:
    shown = {}
    for verdict in ("within", "outside"):
        step = fill(9, {"bell:before": Found(words="heard", verdict=verdict)})
        assert (step.state, step.verdict) == ("measured", verdict)
        checked = CheckList(job=1, variant="desk", steps=(step,))
        shown[verdict] = render_list(checked).splitlines()[1]
    assert shown["within"] != shown["outside"]


def test_a_list_of_before_the_column_still_reads_and_asks_for_three_paths() -> None:
    steps = parse_steps(f"{HEAD}\n1,a,all,Sweep,,sweep:before,PROP,PROP\n", "desk")
    measured = {"sweep:before:transmit": Found(words="x")}
    (step,) = fill_steps(steps, measured=measured, done={}, skipped={})
    assert (step.state, step.partly) == ("open", "receive, sidetone")


@pytest.mark.parametrize("needs", ["paths", "seats x transmit", "times 10", "seats 3"])
def test_needs_that_cannot_be_met_are_refused(needs: str) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        parse_steps(f"{HEAD},needs\n1,a,all,Sweep,,sweep:before,PROP,PROP,{needs}\n", "desk")
