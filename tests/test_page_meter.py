# mypy: disable-error-code="arg-type,var-annotated"
"""The live meter in the page: what is sent, when it ends, what the browser draws of it."""

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
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

from voicecheck.bench.soundcard import Wiring
from voicecheck.errors import BenchError
from voicecheck.records.benches import BenchSetup, StepResult
from voicecheck.web.meter import NOMINAL_HZ, describe_seen, watch
from voicecheck.workflow.benches.locks import list_busy
from voicecheck.workflow.benches.sitting import get_now_utc
from voicecheck.workflow.benches.store import add_setup, save_result
from voicecheck.workflow.benches.watching import Seen, Watch
from voicecheck.workflow.books import open_book

SEEN = Seen(
    time_s=1.0, peak_db=-20.04, rms_db=-23.06, psophometric_db=-24.0, bands_db=(-30.0,) * 20,
    is_clipped=False, is_talking=False, mains_hz=None, tone="",
)  # fmt: skip
DEVICE = {"on": "device:", "device": "handset", "tab": TAB}
BENCH = {"on": "bench:attic", "end": "line-tap", "tab": TAB}


@pytest.fixture
def where(tmp_path: Path) -> Any:
    """
    A bench whose line tap is calibrated.

    1.0954 V per unit, so that a sine at full scale is 0.7746 V RMS: 0 dBm in 600 ohm.
    """
    with open_book(fill_book(tmp_path)) as book:
        add_setup(book, BenchSetup(name="attic", device="handset", ear_channel=1))
        about = {"bench": "attic", "done_utc": get_now_utc()}
        save_result(book, StepResult(step="electrical-in", value=1.2**0.5, unit="V", **about))
    return tmp_path


@pytest.fixture
def client(where: Any) -> Iterator[Any]:
    with open_client(where) as client:
        yield client


def read_meter(client: Any, since: Any = 0) -> Any:
    """Readings that were sent so far."""
    items, _ = client.desk.journal.read(since)
    return [data for kind, data in items if kind == "meter"]


def await_meter(client: Any, is_wanted: Any = lambda _: True) -> Any:
    """A reading of the kind that is wanted."""
    for _ in range(3000):
        for data in read_meter(client):
            if is_wanted(data):
                return data
        client.desk.wait(0.01)
    raise AssertionError(client.desk.status)


def test_columns_are_named_by_their_nominal_frequencies() -> None:
    """IEC 61260: a nominal midband differs from the exact one by less than two percent."""
    exact_hz = Watch(title="", wiring=Wiring(name="")).band_hz
    named_hz = [
        1000.0 * float(name[:-1]) if name.endswith("k") else float(name) for name in NOMINAL_HZ
    ]
    assert len(named_hz) == len(exact_hz)
    assert named_hz == pytest.approx(exact_hz, rel=0.02)


def test_a_reading_is_sent_in_the_unit_of_the_watch() -> None:
    """-20 dBFS where full scale is +4 dBm; the levels of `Seen` have it already."""
    ready = Watch(title="attic", wiring=Wiring(name=""), unit="dBm", offset_db=4.0, talk_dbfs=-16.5)
    sent = describe_seen(ready, SEEN)
    assert (sent["top"], sent["talk"], sent["unit"]) == (4.0, -12.5, "dBm")
    assert (sent["peak"], sent["rms"], sent["psophometric"]) == (-20.0, -23.1, -24.0)
    assert sent["bands"] == [-30.0] * 20
    assert describe_seen(Watch(title="", wiring=Wiring(name="")), SEEN)["talk"] is None
    assert len(msgspec.json.encode(sent)) < 1000


class Page:
    """What a watch needs of a handle; it stops after so many messages."""

    def __init__(self, most: Any = 10**9) -> None:
        self.sent, self.told, self.most = [], [], most

    def check(self) -> None:
        if len(self.sent) >= self.most:
            raise KeyboardInterrupt

    def tell(self, line: Any) -> None:
        self.told.append(line)

    def send(self, kind: Any, data: Any) -> None:
        assert kind == "meter"
        self.sent.append(data)


def make_read(readings: Any, ended: Any) -> Any:
    def read(watch: Any) -> Iterator[Any]:
        try:
            yield from readings
        finally:
            ended.append(watch.title)

    return read


