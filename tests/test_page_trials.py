# mypy: disable-error-code="no-untyped-call"
"""Trials in the page, from the button of a cause to the outcome in the job's panel."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pagetest import TAB, fill_book, open_client

from voicecheck.verdicts.trials import load_trials
from voicecheck.web.desk import Prompt
from voicecheck.web.jobview import find_test
from voicecheck.web.trials import PageTrial
from voicecheck.workflow.books import open_book
from voicecheck.workflow.separating import TRIED_BY
from voicecheck.workflow.sweeping.seats import SeatRequest
from voicecheck.workflow.takes import list_takes
from voicecheck.workflow.trials import read_trials
from voicecheck.workflow.undoing import undo

MULTIPART = {"none": ("", b"")}


@pytest.fixture
def folder(tmp_path: Path) -> Any:
    return fill_book(tmp_path / "book")


@pytest.fixture
def client(folder: Any) -> Iterator[Any]:
    with open_client(folder) as client:
        yield client


def order(client: Any, name: str, **fields: Any) -> Any:
    data = {"tab": TAB, **fields}
    answer = client.post(f"/jobs/1/trials/{name}", data=data, files=MULTIPART)
    client.desk.wait(60)
    return answer


def test_every_trial_stands_on_its_page_with_caution_steps_and_form(client: Any) -> None:
    text = client.get("/jobs/1/trials").text
    for name, kind in load_trials().items():
        assert f'id="{name}"' in text
        assert kind.caution in text.replace("&#39;", "'")
        assert f'action="/jobs/1/trials/{name}"' in text
    assert text.count("Not tried yet.") == len(load_trials())


def test_the_button_of_a_cause_leads_to_its_trial() -> None:
    assert set(TRIED_BY.values()) == set(load_trials())
    for test, name in TRIED_BY.items():
        assert find_test(7, test) == f"/jobs/7/trials#{name}"


def test_a_made_set_is_tried_told_set_aside_and_taken_back(client: Any, folder: Any) -> None:
    answer = order(client, "termination", on="simulated:carbon", fault="open-balance", stage="")
    assert answer.status_code == 200
    assert client.desk.status.line.startswith("Done: Own voice is loud and hardly changes")
    text = client.get("/jobs/1/trials").text
    assert "SIMULATED" in text
    assert re.search(r"own voice changes by 0\.\d dB", text)
    panel = client.get("/jobs/1?mark=voice").text
    assert "Switch the termination" in panel
    assert "trial done: termination" in panel
    assert ".flac" not in panel.partition('id="log-list"')[2].partition("</section>")[0]
    with open_book(folder) as book:
        (take,) = list_takes(book, 1)
        assert take.name == "trial termination"
        assert undo(book, 1) == "trial termination"
        assert read_trials(book, book.load_job(1)) == ()
        assert [one.aside for one in read_trials(book, book.load_job(1), aside=True)] != [""]


def test_a_form_without_a_source_is_refused_in_its_place(client: Any) -> None:
    answer = order(client, "rap", on="")
    assert answer.status_code == 400
    assert "choose a bench, a simulated handset" in answer.text
    assert client.post("/jobs/1/trials/spin", data={"tab": TAB}, files=MULTIPART).status_code == 404


class Desk:
    """Answers prompts from a list."""

    def __init__(self, *answers: dict[str, str]) -> None:
        self.answers, self.asked = list(answers), list[Prompt]()

    def ask(self, prompt: Prompt) -> dict[str, str]:
        self.asked.append(prompt)
        return self.answers.pop(0)


def test_a_meter_is_read_at_a_bench_and_a_slip_is_asked_again() -> None:
    class Order:
        is_real, first_path, job = True, "transmit", 1

    request = SeatRequest(title="20 mA", steps=())
    desk = Desk({"ma": "twenty"}, {"ma": "19,6"})
    attendant: Any = PageTrial(Order(), desk)  # type: ignore[arg-type]
    assert attendant.ask_ma(request) == 19.6
    assert "is no number" in desk.asked[1].wrong
    assert PageTrial(Order(), Desk({"ma": ""})).ask_ma(request) is None  # type: ignore[arg-type]
