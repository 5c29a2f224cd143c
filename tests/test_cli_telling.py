"""What is said at the end of `compare`: well or not, what was wrong, how sure, what next."""

from __future__ import annotations

import dataclasses
import json
import re
from pathlib import Path

import pytest
from factories import make_comparison, make_finding
from telling import SHOUT, call, fill_book

from voicecheck.errors import InputError
from voicecheck.records import Against
from voicecheck.words import load_words
from voicecheck.workflow.telling import tell_change

WIDEST = 80


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("told") / "book"
    assert fill_book(folder) == 9
    return folder


def join(text: str) -> str:
    return " ".join(text.split())


def test_against_the_type_five_questions_are_answered(book: Path) -> None:
    text = call("compare", 9, "--stage", "before", book=book)
    flat = join(text)
    assert text.startswith(f"{SHOUT}\n")
    assert "Outside, as found: this set does not talk" in flat
    assert "as a Hillview 2 should (held against 8 good sets)" in flat
    assert re.search(r"talks outside 8\.7 dB too faint; [23]\.\d dB either way is usual", flat)
    assert "How sure: the handset was clamped 3 times for each measurement" in flat
    assert "rings not tested" in flat
    assert "Next: " in flat
    assert "voicecheck compare 9 --stage before --numbers" in text
    assert all(len(line) <= WIDEST for line in text.splitlines())
    assert len(text.splitlines()) < 25


def test_a_set_that_is_well_is_called_well_and_has_no_cause(book: Path) -> None:
    flat = join(call("compare", 9, book=book))
    assert "Within, after the work: this set talks, hears" in flat
    assert "Outside" not in flat
    assert "cause" not in flat
    assert "Likely" not in flat


def test_against_before_a_change_is_no_fault_and_both_ends_are_told(book: Path) -> None:
    text = call("compare", 9, "--against", "before", book=book)
    flat = join(text)
    assert text.startswith(f"{SHOUT}\n")
    assert "Changed: talks, hears, own voice, crackle and noise" in flat
    assert "talks changed 8.8 dB louder at 1 kHz than before" in flat
    assert "Now: within, after the work: this set talks" in flat
    assert "It was: outside, as found (held against 8 good sets). Talks: 8.7 dB too faint" in flat
    assert "of 100 unchanged sets at most 5" in flat
    assert text.index("Now: ") < text.index("talks    ")
    # Louder is what the work was for: nothing of the change itself is called outside.
    assert flat.count("utside") == 1
    assert all(len(line) <= WIDEST for line in text.splitlines())


def test_numbers_have_named_columns_and_words_for_verdicts(book: Path) -> None:
    rows = call("compare", 9, "--against", "before", "--numbers", book=book).splitlines()
    heads = next(row for row in rows if row.split()[:2] == ["path", "quantity"])
    assert heads.split()[2:] == ["value", "+/-", "from", "to", "unit", "at,", "Hz", "verdict"]
    level = next(row for row in rows if "level at 1 kHz" in row)
    assert level.split()[-1] == "changed"
    assert level.index("8.8") == heads.index("value")
    assert any(row.split()[:1] == ["figure"] for row in rows)


def test_what_is_compared_for_a_script_stays(book: Path) -> None:
    document = json.loads(call("compare", 9, "--stage", "before", "--json", book=book))
    assert document["schema"] == "voicecheck.comparison/1"
    assert document["overall"] == "outside"
    assert document["hints"][-1]["code"] == "other"


def test_a_result_needs_the_name_of_a_test_that_tells_causes_apart(book: Path) -> None:
    with pytest.raises(InputError, match=r"need one of .*flex_events_per_min.*got 'flex_event'"):
        call("compare", 9, "--result", "flex_event=3", book=book)
    with pytest.raises(InputError, match="only against the baseline"):
        call("compare", 9, "--against", "before", "--result", "flex_events_per_min=3", book=book)
    plain, tested = (
        json.loads(call("compare", 9, "--stage", "before", *more, "--json", book=book))["hints"]
        for more in ((), ("--result", "flex_events_per_min=30"))
    )
    assert plain != tested


def test_without_a_good_set_it_is_said_what_that_is_worth(tmp_path: Path) -> None:
    job = fill_book(tmp_path / "book", n_good=0)
    flat = join(call("compare", job, "--stage", "before", book=tmp_path / "book"))
    assert flat.startswith(f"{SHOUT} Nothing wrong seen, as found; whether it is as its type")
    assert "no good sets of its type yet" in flat
    since = join(call("compare", job, "--stage", "after", book=tmp_path / "book"))
    assert "Changed: talks, hears, own voice" in since
    assert "Talks: 8.8 dB louder at 1 kHz than before" in since
    assert "says little until good sets of the type are swept" in flat


def test_a_job_without_a_sweep_is_asked_for_one_as_found(tmp_path: Path) -> None:
    call("type", "add", "X", "--transmitter", "carbon", "--region", "", book=tmp_path / "book")
    call("job", "open", "set", "--type", "X", book=tmp_path / "book")
    with pytest.raises(InputError, match="sweep it with --stage before first"):
        call("compare", 1, book=tmp_path / "book")


def test_as_found_is_not_held_against_itself(tmp_path: Path) -> None:
    """Where nothing was swept since, the reader is told what comes first."""
    folder = tmp_path / "book"
    call("type", "add", "X", "--transmitter", "carbon", "--region", "", book=folder)
    call("job", "open", "set", "--type", "X", book=folder)
    call("sweep", 1, "--path", "loop", "--simulated", "carbon", "--seats", 1, book=folder)
    with pytest.raises(InputError, match="voicecheck job done 1"):
        call("compare", 1, "--against", "before", book=folder)


def test_the_benchs_own_loop_says_nothing_of_a_set(tmp_path: Path) -> None:
    """What rustles in a loop is no noise of the telephone, and no path was swept."""
    folder = tmp_path / "book"
    call("type", "add", "X", "--transmitter", "carbon", "--region", "", book=folder)
    call("job", "open", "set", "--type", "X", book=folder)
    call("sweep", 1, "--path", "loop", "--simulated", "carbon", "--seats", 1, book=folder)
    flat = join(call("compare", 1, book=folder))
    assert "crackle and noise not tested not swept" in flat
    assert "How sure: no path of the set was swept" in flat


def test_a_part_that_is_well_now_is_not_told_to_be_the_same() -> None:
    """Crackle as found and none now, but too few bursts to prove a change by themselves."""
    was = dataclasses.replace(
        make_comparison("before"),
        findings=(make_finding("transmit", "kurtosis", 14.0, "outside", low=None, high=4.2),),
    )
    now = dataclasses.replace(
        was, findings=(make_finding("transmit", "kurtosis", 3.1, "within", low=None, high=4.2),)
    )
    same = make_finding("transmit", "bursts_per_s", 0.0, "within")
    change = dataclasses.replace(
        was, stage="after", against=Against(kind="before", name="before"), findings=(same,)
    )
    words = load_words("en")
    _, parts = tell_change(change, words, {"after": now, "before": was})
    (crackle,) = [part for part in parts if part.name == "crackle and noise"]
    assert crackle.state == "perhaps"
    assert crackle.sentence.startswith("outside as found, within now")
    _, parts = tell_change(change, words, {"after": now, "before": now})
    assert parts[-1].state == "unchanged"
