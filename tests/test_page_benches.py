# mypy: disable-error-code="attr-defined,var-annotated"
"""Benches in the page: set-up, calibration with readings, daily check."""

import dataclasses
import math
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest
from pagetest import (
    HOSTILE,
    TAB,
    fill_book,
    find_barriers,
    open_browser,
    open_client,
    serve_book,
    watch_console,
)
from virtual_bench.fixture import VirtualCard

from voicecheck.bench.calibration.guides import Guide, load_guides
from voicecheck.bench.calibration.stepwork import WORK
from voicecheck.cli import make_app
from voicecheck.errors import BenchError, InputError
from voicecheck.records import BenchCheck, CheckItem, Problem, Recipe, StepResult
from voicecheck.records.benches import BenchSetup, Device, MicrophoneCurve
from voicecheck.records.times import say_own_time
from voicecheck.web.wiring import draw_wiring
from voicecheck.workflow.benches.locks import hold_device, list_busy
from voicecheck.workflow.benches.sitting import Sitting, get_guide, get_now_utc, open_sitting
from voicecheck.workflow.benches.store import (
    add_setup,
    change_setup,
    find_bench,
    list_benches,
    load_bench,
    save_check,
    save_result,
)
from voicecheck.workflow.benches.view import (
    draw_wires,
    list_actions,
    list_step_names,
    name_wires,
)
from voicecheck.workflow.books import open_book

DEVICES = (
    Device(name="Oak two-way", host_api="ALSA", n_inputs=2, n_outputs=2, default_rate_hz=48000.0),
    Device(name="Oak small", host_api="ALSA", n_inputs=1, n_outputs=1, default_rate_hz=48000.0),
)
FORM = {
    "name": "attic", "device": "two", "rate_hz": "44100", "mouth_channel": "2",
    "line_drive_channel": "1", "line_tap_channel": "2", "ear_channel": "1", "ear": "coil",
    "feed_ma": "35,5", "feed_reading": "meter in series", "load_ohm": "900", "mouth_mm": "25",
    "angle_deg": "-10", "mouth_cap_dbfs": "-6", "line_drive_cap_dbfs": "-9", "meter_percent": "1",
    "notes": "by the window", "host_api": "alsa", "input_device": "Elm", "tab": TAB,
    "microphone_curve": "# capsule 7\r\n200 1,5 0.3\r\n1000; 0; 0.1\r\n4000 -2 0.5",
}  # fmt: skip
SETUP = BenchSetup(
    name="attic", device="Oak two-way", rate_hz=44100, mouth_channel=2, line_drive_channel=1,
    line_tap_channel=2, ear_channel=1, ear="coil", feed_ma=35.5, feed_reading="meter in series",
    load_ohm=900.0, mouth_mm=25.0, angle_deg=-10.0, mouth_cap_dbfs=-6.0, line_drive_cap_dbfs=-9.0,
    meter_percent=1.0, notes="by the window", host_api="alsa", input_device="Elm",
    microphone_curve=MicrophoneCurve(
        label="capsule 7", frequency_hz=(200.0, 1000.0, 4000.0), level_db=(1.5, 0.0, -2.0),
        tolerance_db=(0.3, 0.1, 0.5),
    ),
)  # fmt: skip
BENCH = {"name": "attic"}


