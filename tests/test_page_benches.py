# mypy: disable-error-code="attr-defined,var-annotated"
"""Benches in the page: set-up, what is shown of them, calibration through a sound card."""

import dataclasses
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import benchfixtures
import pytest
from benchpage import BENCH, Person, load, make_result, save
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

from voicecheck.errors import BenchError, InputError
from voicecheck.records import BenchCheck, CheckItem, Problem, Recipe
from voicecheck.records.benches import BenchSetup, MicrophoneCurve
from voicecheck.records.times import say_own_time
from voicecheck.web.wiring import draw_wiring
from voicecheck.workflow.benches.locks import hold_device, list_busy
from voicecheck.workflow.benches.sitting import Sitting, get_guide, get_now_utc
from voicecheck.workflow.benches.store import (
    add_setup,
    change_setup,
    find_bench,
    list_benches,
    save_check,
)
from voicecheck.workflow.benches.view import (
    draw_wires,
    list_step_names,
    name_wires,
)
from voicecheck.workflow.books import open_book

bench, client, where = benchfixtures.bench, benchfixtures.client, benchfixtures.where
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
