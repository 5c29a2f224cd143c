# mypy: disable-error-code="attr-defined,var-annotated"
"""Steps of a calibration and the daily check in the page, with the sound left out."""

import dataclasses
from typing import Any

import benchfixtures
import msgspec
import pytest
from benchpage import BENCH, Person, load, make_result, save
from pagetest import (
    TAB,
)

from voicecheck.bench.calibration.guides import Guide, load_guides
from voicecheck.bench.calibration.stepwork import WORK
from voicecheck.cli import make_app
from voicecheck.errors import BenchError, InputError
from voicecheck.records.benches import BenchSetup
from voicecheck.workflow.benches.sitting import Sitting, get_guide, open_sitting
from voicecheck.workflow.benches.store import (
    add_setup,
    change_setup,
)
from voicecheck.workflow.benches.view import (
    list_actions,
    list_step_names,
)
from voicecheck.workflow.books import open_book

bench, client, where = benchfixtures.bench, benchfixtures.client, benchfixtures.where


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