@pytest.fixture
def where(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    monkeypatch.setattr("voicecheck.web.benchpages.list_sound_devices", lambda: DEVICES)
    return fill_book(tmp_path)


@pytest.fixture
def client(where: Any) -> Iterator[Any]:
    with open_client(where) as client:
        yield client


@pytest.fixture
def bench(where: Any) -> None:
    """A bench with four channels in the book."""
    with open_book(where) as book:
        add_setup(book, BenchSetup(name="attic", device="Oak two-way"))


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


# Set-up.


def test_every_field_of_a_set_up_comes_back(client: Any, where: Any) -> None:
    answer = client.post("/benches", data=FORM)
    assert answer.status_code == 200
    assert load(where).setup == SETUP
    assert "not found now" not in answer.text
    for words in ("35.5 mA", "meter in series", "900 ohm", "mouth 2, line drive 1", "Elm"):
        assert words in answer.text
    assert "Oak two-way" in client.get("/benches").text
    # The form to change it holds what is there: sent back as it is, nothing changes.
    assert "# capsule 7\n200 1.5 0.3\n1000 0 0.1\n4000 -2 0.5</textarea>" in answer.text
    client.post("/bench/edit", params=BENCH, data={**FORM, "device": SETUP.device})
    assert load(where).setup == SETUP


def test_the_usual_needs_a_name_and_a_device(client: Any, where: Any) -> None:
    """A board with one channel uses it for both ends; one that is not there is kept as named."""
    client.post("/benches", data={"name": "shed", "device": "small"})
    expected = BenchSetup(name="shed", device="Oak small", line_drive_channel=1, ear_channel=1)
    assert load(where, "shed").setup == expected
    answer = client.post("/benches", data={"name": "cellar", "device": "Elm"})
    assert "not found now" in answer.text
    assert load(where, "cellar").setup == BenchSetup(name="cellar", device="Elm")


def test_a_bench_is_set_up_without_a_sound_system(
    client: Any, where: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail() -> None:
        raise BenchError("there is no PortAudio")

    monkeypatch.setattr("voicecheck.web.benchpages.list_sound_devices", fail)
    assert "not found now" in client.post("/benches", data={"name": "a", "device": "Oak"}).text


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"name": " "}, "the bench needs one"),
        ({"device": ""}, "name the sound device"),
        ({"device": "Oak", "host_api": ""}, "fits several"),
        ({"ear": "cup"}, "coupler, coil"),
        ({"ear": "c" * 9000}, "coupler, coil"),
        ({"feed_ma": "0.04"}, "was it amperes"),
        ({"feed_ma": "nan"}, "need a number"),
        ({"load_ohm": "-1e308"}, "load_ohm"),
        ({"load_ohm": "0"}, "load_ohm"),
        ({"mouth_mm": "x"}, "need a number"),
        ({"mouth_mm": "-3"}, "mouth_mm"),
        ({"angle_deg": "1e9"}, "angle_deg"),
        ({"rate_hz": "8000"}, "rate_hz"),
        ({"rate_hz": "44100.5"}, "whole number"),
        ({"mouth_cap_dbfs": "0"}, "caps"),
        ({"line_drive_cap_dbfs": "1e400"}, "need a number"),
        ({"mouth_channel": "0"}, "whole number"),
        ({"ear_channel": "257"}, "whole number"),
        ({"meter_percent": "50"}, "meter_percent"),
    ],
)
def test_a_set_up_that_cannot_be_is_refused(
    client: Any, where: Any, changes: Any, message: str
) -> None:
    answer = client.post("/benches", data={**FORM, **changes})
    assert answer.status_code == 400
    assert message in answer.text
    with open_book(where) as book:
        assert list_benches(book) == ()
        add_setup(book, SETUP)
    if "name" not in changes:
        assert client.post("/bench/edit", params=BENCH, data={**FORM, **changes}).status_code == 400
        assert load(where).setup == SETUP


@pytest.mark.parametrize("name", HOSTILE)
def test_any_name_is_kept_and_shown_as_text(client: Any, where: Any, name: Any) -> None:
    answer = client.post("/benches", data={"name": name, "device": name})
    assert answer.status_code == 200
    assert load(where, name).setup.device == name
    assert "<script>alert" not in answer.text + client.get("/benches").text
    assert client.post("/bench/edit", params={"name": name}, data=FORM).status_code == 200
    assert client.get("/meter", params={"on": f"bench:{name}"}).status_code == 200
    client.post("/bench/remove", params={"name": name}, data={"is_sure": "1"})
    with open_book(where) as book:
        assert find_bench(book, name) is None


def test_a_bench_that_is_not_there(client: Any) -> None:
    for name in ("", "nowhere", "\0", "%", "x" * 5000):
        assert client.get("/bench", params={"name": name}).status_code == 404
        for act in ("edit", "remove", "step", "check"):
            answer = client.post(
                f"/bench/{act}", params={"name": name}, data={**FORM, "is_sure": "1", "step": ""}
            )
            assert answer.status_code == 400, (act, name)
            assert "not in this book" in answer.text
    assert not client.desk.status.number


