# mypy: disable-error-code="func-returns-value"
"""Prompts of the page's work: what is typed comes back, a second press answers nothing else."""

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pagetest import TAB, fill_book, open_browser, open_client, serve_here

from voicecheck.web.desk import Field, Prompt

VOLTS = Field(name="volts", label="Meter", unit="V", default="0.3")


@pytest.fixture
def client(tmp_path: Path) -> Iterator[Any]:
    with open_client(fill_book(tmp_path)) as client:
        yield client


def begin(client: Any, act: Any) -> None:
    client.desk.start("fake work", act, tab=TAB)


def await_prompt(client: Any, above: Any = 0) -> Any:
    """The prompt that comes next; the work's own announcements say when to look."""
    for _ in range(1000):
        prompt = client.desk.status.prompt
        if prompt is not None and prompt.number > above:
            return prompt
        client.desk.wait(0.01)
    raise AssertionError(client.desk.status)


def test_what_is_typed_comes_back_and_is_asked_for_in_the_panel(client: Any) -> None:
    answers = []
    prompt = Prompt(
        title="Read it", fields=(VOLTS,), choices={"again": "Play it again"}, wrong="no number"
    )
    begin(client, lambda handle: answers.append(handle.ask(prompt)) or "Done")
    number = await_prompt(client).number
    panel = client.get("/desk").text
    for words in ("Meter, V", 'value="0.3"', "Play it again", "no number", "required"):
        assert words in panel
    sent = {"prompt": number, "volts": " 0,31 ", "other": "x", "choice": "again"}
    assert client.post("/desk/go", data=sent).is_success
    client.desk.wait(5.0)
    assert answers == [{"volts": "0,31", "choice": "again"}]
    assert client.desk.status.line == "Done"


def test_a_second_press_does_not_answer_the_next_prompt(client: Any) -> None:
    def act(handle: Any) -> Any:
        handle.ask(Prompt(title="one"))
        handle.ask(Prompt(title="two"))
        return "Done"

    begin(client, act)
    first = await_prompt(client).number
    client.post("/desk/go", data={"prompt": first})
    second = await_prompt(client, above=first)
    client.post("/desk/go", data={"prompt": first})
    assert client.desk.status.prompt == second
    client.post("/desk/go", data={"go": "1"})
    client.desk.wait(5.0)
    assert client.desk.status.line == "Done"


def test_something_is_played_while_a_prompt_is_shown(client: Any) -> None:
    """The answer may come before the end of it; a fault of it takes the prompt away."""
    seen = []

    def act(handle: Any) -> Any:
        def play() -> None:
            seen.append(client.desk.status.prompt.title)
            client.desk.go_on({"volts": "1"})

        seen.append(handle.ask(Prompt(title="Read it", fields=(VOLTS,)), play))
        handle.ask(Prompt(title="Again"), lambda: 1 / 0)
        return "Done"

    begin(client, act)
    client.desk.wait(5.0)
    assert seen == ["Read it", {"volts": "1", "choice": ""}]
    assert client.desk.status.is_failed
    assert client.desk.status.prompt is None


def test_a_stop_ends_a_prompt(client: Any) -> None:
    begin(client, lambda handle: str(handle.ask(Prompt(title="Read it", fields=(VOLTS,)))))
    await_prompt(client)
    client.post("/desk/stop", data={"stop": "1"})
    client.desk.wait(5.0)
    assert client.desk.status.line.startswith("Stopped")


@pytest.mark.parametrize("number", ["", "x", "-1", "1e400", "9" * 50])
def test_nonsense_for_a_prompt_is_no_fault_of_the_server(client: Any, number: Any) -> None:
    assert client.post("/desk/go", data={"prompt": number}).status_code < 500


def watch_alone(client: Any, *, asked_s: Any, left_s: Any, seconds: Any) -> Any:
    """How long after its page left at `left_s` work stops, by a clock that is moved by hand."""
    now = [0.0]
    client.desk.clock = lambda: now[0]
    stopped = threading.Event()

    def act(handle: Any) -> Any:
        stopped.wait(30)
        handle.check()
        return "Done"

    client.desk.start("Try", act, tab="other")
    client.desk.open_tab("other")
    stops = None
    for now[0] in [*np.arange(0.0, left_s + seconds, 0.25)]:
        if now[0] == asked_s:
            client.get("/", headers={"accept": "text/html"})
        if now[0] == left_s:
            client.desk.close_tab("other")
        client.desk.stop_if_alone()
        if stops is None and client.desk.is_stopping:
            stops = now[0] - left_s
    stopped.set()
    client.desk.wait(5.0)
    return stops


def test_work_stops_soon_after_its_page_is_closed(client: Any) -> None:
    stops = watch_alone(client, asked_s=-1, left_s=10.0, seconds=30)
    assert stops == pytest.approx(2.0, abs=0.26)


def test_work_goes_on_while_another_page_loads_but_not_for_ever(client: Any) -> None:
    """A machine that has much to do may need many seconds for a page."""
    stops = watch_alone(client, asked_s=9.5, left_s=10.0, seconds=30)
    assert stops == pytest.approx(19.5, abs=0.26)


