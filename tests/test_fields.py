"""Fields of options: described once, and one sentence for whatever is out of their bounds."""

import math
import subprocess
import sys
from dataclasses import dataclass
from typing import Annotated, Any, Literal

import pytest
from msgspec import Meta

from voicecheck.errors import InputError
from voicecheck.records.bounds import check_bounds
from voicecheck.records.fields import list_fields


@dataclass(frozen=True, kw_only=True)
class Invented:
    seconds: Annotated[
        float,
        Meta(ge=2, le=600, extra={"label": "Seconds", "unit": "s", "remedy": "; minutes?"}),
    ] = 20.0
    seed: Annotated[int, Meta(ge=1)] = 1
    part: Annotated[Literal["cord", "hook"], Meta(extra={"option": "--moved"})] = "cord"
    note: Annotated[str, Meta(max_length=5)] = ""
    places: Annotated[tuple[str, ...], Meta(max_length=2)] = ()
    is_tried: Annotated[bool | None, Meta()] = None
    volts: Annotated[float | None, Meta(ge=0)] = None
    inner: str = "not asked for"


def test_fields_are_what_the_record_says() -> None:
    fields = {field.name: field for field in list_fields(Invented)}
    assert list(fields) == ["seconds", "seed", "part", "note", "places", "is_tried", "volts"]
    assert [field.kind for field in fields.values()] == [
        "number", "whole", "choice", "text", "texts", "yes or no", "number",
    ]  # fmt: skip
    seconds = fields["seconds"]
    assert (seconds.bounds.low, seconds.bounds.high, seconds.default) == (2, 600, 20.0)
    assert seconds.label == "Seconds"
    assert (seconds.option, fields["part"].option) == ("--seconds", "--moved")
    assert fields["part"].bounds.words == ("cord", "hook")
    assert fields["volts"].bounds.text == "0 or more"


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"seconds": 1.0}, "seconds: need 2 to 600 s, got 1; minutes?"),
        ({"seconds": math.nan}, "seconds: need 2 to 600 s, got nan; minutes?"),
        ({"seed": 0}, "seed: need a whole number of 1 or more, got 0"),
        ({"part": "table"}, "part: need one of cord, hook, got 'table'"),
        ({"note": "longer"}, "note: need at most 5 letters, got 6"),
        ({"places": ("a", "b", "c")}, "places: need at most 2 entries, got 3"),
        ({"volts": -1.0}, "volts: need 0 or more, got -1"),
    ],
)
def test_what_is_out_of_bounds_is_told_in_one_sentence(changes: Any, sentence: str) -> None:
    with pytest.raises(InputError) as raised:
        check_bounds(Invented(**changes))
    assert str(raised.value) == sentence


def test_bounds_themselves_are_allowed() -> None:
    for changes in (
        {"seconds": 2.0},
        {"seconds": 600.0},
        {"note": "whole"},
        {"places": ("a", "b")},
    ):
        check_bounds(Invented(**changes))


def test_fields_and_words_load_without_numpy() -> None:
    """The command line asks for them before it knows which command runs."""
    code = "import sys, voicecheck.records.fields; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