def test_what_other_wires_void_is_said(client: Any, where: Any, bench: Any) -> None:
    save(where, *(make_result(step) for step in ("electrical-out", "mouth", "seal")))
    form = {"device": "Oak two-way", "mouth_mm": "30"}
    answer = client.post("/bench/edit", params=BENCH, data=form)
    assert "to be done again: The mouth, made flat." in answer.text
    assert [result.step for result in load(where).results] == ["electrical-out", "seal"]
    assert "to be done again" not in client.post("/bench/edit", params=BENCH, data=form).text
    # What is said comes from the steps' own titles, not from the address.
    told = client.get("/bench", params={**BENCH, "voided": "call this number,seal"}).text
    assert "to be done again: The coupler&#39;s seal." in told
    assert "call this number" not in told


def test_a_bench_is_removed_after_a_tick_only(client: Any, where: Any, bench: Any) -> None:
    assert client.post("/bench/remove", params=BENCH).status_code in {400, 415}
    assert client.post("/bench/remove", params=BENCH, data={"is_sure": ""}).status_code == 400
    assert load(where)
    assert client.post("/bench/remove", params=BENCH, data={"is_sure": "1"}).status_code == 200
    assert "No bench yet" in client.get("/benches").text


# What is shown.


def test_standing_steps_and_trend_are_shown(client: Any, where: Any, bench: Any) -> None:
    """Loop is absolute by its two steps; what expired or is a stand-in says so."""
    save(
        where,
        make_result("electrical-out", 1.5, uncertainty_db=0.15),
        make_result("electrical-out", 1.7, done_utc="2020-01-01T00:00:00+00:00"),
        make_result("electrical-in", 2.9, uncertainty_db=0.2),
        make_result("mouth", 1.1, unit="Pa", done_utc="2020-01-01T00:00:00+00:00", valid_days=90.0),
        make_result(
            "microphone",
            7.0,
            unit="Pa",
            is_fallback=True,
            method="beside a meter",
            problems=(Problem(kind="unsteady", message="the tone wanders", effect="repeat"),),
        ),
    )
    page = client.get("/bench", params=BENCH).text
    # 0.15 and 0.2 dB in quadrature, by hand.
    assert "✓ dB V/V</span>, ±0.25 dB" in page
    # The newest by its date counts, in whichever order they were kept.
    assert "1.700 V per unit" not in page
    day = say_own_time("2020-01-01T00:00:00+00:00")
    for words in ("1.500 V per unit", day, "-0.200 V", "does not count",
                  "a stand-in: beside a meter", "the tone wanders", "never done"):  # fmt: skip
        assert words in page
    listed = client.get("/benches").text
    assert "<td>loop</td>" in listed
    assert "expired" in listed
    assert "never checked" in listed


def test_a_check_is_shown_with_what_to_look_at(client: Any, where: Any, bench: Any) -> None:
    item = CheckItem(quantity="hum", value=-60.0, stored=-90.0, limit=6.0, unit="dBFS",
                     verdict="moved", message="look for a ground loop")  # fmt: skip
    fine = dataclasses.replace(item, quantity="noise", value=None, verdict="pass", message="")
    with open_book(where) as book:
        save_check(book, BenchCheck(bench="attic", time_utc="2026-03-02T09:00:00+00:00",
                                    items=(fine,)))  # fmt: skip
        save_check(book, BenchCheck(bench="attic", time_utc=get_now_utc(), items=(item, fine)))
    page = client.get("/bench", params=BENCH).text
    for words in ("Not passed,", "✗ moved", "look for a ground loop", "-60.00 dBFS",
                  f"{say_own_time('2026-03-02T09:00:00+00:00')}: passed"):  # fmt: skip
        assert words in page
    assert "not passed" in client.get("/benches").text


# Calibration and daily check, with the sound left out.


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


class Card:
    """A sound card that only counts what it plays, or fails."""

    def __init__(self) -> None:
        self.played, self.fault = [], None

    def play(self, step: Any, frequency_hz: Any = 1000.0) -> Any:
        self.played.append((step, frequency_hz))
        if self.fault is not None:
            raise self.fault
        return "recording"


@pytest.fixture
def card(monkeypatch: pytest.MonkeyPatch) -> Any:
    card = Card()

    def play(
        sitting: Any,
        step: Any,
        *,
        frequency_hz: Any = 1000.0,
        length_s: Any = 5.0,
        is_stand_in: Any = False,
    ) -> Any:
        return card.play("stand-in" if is_stand_in else step, frequency_hz)

    monkeypatch.setattr(Sitting, "play", play)
    monkeypatch.setattr("voicecheck.web.calibrating.check_present", lambda *_: None)
    return card


