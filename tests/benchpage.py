# mypy: disable-error-code="attr-defined,var-annotated"
"""What the tests of the bench pages share: devices, what reads and writes the book, a person."""

from typing import Any

from pagetest import (
    TAB,
)

from voicecheck.records import StepResult
from voicecheck.records.benches import Device
from voicecheck.workflow.benches.sitting import get_now_utc
from voicecheck.workflow.benches.store import (
    load_bench,
    save_result,
)
from voicecheck.workflow.books import open_book

DEVICES = (
    Device(name="Oak two-way", host_api="ALSA", n_inputs=2, n_outputs=2, default_rate_hz=48000.0),
    Device(name="Oak small", host_api="ALSA", n_inputs=1, n_outputs=1, default_rate_hz=48000.0),
)
BENCH = {"name": "attic"}


def load(where: Any, name: Any = "attic") -> Any:
    with open_book(where) as book:
        return load_bench(book, name)


def save(where: Any, *results: Any) -> None:
    with open_book(where) as book:
        for result in results:
            save_result(book, result)


def make_result(step: Any, value: Any = 1.0, **more: Any) -> Any:
    about = {"done_utc": get_now_utc(), "unit": "V", **more}
    return StepResult(bench="attic", step=step, value=value, **about)


class Person:
    """Somebody at the page."""

    def __init__(self, client: Any) -> None:
        self.client, self.number = client, 0

    def start(self, act: Any = "step", **fields: Any) -> None:
        data = {"tab": TAB, **fields}
        answer = self.client.post(f"/bench/{act}", params=BENCH, data=data)
        assert answer.status_code == 200, answer.text

    def await_prompt(self) -> Any:
        """The next prompt."""
        for _ in range(6000):
            prompt = self.client.desk.status.prompt
            if prompt is not None and prompt.number > self.number:
                self.number = prompt.number
                return prompt
            self.client.desk.wait(0.01)
        raise AssertionError(self.client.desk.status)

    def answer(self, **fields: Any) -> None:
        """Answer the prompt that was awaited."""
        data = {"prompt": self.number, **fields}
        assert self.client.post("/desk/go", data=data).is_success

    def end(self) -> Any:
        self.client.desk.wait(60.0)
        status = self.client.desk.status
        assert not status.is_running
        assert not status.is_failed, status.line
        return status
