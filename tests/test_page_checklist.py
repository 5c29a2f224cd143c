# mypy: disable-error-code="index,no-untyped-call,var-annotated"
"""The check list in the page, from the form to what is shown and kept."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pagetest import (
    HOSTILE,
    fill_book,
    open_client,
)
from test_page_checks import take

from voicecheck.checkout.steps import read_template
from voicecheck.workflow.books import open_book
from voicecheck.workflow.checks.checklist import load_sheet

MULTIPART = {"none": ("", b"")}
STEPS = range(1, 27)


@pytest.fixture
def folder(tmp_path: Path) -> Any:
    return fill_book(tmp_path / "book")


@pytest.fixture
def client(folder: Any) -> Iterator[Any]:
    with open_client(folder) as client:
        yield client


def save_list(client: Any, **fields: Any) -> Any:
    """Send the check list's form."""
    return client.post(
        "/jobs/1/list", data={"n_kept": "0", **fields}, files=MULTIPART, follow_redirects=False
    )


def load_checked(folder: Any) -> Any:
    with open_book(folder) as book:
        return load_sheet(book, 1)


def test_the_list_is_not_ready_while_a_step_is_open(client: Any, folder: Any) -> None:
    """What was typed comes back with the line that refuses it, and nothing is kept."""
    typed = {"say-1": "done", "words-1": "seven photographs", "fitted": "modular jack"}
    refused = save_list(client, **typed, final="ready")
    assert refused.status_code == 400
    assert "cannot be ready" in refused.text
    assert 'value="seven photographs"' in refused.text
    assert 'value="modular jack"' in refused.text
    assert "<option selected>ready</option>" in refused.text
    assert load_checked(folder).n_kept == 0
    said = {f"say-{n}": "not tested" for n in STEPS}
    said |= {f"words-{n}": "not asked for" for n in STEPS}
    assert save_list(client, **{**said, **typed}, final="ready").status_code == 303
    assert load_checked(folder).checked.final == "ready"
    assert "✓ Ready" in client.get("/jobs/1/list").text


@pytest.mark.parametrize(
    ("fields", "line"),
    [
        ({"say-2": "not tested"}, "step 2: a step that is not tested needs a reason"),
        ({"words-2": "seen"}, "step 2: something was written"),
        ({"say-2": "perhaps"}, "step 2: need done"),
        ({"say-2": "done", "words-2": "x" * 501}, "step 2: need 500 letters"),
        ({"kept": "x" * 501}, "jack conversion: need 500 letters"),
        ({"variant": "pocket"}, "variant: need one of"),
        ({"final": "perhaps"}, "final: need one of"),
        ({"n_kept": "nan"}, "n_kept: need a number"),
        ({"n_kept": "7"}, "changed elsewhere"),
    ],
)
def test_a_refused_list_comes_back_as_it_was_typed(
    client: Any, folder: Any, fields: Any, line: str
) -> None:
    refused = save_list(client, **{"say-1": "done", "words-1": "as typed", **fields})
    assert refused.status_code == 400
    assert line in refused.text
    assert 'value="as typed"' in refused.text
    assert load_checked(folder).n_kept == 0


def test_steps_are_ticked_reopened_and_filled_in(client: Any, folder: Any) -> None:
    take(client, "dial", "healthy")
    fields = {"say-1": "done", "words-1": "label seen", "say-3": "done", "variant": "wall"}
    assert save_list(client, **fields).status_code == 303
    states = {step.step: step.state for step in load_checked(folder).checked.steps}
    assert [n for n, state in states.items() if state == "done"] == [1, 3]
    assert [n for n, state in states.items() if state == "measured"] == [7]
    page = client.get("/jobs/1/list").text
    assert "mark the hook&#39;s spring" in page
    assert "pulses/s" in page.partition('id="state-7"')[2].partition("</div>")[0]
    # Words that stand as they were do not hold a step that is opened again.
    again = {"n_kept": "1", "say-1": "", "words-1": "label seen"}
    assert save_list(client, **again).status_code == 303
    sheet = load_checked(folder)
    assert [step.step for step in sheet.checked.steps if step.state == "done"] == [3]
    assert sheet.checked.variant == "wall"