def test_a_peak_between_two_messages_is_not_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten milliseconds apart, so that one of four is sent, with the highest peak of the four."""
    times_s = (n / 100.0 for n in range(100, 200))
    monkeypatch.setattr("voicecheck.web.meter.time", SimpleNamespace(monotonic=times_s.__next__))
    readings = [replace(SEEN, rms_db=-30.0 - n) for n in range(9)]
    readings[2] = replace(readings[2], peak_db=-1.0, is_clipped=True)
    ended, page = [], Page()
    monkeypatch.setattr(Watch, "read", make_read(readings, ended))
    assert watch(Watch(title="attic", wiring=Wiring(name="")), page) == "Nothing more comes in"
    assert [one["rms"] for one in page.sent] == [-30.0, -34.0, -38.0]
    assert [one["peak"] for one in page.sent] == [-20.0, -1.0, -20.0]
    assert [one["is_clipped"] for one in page.sent] == [False, True, False]
    assert (page.told, ended) == (["Levels in dBFS"], ["attic"])


def test_a_stop_closes_the_device(monkeypatch: pytest.MonkeyPatch) -> None:
    ended, page = [], Page(most=1)
    monkeypatch.setattr(Watch, "read", make_read([SEEN] * 9, ended))
    assert watch(Watch(title="attic", wiring=Wiring(name="")), page) == "The meter was stopped"
    assert ended == ["attic"]


def test_a_device_that_goes_away_is_told(client: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def read(_: Any) -> Iterator[Any]:
        yield SEEN
        raise BenchError("handset: stopped at 1.0 s; plug it in again")

    monkeypatch.setattr(Watch, "read", read)
    assert client.post("/meter", data=DEVICE).status_code == 200
    client.desk.wait(10.0)
    assert client.desk.status.is_failed
    assert "plug it in again" in client.get("/desk").text


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"on": ""}, "choose a bench or a sound device"),
        ({"on": "bench:"}, "choose a bench or a sound device"),
        ({"on": "bench:cellar", "end": "ear"}, "not in this book"),
        ({"on": "bench:attic", "end": "mouth"}, "line-tap, ear"),
        ({"device": " "}, "name the sound device"),
        ({"channel": "0"}, "whole number"),
        ({"channel": "1.5"}, "whole number"),
        ({"rate_hz": "8000"}, "rate_hz"),
        ({"rate_hz": "nan"}, "need a number"),
        ({"talk_dbfs": "loud"}, "need a number"),
        ({"talk_dbfs": "12"}, "talk_dbfs"),
        ({"tab": ""}, "no scripts"),
    ],
)
def test_what_cannot_be_watched_is_refused(client: Any, changes: Any, message: str) -> None:
    answer = client.post("/meter", data={**DEVICE, **changes})
    assert answer.status_code == 400
    assert message in answer.text
    assert not client.desk.status.number


@pytest.mark.parametrize("text", HOSTILE)
def test_any_choice_in_the_address_is_harmless(client: Any, text: Any) -> None:
    page = client.get("/meter", params={"on": text})
    assert page.status_code == 200
    assert text not in page.text


def test_the_form_offers_the_bench_that_was_asked_for(client: Any) -> None:
    page = client.get("/meter", params={"on": "bench:attic"}).text
    assert '<option value="bench:attic" selected>' in page
    assert '<option value="ear">ear</option>' in page


@pytest.mark.bench
def test_the_meter_is_watched_and_stopped_by_the_page(
    client: Any, shared_card: VirtualCard
) -> None:
    """
    A 60 Hz hum of -20 dBFS is -20 dBm here, and the weighting takes it away.

    From the weights of ITU-T O.41 at 60 Hz, more than 50 dB.
    """
    shared_card.change(hum_dbfs=-20.0, hum_hz=60.0)
    client.post("/meter", data=BENCH)
    seen = await_meter(client, lambda data: data["time_s"] > 1.0)
    assert (seen["title"], seen["unit"]) == ("attic, line tap, input 1", "dBm")
    assert seen["rms"] == pytest.approx(-20.0, abs=0.1)
    assert seen["psophometric"] < -60.0
    (busy,) = list_busy()
    assert busy.what == "meter, attic, line tap, input 1"
    assert client.post("/meter", data=BENCH).status_code == 200
    assert client.desk.status.number == 2, "a meter makes way for another"
    client.post("/desk/stop", data={"stop": "1"})
    client.desk.wait(10.0)
    assert client.desk.status.line == "The meter was stopped"
    assert list_busy() == ()


@pytest.mark.bench
@pytest.mark.page
def test_the_browser_draws_what_comes_in(where: Any, shared_card: VirtualCard) -> None:
    """Numbers, marks in words and columns; greyed when it has ended, and said on demand."""
    shared_card.change(speed=1, hum_dbfs=-20.0, hum_hz=60.0)
    with serve_book(where) as served, open_browser() as browser:
        page = browser.new_page()
        told = watch_console(page)
        page.goto(served.address)
        page.goto(f"{served.base}/meter")
        page.get_by_role("button", name="Start the meter").click()
        page.get_by_role("heading", name="attic, line tap, input 1").wait_for()
        live = page.locator("[data-live]")
        live.locator("[data-value=rms]", has_text=re.compile(r"^-(19\.9|20\.[01]) dBm$")).wait_for()
        # A single line is no mains: that has harmonics.
        live.locator("[data-mark=mains]", has_text=re.compile("^none$")).wait_for()
        # -20 dB of 80 below full scale fills three quarters; a bar moves to its place.
        page.wait_for_function(
            """() => {
                const share = (name) =>
                    document.querySelector(`[data-live] [data-fill=${name}]`).clientWidth
                    / document.querySelector("[data-live] .bar").clientWidth;
                return Math.abs(share("rms") - 0.75) < 0.02 && share("psophometric") < 0.25;
            }"""
        )
        page.get_by_role("button", name="Say the level now").click()
        assert page.locator("[data-said]").inner_text().startswith("RMS -20.")
        assert find_barriers(page) == []
        page.get_by_role("button", name="Stop").click()
        page.get_by_text("The meter was stopped").wait_for()
        page.get_by_role("heading", name="Nothing comes in now").wait_for()
        page.get_by_role("button", name="Say the level now").click()
        assert page.locator("[data-said]").inner_text() == "The meter is not running."
        assert told == []