def test_a_meter_makes_way_for_other_work(client: Any) -> None:
    def watch(handle: Any) -> None:
        while True:
            handle.check()

    client.desk.start("Meter", watch, tab=TAB, is_meter=True)
    client.desk.start("Sweep", lambda _: "Done", tab=TAB)
    client.desk.wait(5.0)
    assert (client.desk.status.title, client.desk.status.line) == ("Sweep", "Done")


@pytest.mark.page
def test_a_prompt_and_what_is_half_typed_outlive_every_refresh(tmp_path: Path) -> None:
    """The panel is made anew whenever anything happens, and pages fetch their parts meanwhile."""
    with serve_here(fill_book(tmp_path)) as (address, desk), open_browser() as browser:
        page = browser.new_page()
        page.goto(address)
        tab = page.evaluate("sessionStorage.getItem('bench-tab')")
        desk.start(
            "Try", lambda handle: str(handle.ask(Prompt(title="Read it", fields=(VOLTS,)))), tab=tab
        )
        for _ in range(3):
            page.goto(address.partition("/enter")[0] + "/jobs/1")
            field = page.get_by_label("Meter, V")
            field.fill("0.3")
            field.press("End")
            for line in ("one", "two", "three"):
                page.keyboard.type("1")
                desk.change(line=line)
                page.get_by_text(line, exact=True).wait_for()
            assert field.input_value() == "0.3111"
            assert page.evaluate("document.activeElement.name") == "volts"
        page.keyboard.press("Enter")
        page.get_by_text("'volts': '0.3111'").wait_for()


@pytest.mark.page
def test_typing_goes_through_a_thousand_refreshes(tmp_path: Path) -> None:
    """The field is never replaced, so neither its text, its cursor nor what is marked in it is."""
    with serve_here(fill_book(tmp_path)) as (address, desk), open_browser() as browser:
        page = browser.new_page()
        page.goto(address)
        tab = page.evaluate("sessionStorage.getItem('bench-tab')")
        prompt = Prompt(title="Read it", fields=(VOLTS,))
        desk.start("Try", lambda handle: str(handle.ask(prompt)), tab=tab)
        field = page.get_by_label("Meter, V")
        field.focus()
        node = field.element_handle()
        page.evaluate(REFRESH_A_THOUSAND_TIMES)
        digits = "0123456789" * 4
        field.press("Control+a")
        for digit in digits:
            page.keyboard.type(digit)
            desk.change(line=f"after {digit}")
        page.evaluate("() => window.refreshed")
        assert field.input_value() == digits
        assert page.evaluate("one => one === document.activeElement && one.isConnected", node)
        page.get_by_text("after 9", exact=True).wait_for()


REFRESH_A_THOUSAND_TIMES = """() => {
    const again = () => document.dispatchEvent(new CustomEvent("bench:work", {detail: {}}));
    let left = 1000;
    window.refreshed = new Promise((resolve) => {
        document.addEventListener("htmx:afterRequest", (event) => {
            if (event.detail.pathInfo.requestPath !== "/desk") return;
            left -= 1;
            if (left > 0) again(); else resolve();
        });
    });
    again();
}"""


@pytest.mark.page
def test_what_is_half_written_in_a_part_of_a_job_is_not_made_anew(tmp_path: Path) -> None:
    with serve_here(fill_book(tmp_path)) as (address, _), open_browser() as browser:
        page = browser.new_page()
        page.goto(address)
        page.goto(address.partition("/enter")[0] + "/jobs/1")
        page.evaluate(
            "document.querySelector('#log-list').innerHTML"
            " = '<form><input id=half><button>Keep</button></form>';"
            "document.querySelector('#half').focus()"
        )
        page.keyboard.type("half")
        with page.expect_response("**/jobs/1?mark=*"):
            page.evaluate("document.dispatchEvent(new CustomEvent('bench:job-1', {detail: {}}))")
        page.locator("#half").press("End")
        page.keyboard.type(" typed")
        assert page.locator("#half").input_value() == "half typed"
        page.locator("#half").fill("")
        page.locator("#half").blur()
        page.locator("#half").wait_for(state="detached")


@pytest.mark.page
def test_of_many_quick_changes_the_last_is_shown(tmp_path: Path) -> None:
    """A change that comes while the panel still asks for the one before it is asked for next."""
    with serve_here(fill_book(tmp_path)) as (address, desk), open_browser() as browser:
        page = browser.new_page()
        page.goto(address)
        tab = page.evaluate("sessionStorage.getItem('bench-tab')")
        desk.start("Try", lambda handle: str(handle.ask(Prompt(title="Read it"))), tab=tab)
        for burst in range(15):
            for number in range(4):
                desk.change(line=f"line {burst}.{number}")
                page.wait_for_timeout(15)
            page.get_by_text(f"line {burst}.3", exact=True).wait_for()
        desk.stop()