def test_a_tick_is_done_and_words_without_one_say_why_not(client: Any, folder: Any) -> None:
    shown = {"shown": [str(n) for n in STEPS]}
    told = {"say-1": "done", "words-1": "label seen", "words-2": "owner away"}
    assert save_list(client, **shown, **told).status_code == 303
    states = {one.step: (one.state, one.result) for one in load_checked(folder).checked.steps}
    assert states[1] == ("done", "label seen")
    assert states[2] == ("not tested", "owner away")
    assert states[3][0] == "open"
    page = client.get("/jobs/1/list").text
    assert page.count("data-tick checked") == 1
    # The tick taken away, and its words with it: open again.
    assert save_list(client, n_kept="1", **shown, **{"words-1": ""}).status_code == 303
    assert load_checked(folder).checked.steps[0].state == "open"


def test_a_jack_conversion_is_kept_and_taken_away_again(client: Any, folder: Any) -> None:
    save_list(client, fitted="modular jack", removed="spade lugs", kept="lugs, in a bag")
    assert load_checked(folder).checked.jack.kept == "lugs, in a bag"
    assert 'value="spade lugs"' in client.get("/jobs/1/list").text
    save_list(client, n_kept="1", fitted="", removed="", kept="")
    assert load_checked(folder).checked.jack is None


def send_list(client: Any, content: Any, name: Any = "own.csv", **fields: Any) -> Any:
    files = {"template": (name, content)}
    return client.post(
        "/jobs/1/list", data={"n_kept": "0", **fields}, files=files, follow_redirects=False
    )


def test_a_list_of_ones_own_is_used_saved_and_given_back(client: Any, folder: Any) -> None:
    saved = client.get("/jobs/1/list/template.csv").text
    assert saved == read_template()
    own = saved + "27,shop,all,Sweep the bench,clean,,own,PROP\n"
    assert send_list(client, own.encode()).status_code == 303
    assert "Sweep the bench" in client.get("/jobs/1/list").text
    assert client.get("/jobs/1/list/template.csv").text == own
    save_list(client, n_kept="1", own_again="1")
    assert len(load_checked(folder).checked.steps) == 26


@pytest.mark.parametrize("words", HOSTILE)
def test_hostile_words_of_a_step_are_shown_as_text(client: Any, words: Any) -> None:
    own = "step,phase,variant,task,good,filled_by,source,provenance\n1,{0},all,{0},{0},,{0},PROP\n"
    cell = '"' + words.replace('"', '""').replace("\r\n", " ") + '"'
    assert send_list(client, own.format(cell).encode()).status_code == 303
    save_list(client, n_kept="1", **{"say-1": "done", "words-1": words[:500]}, fitted=words[:500])
    page = client.get("/jobs/1/list").text
    assert page.count("<script") == client.get("/jobs/1/checks").text.count("<script")
    assert "<img" not in page
    assert "49" not in page.partition('id="state-1"')[2].partition("</div>")[0]


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"step,task\n1,nothing",
        b"\xff\xfe\x00",
        b"step,phase,variant,task,good,filled_by,source,provenance\n1,a,all",
        b"step,phase,variant,task,good,filled_by,source,provenance\n" + b"9" * 5000 + b",a,all,b",
        b"step,phase,variant,task,good,filled_by,source,provenance\n1,a,all," + b"x" * 200_000,
        b"step,phase,variant,task,good,filled_by,source,provenance\n"
        + b"".join(b"%d,a,all,b,,,,\n" % n for n in range(1, 152)),
        b"#" * 300_000,
    ],
)
def test_a_file_that_is_no_list_is_refused_and_nothing_typed_is_lost(
    client: Any, folder: Any, content: Any
) -> None:
    refused = send_list(client, content, **{"say-1": "done", "words-1": "as typed"})
    assert refused.status_code == 400
    assert 'value="as typed"' in refused.text
    assert "/tmp" not in refused.text
    assert load_checked(folder).n_kept == 0


def test_a_list_of_another_kind_of_file_is_refused(client: Any) -> None:
    assert send_list(client, b"%PDF-1.7", name="own.pdf").status_code == 400
