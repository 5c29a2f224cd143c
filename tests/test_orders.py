# mypy: disable-error-code="arg-type,operator,unused-ignore"
"""An order that does not fit cannot be made; forms, helps and checks take the same bounds."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
from pagetest import fill_book, open_client

from voicecheck.cli import make_app
from voicecheck.errors import InputError
from voicecheck.records import BenchSetup
from voicecheck.records.bounds import Bounds, check_bounds, list_bounds
from voicecheck.records.orders import (
    DeviceSource,
    FileSource,
    SimulatedSource,
    Stated,
    SweepOrder,
)

FILES = FileSource(files=(Path("a.wav"), Path("b.wav")))
CARBON = SimulatedSource(handset="carbon")


def order(**changes: object) -> SweepOrder:
    about = {"job": 1, "stage": "before", "path": "transmit", "source": CARBON, **changes}
    return SweepOrder(**about)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (
            {"path": "trasmit"},
            "need one of transmit, receive, sidetone, loop, both, all, got",
        ),
        ({"stage": " "}, "stage: need before"),
        ({"n_seats": 0}, "seats: need a whole number from 1 to 50, got 0"),
        ({"n_seats": 51}, "seats: need a whole number from 1 to 50, got 51"),
        ({"level_dbm": -20.0}, "level: is for path receive, got path transmit"),
        ({"level_dbm": 3.0, "path": "receive"}, "level: need -60 to 0 dBm, got 3"),
        ({"level_dbm": math.nan, "path": "receive"}, "level: need -60 to 0 dBm, got nan"),
        ({"level_dbm": -20.0, "path": "receive"}, "at nobody's ear it is not played"),
        ({"source": FILES}, "signal: recordings need the programme"),
        ({"source": FILES, "signal": Path("s.wav"), "n_seats": 3}, "2 recordings given for 3"),
    ],
    ids=str,
)
def test_an_order_that_does_not_fit_is_refused(changes: Any, message: str) -> None:
    with pytest.raises(InputError, match=message):
        order(**changes)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Stated(feed_ma=0.04), "need 1 to 200 mA, got 0.04; was it amperes?"),
        (lambda: Stated(ear="nose"), "ear: need one of coupler, coil, got 'nose'"),
        (lambda: Stated(angle_deg=1e9), "angle_deg"),
        (lambda: DeviceSource(name=" "), "name the sound device"),
        (lambda: DeviceSource(name="Oak", channel=0), "channels count from 1"),
        (lambda: SimulatedSource(handset="carbon", seed=-1), "seed: need a whole number"),
        (lambda: FileSource(files=()), "recordings: choose"),
    ],
)
def test_so_is_a_part_of_one(make: Any, message: str) -> None:
    with pytest.raises(InputError) as caught:
        make()
    assert message in str(caught.value)


def test_what_is_left_out_is_the_usual() -> None:
    assert (order().seats, order(n_seats=5).seats) == (3, 5)
    assert order(source=FILES, signal=Path("s.wav")).seats == 2
    assert (order(path="both").first_path, order(path="loop").first_path) == ("transmit", "loop")
    loud = order(path="receive", level_dbm=-20.0, is_on_coupler=True)
    assert loud.level_dbm == -20.0
    assert order(path="receive", level_dbm=-30.0).level_dbm == -30.0
    assert Stated(ear="coil", conditioned=False).list_given() == {
        "ear": "coil", "conditioned": False,
    }  # fmt: skip


@pytest.mark.parametrize("name", ["feed_ma", "load_ohm", "mouth_mm", "angle_deg", "meter_percent"])
def test_a_set_up_may_hold_the_ends_of_a_range_and_nothing_beyond(name: str) -> None:
    bounds = list_bounds(BenchSetup)[name]
    for end, beyond in ((bounds.low, -1e-6), (bounds.high, 1e-6)):
        check_bounds(BenchSetup(name="attic", device="Oak", **{name: end}))
        with pytest.raises(InputError, match=name):
            check_bounds(BenchSetup(name="attic", device="Oak", **{name: end + beyond * abs(end)}))


def test_bounds_of_one_side_and_of_none_are_told() -> None:
    assert Bounds(name="seed", low=0).text == "0 or more"
    assert list_bounds(BenchSetup)["mouth_cap_dbfs"].text == "-0.1 dBFS or less"
    assert "notes" not in list_bounds(BenchSetup)


def test_form_and_help_show_the_ranges_of_the_order(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bounds = list_bounds(SweepOrder)
    with open_client(fill_book(tmp_path)) as client:
        page = client.get("/jobs/1").text
    seats = bounds["n_seats"]
    assert f'name="seats" type="number" min="{seats.low:g}" max="{seats.high:g}"' in page
    for word in bounds["path"].words:
        assert f'<option value="{word}">' in page
    make_app()(["sweep", "--help"], standalone_mode=False)
    told = " ".join(capsys.readouterr().out.split())
    for name in ("path", "n_seats", "level_dbm"):
        assert f"[{bounds[name].text}]" in told
    assert f"[{list_bounds(Stated)['feed_ma'].text}]" in told


def test_all_is_transmit_sidetone_and_receive_and_none_of_recordings() -> None:
    assert order(path="all").first_path == "transmit"
    assert order(path="all", level_dbm=-30.0).level_dbm == -30.0
    with pytest.raises(InputError, match="path all: recordings are of one path"):
        order(path="all", source=FILES, signal=Path("s.wav"))