@pytest.fixture
def person(client: Any, bench: Any, card: Any) -> Any:
    return Person(client)


def test_the_line_drive_goes_by_two_readings(
    person: Any, client: Any, where: Any, card: Any
) -> None:
    """A reading that is none is asked for again without playing; 12 dB below full scale."""
    person.start(step="electrical-out")
    prompt = person.await_prompt()
    assert prompt.caution == get_guide("electrical-out").caution
    setup = BenchSetup(name="attic", device="Oak two-way")
    assert prompt.steps == tuple(list_actions(get_guide("electrical-out"), setup))
    assert "600 ohm" in prompt.steps[1]
    assert "line drive o---" in prompt.picture
    person.answer()
    assert "at 400 Hz" in person.await_prompt().fields[0].label
    for nonsense, why in (("volts", "need a number"), ("", "got nothing"), ("-3", "0.0001 to 100"),
                          ("nan", "need a number"), ("9" * 500, "need a number")):  # fmt: skip
        person.answer(meter_v=nonsense)
        assert why in person.await_prompt().wrong
    assert "need a number" in client.get("/desk").text
    person.answer(choice="again")
    assert person.await_prompt().wrong == ""
    person.answer(meter_v="0,30195")
    assert "at 1000 Hz" in person.await_prompt().fields[0].label
    person.answer(meter_v="0.30195")
    status = person.end()
    assert status.line == "Done; kept: electrical-out"
    assert any("1.700 V per unit" in note for note in status.notes)
    assert [hz for _, hz in card.played] == [400.0, 400.0, 1000.0]
    (result,) = load(where).results
    assert result.value == pytest.approx(0.30195 * 2**0.5 * 10 ** (12 / 20), rel=1e-4)


def test_a_step_of_four_takes_asks_for_each(
    person: Any, where: Any, card: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its sizes are fields of their takes; one that cannot be is asked for again, none is lost."""
    got: list[Any] = []

    def finish(sitting: Any, step: Any, *, takes: Any, typed: Any) -> Any:
        got.append((takes, typed))
        return make_result(step, method="by reciprocity", budget_db={"volume": 0.25})

    monkeypatch.setattr(Sitting, "play_pair", lambda _, step: card.play(step))
    monkeypatch.setattr(Sitting, "finish", finish)
    person.start(step="reciprocity")
    prompt = person.await_prompt()
    assert prompt.title.endswith("take 1 of 4")
    assert "never hold one to an ear" in prompt.caution
    assert [field.name for field in prompt.fields] == [
        "small_cm3", "volume_error_cm3", "bore_mm", "pressure_hpa",
    ]  # fmt: skip
    assert [field.is_required for field in prompt.fields] == [True, True, False, False]
    assert "block" in prompt.drawing
    sizes = {"small_cm3": "8,1", "volume_error_cm3": "0.2", "bore_mm": "", "pressure_hpa": "1000"}
    person.answer(**sizes | {"small_cm3": "8100"})
    assert "Volume of the small block: need 1 to 100 cm3" in person.await_prompt().wrong
    person.answer(**sizes)
    assert person.await_prompt().title.endswith("take 2 of 4")
    person.answer(resistor_ohm="100", receiver_ohm="")
    assert person.await_prompt().fields[0].name == "large_cm3"
    person.answer(large_cm3="20")
    person.await_prompt()
    person.answer()
    status = person.end()
    assert status.line == "Done; kept: reciprocity"
    assert "made of volume 0.25 dB" in status.notes
    typed = {
        "small_cm3": 8.1, "volume_error_cm3": 0.2, "pressure_hpa": 1000.0, "resistor_ohm": 100.0,
        "large_cm3": 20.0,
    }  # fmt: skip
    assert got == [(["recording"] * 4, typed)]


def test_what_was_done_is_kept_when_it_is_stopped(person: Any, client: Any, where: Any) -> None:
    """All open steps, the second put off, stopped at the third."""
    person.start(step="", temperature_c="21")
    assert person.await_prompt().title.startswith("Step 1 of 9")
    person.answer()
    for _ in range(2):
        person.await_prompt()
        person.answer(meter_v="0.3")
    assert person.await_prompt().title.startswith("Step 2 of 9")
    person.answer(choice="later")
    assert person.await_prompt().title.startswith("Step 3 of 9")
    client.post("/desk/stop", data={"stop": "1"})
    assert person.end().line == "Stopped; kept: electrical-out"
    (result,) = load(where).results
    assert result.temperature_c == 21.0
    person.start(step="")
    assert person.await_prompt().title == f"Step 1 of 8: {get_guide('electrical-in').title}"
    client.post("/desk/stop", data={"stop": "1"})
    person.end()


def test_a_fault_is_told_where_the_step_is_asked_for_again(
    person: Any, where: Any, card: Any
) -> None:
    """A busy device, then a step that needs another: one line each, nothing is lost."""
    card.fault = BenchError("Oak is busy (sweep of job 3); wait until it is done")
    person.start(step="loop-back")
    person.await_prompt()
    person.answer()
    assert "Oak is busy" in person.await_prompt().wrong
    person.answer(choice="later")
    assert person.end().line == "Done; kept: nothing"
    person.start(step="electrical-out")
    person.await_prompt()
    person.answer()
    # The first one is that of the reading, which goes as the tone fails.
    while not (prompt := person.await_prompt()).wrong:
        pass
    assert prompt.choices == {"later": "Another day"}
    person.answer(choice="later")
    person.end()
    assert load(where).results == ()


def test_the_microphone_takes_a_level_or_a_stand_in(
    person: Any, where: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    finished = []

    def finish(
        sitting: Any, step: Any, recording: Any, *, values: Any = (), is_stand_in: Any = False
    ) -> Any:
        finished.append(("stand-in" if is_stand_in else step, recording, values))
        return make_result(step, is_fallback=is_stand_in, method="beside a meter")

    monkeypatch.setattr(Sitting, "finish", finish)
    person.start(step="microphone")
    assert person.await_prompt().fields[0].default == "94"
    person.answer(calibrator_dbspl="x")
    assert "need a number" in person.await_prompt().wrong
    person.answer(calibrator_dbspl="114")
    person.end()
    person.start(step="microphone")
    person.await_prompt()
    person.answer(choice="stand-in")
    person.await_prompt()
    person.answer(sound_meter_dbspl="87.5")
    assert any("every report says so" in note for note in person.end().notes)
    assert finished == [("microphone", "recording", (114.0,)), ("stand-in", "recording", (87.5,))]


def test_the_daily_check_goes_on_where_it_was_left(
    person: Any, client: Any, where: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each step is kept by itself; what was put off is said not to be done."""

    def finish(sitting: Any, step: Any, recording: Any, **_: Any) -> Any:
        result = make_result(step)
        sitting.fresh = (*sitting.fresh, result)
        sitting._keep_result(result)
        return result

    monkeypatch.setattr(Sitting, "finish", finish)
    save(where, make_result("reference-transmit", 1.0))
    person.start("check")
    assert person.await_prompt().title.startswith("Step 1 of 4")
    person.answer()
    person.await_prompt()
    client.post("/desk/stop", data={"stop": "1"})
    assert person.end().line.startswith("Stopped; kept: loop-back.")
    assert load(where).checks == ()
    person.start("check")
    assert person.await_prompt().title.startswith("Step 1 of 3: Reference handset, talking")
    person.answer()
    for _ in range(2):
        person.await_prompt()
        person.answer(choice="later")
    assert person.end().line.startswith("Nothing moved; not done: ")
    (outcome,) = load(where).checks
    verdicts = {item.quantity: item.verdict for item in outcome.items}
    assert verdicts["reference-transmit"] == "pass"
    assert verdicts["seal"] == "not done"
    assert "Passed, " in client.get("/bench", params=BENCH).text


def test_a_check_of_which_nothing_was_done_is_none(person: Any, where: Any) -> None:
    person.start("check")
    for _ in range(4):
        person.await_prompt()
        person.answer(choice="later")
    assert person.end().line == "Nothing was checked"
    assert load(where).checks == ()


@pytest.fixture
def made_up(monkeypatch: pytest.MonkeyPatch) -> Any:
    """A step by its two places: what is told about it, and its function."""
    guide = msgspec.convert(
        {
            "name": "short",
            "title": "What a short gives",
            "path": "loop",
            "sound": "tones",
            "tones_hz": [400, 630],
            "reading": {"name": "short_ohm", "label": "The meter reads", "unit": "ohm",
                        "low": 0.1, "high": 9},
            "needs": [],
            "valid_days": 1,
            "target_error_db": 0.1,
            "caution": "Nothing but the bridge is on the wires.",
            "do": ["Bridge the line drive.", "Read the meter."],
            "picture": "pad",
            "voided_by": ["notes"],
            "ears": ["coil"],
            "daily": 5,
            "provenance": "PROP",
        },
        Guide,
    )  # fmt: skip

    def work_out(take: Any) -> Any:
        return make_result(take.guide.name, sum(take.values), unit="ohm")

    monkeypatch.setitem(load_guides(), guide.name, guide)
    monkeypatch.setitem(WORK, guide.name, work_out)
    return guide


def test_a_made_up_step_is_told_done_kept_shown_and_voided(
    made_up: Any, client: Any, where: Any, card: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A step is its entry and its function; page, commands, check and wires ask them."""
    setup = BenchSetup(name="attic", device="Oak two-way", ear="coil")
    with open_book(where) as book:
        add_setup(book, setup)
        add_setup(book, BenchSetup(name="shed", device="Oak two-way"))
    assert made_up.title in client.get("/bench", params=BENCH).text
    assert made_up.title not in client.get("/bench", params={"name": "shed"}).text
    person = Person(client)
    person.start(step="short")
    prompt = person.await_prompt()
    assert (prompt.caution, "[ pad ]" in prompt.picture) == (made_up.caution, True)
    person.answer()
    for hz, ohm in ((400, "2"), (630, "3")):
        assert f"at {hz} Hz" in person.await_prompt().fields[0].label
        person.answer(short_ohm="10")
        assert "need 0.1 to 9 ohm, got 10" in person.await_prompt().wrong
        person.answer(short_ohm=ohm)
    assert any("5.000 ohm" in note for note in person.end().notes)
    assert "5.000 ohm" in client.get("/bench", params=BENCH).text
    # The same from the command line, where the option for the reading is not there to be given.
    monkeypatch.setenv("VOICECHECK_BOOK", str(where))
    with pytest.raises(InputError, match="short: add --short-ohm"):
        make_app()(
            ["bench", "calibrate", "attic", "--step", "short", "--yes"], standalone_mode=False
        )
    with open_book(where) as book:
        assert open_sitting(book, "attic", is_check=True).list_open()[-1] is made_up
        assert change_setup(book, dataclasses.replace(setup, notes="moved")) == ("short",)


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"step": "nonsense"}, "need one of"),
        ({"step": "mouth", "temperature_c": "warm"}, "need a number"),
        ({"step": "mouth", "temperature_c": "300"}, "temperature"),
        ({"step": "mouth", "tab": ""}, "no scripts"),
    ],
)
def test_a_step_that_cannot_begin_is_refused(
    client: Any, bench: Any, fields: Any, message: str
) -> None:
    answer = client.post("/bench/step", params=BENCH, data={"tab": TAB, **fields})
    assert answer.status_code == 400
    assert message in answer.text
    assert not client.desk.status.number


def test_nothing_open_is_said(person: Any, where: Any) -> None:
    save(where, *(make_result(step) for step in list_step_names() if step != "seal"))
    save(where, make_result("seal", 0.1))
    person.start(step="")
    assert person.end().line.startswith("Nothing is open")


# With sound.

SHORT = Recipe(n_sweeps=1, sweep_s=2.0, tones_s=0.3, step_s=0.1)
TRUTH = {"line_out_v": 1.7, "line_in_v": 2.9}


@pytest.mark.bench
def test_the_line_is_calibrated_and_checked_by_the_page(
    virtual_bench: Callable[..., VirtualCard], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """
    The card's errors are found within 0.1 dB, the meter read as its sine gives.

    A pad that moves by half a decibel afterwards is what the daily check finds.
    """
    card = virtual_bench(channels=2, scene="loop", noise_dbfs=-95.0, **TRUTH)
    monkeypatch.setattr("voicecheck.workflow.benches.sitting.Recipe", lambda: SHORT)
    volts = str(10 ** (-12 / 20) * TRUTH["line_out_v"] / 2**0.5)
    with open_client(fill_book(tmp_path)) as client:
        client.post("/benches", data={"name": "attic", "device": card.device})
        person = Person(client)
        for step, readings in (("electrical-out", 2), ("electrical-in", 1), ("loop-back", 0)):
            person.start(step=step)
            person.await_prompt()
            person.answer()
            for _ in range(readings):
                person.await_prompt()
                person.answer(meter_v=volts if step == "electrical-out" else "")
            assert person.end().line == f"Done; kept: {step}"
        found = {result.step: result.value for result in load(tmp_path).results}
        for step, truth in (("electrical-out", "line_out_v"), ("electrical-in", "line_in_v")):
            assert abs(20 * math.log10(found[step] / TRUTH[truth])) < 0.1
        assert "✓ dB V/V" in client.get("/bench", params=BENCH).text
        card.change(pad_db=-0.5)
        person.start("check")
        person.await_prompt()
        person.answer()
        for _ in range(3):
            person.await_prompt()
            person.answer(choice="later")
        assert person.end().line.startswith("Moved: loop-back; not done: ")
        assert "look at plugs" in client.get("/bench", params=BENCH).text


@pytest.mark.bench
def test_a_stop_ends_a_tone_at_once_and_frees_the_device(
    virtual_bench: Callable[..., VirtualCard], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Real time and two minutes of tone, of which the end of the work waits for none."""
    play = Sitting.play

    def play_long(sitting: Any, step: Any, **asked: Any) -> Any:
        return play(sitting, step, **{**asked, "length_s": 120.0})

    monkeypatch.setattr(Sitting, "play", play_long)
    card = virtual_bench(channels=2, scene="loop", speed=1)
    with open_client(fill_book(tmp_path)) as client:
        client.post("/benches", data={"name": "attic", "device": card.device})
        person = Person(client)
        person.start(step="electrical-out")
        person.await_prompt()
        person.answer()
        person.await_prompt()
        while not list_busy():
            client.desk.wait(0.01)
        client.post("/desk/stop", data={"stop": "1"})
        assert person.end().line == "Stopped; kept: nothing"
        assert list_busy() == ()


@pytest.mark.page
def test_a_reading_being_typed_outlives_the_news_of_others(where: Any, locks: Path) -> None:
    """
    The panel is made anew when a device elsewhere gets busy; the field and the cursor stay.

    So they do when the bench changes in the book.
    """
    with open_book(where) as book:
        add_setup(book, BenchSetup(name="attic", device="Oak two-way"))
    with serve_book(where) as served, open_browser() as browser:
        page = browser.new_page()
        told = watch_console(page)
        page.goto(served.address)
        page.goto(f"{served.base}/bench?name=attic")
        page.locator("[name=step]").select_option("microphone")
        # The prompt may be there before the page has changed, and what is typed then goes with it.
        with page.expect_navigation():
            page.get_by_role("button", name="Start", exact=True).click()
        level = page.get_by_label("Level of the calibrator")
        level.fill("11")
        with hold_device("Elm", "an invented sweep"):
            page.get_by_text("an invented sweep").wait_for()
            page.keyboard.type("4")
            assert level.input_value() == "114"
            assert find_barriers(page) == []
        # The page's own sections are fetched anew, the panel with them, and only they are shown.
        with open_book(where) as book:
            change_setup(book, BenchSetup(name="attic", device="Oak two-way", notes="elm"))
        page.locator("#facts", has_text="elm").wait_for()
        page.keyboard.type(".5")
        assert level.input_value() == "114.5"
        page.get_by_role("button", name="Another day").click()
        page.get_by_text("Done; kept: nothing").wait_for()
        assert told == []


def test_drawings_name_the_channels_that_the_pictures_name() -> None:
    """Each picture of a step has a drawing, with the same channels in it."""
    setup = BenchSetup(
        name="attic", device="Oak", mouth_channel=71, line_drive_channel=72, line_tap_channel=73,
        ear_channel=74, feed_ma=40.5, mouth_mm=25.5,
    )  # fmt: skip
    for step in list_step_names():
        drawing = draw_wiring(get_guide(step).picture, name_wires(step, setup), "<wires>")
        picture = draw_wires(step, setup)
        for channel in ("71", "72", "73", "74"):
            words = " ".join(re.findall(r">([^<]+)<", drawing))
            assert (channel in words) == (channel in picture), (step, channel)
        assert 'aria-label="&lt;wires&gt;"' in drawing
    with pytest.raises(InputError, match="there is no drawing"):
        draw_wiring("none", {}, "")
