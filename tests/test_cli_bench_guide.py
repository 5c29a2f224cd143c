# mypy: disable-error-code="arg-type,attr-defined"
"""What somebody at the bench is told: seats, wires, levels, advice."""

from __future__ import annotations

import dataclasses
import os
import time
from pathlib import Path
from typing import Any

import pytest
from factories import make_run

from voicecheck.bench.calibration.guides import draw_wires, load_guides
from voicecheck.cli.guidance import TerminalAttendant
from voicecheck.cli.takeview import TakeView, draw_level, rate_level
from voicecheck.records.benches import BenchSetup
from voicecheck.records.orders import DeviceSource, SweepOrder
from voicecheck.workflow.benches.sitting import get_guide
from voicecheck.workflow.benches.view import list_actions
from voicecheck.workflow.sweeping.advice import advise, find_spread_db
from voicecheck.workflow.sweeping.seats import SeatGuide


def guide_seats(
    path: str, transmitter: str, capsys: pytest.CaptureFixture[str], **setup: object
) -> tuple[str, list[object]]:
    """Text of the first seat, and the order of keys and pauses."""
    done: list[object] = []
    attendant = TerminalAttendant(
        TakeView(quiet=True), is_asked=True, wait=lambda _: done.append("key"), pause=done.append
    )
    guide = SeatGuide(
        SweepOrder(job=1, stage="before", path=path, source=DeviceSource(name="Oak")),
        transmitter,
        feed_ma=40.0,
        attendant=attendant,
        setup=BenchSetup(name="attic", device="Oak", **setup) if setup else None,
    )
    guide.before_seat(1, 3)
    return capsys.readouterr().err, done


def test_a_carbon_transmitter_is_conditioned_before_its_take(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Clamp, feed on, five seconds, turned over, repeated twice (ITU-T P.75): in that order."""
    text, done = guide_seats("transmit", "carbon", capsys)
    assert "repeat that twice: three turns in all" in " ".join(text.split())
    assert done == ["key", 1.0, 1.0, 1.0, 1.0, 1.0, "key"]
    places = [text.index(word) for word in ("Clamp", "feed on, 40 mA", "settling: 5 s", "P.75")]
    assert places == sorted(places)


def test_a_receiver_is_cautioned_and_not_turned_over(capsys: pytest.CaptureFixture[str]) -> None:
    text, done = guide_seats("receive", "carbon", capsys)
    assert done == ["key"]
    assert "never to an ear" in text
    assert "P.75" not in text


def test_a_small_board_is_replugged(capsys: pytest.CaptureFixture[str]) -> None:
    text, _ = guide_seats("transmit", "electret", capsys, line_drive_channel=1, ear_channel=1)
    assert "Plug output 1 into the mouth's amplifier." in text
    assert "Plug the line tap into input 1." in text
    text, _ = guide_seats("transmit", "electret", capsys, line_drive_channel=2)
    assert "Plug" not in text
    small = BenchSetup(name="shed", device="Oak", line_drive_channel=1, ear_channel=1)
    first, second, *rest = list_actions(get_guide("mouth"), small)
    assert first == "Plug output 1 into the mouth's amplifier."
    assert second == "Plug the ear (coupler) into input 1."
    assert rest == list_actions(get_guide("mouth"), BenchSetup(name="attic", device="Oak"))


@pytest.mark.parametrize("step", load_guides())
def test_pictures_fit_the_screen_and_name_the_channels(step: str) -> None:
    setup = BenchSetup(
        name="attic", device="Oak", mouth_channel=71, line_drive_channel=72, line_tap_channel=73,
        ear_channel=74, feed_ma=40.5, mouth_mm=25.5,
    )  # fmt: skip
    picture = draw_wires(step, setup)
    assert max(map(len, picture.splitlines())) <= 79
    mouth, line_drive, line_tap, ear = 71, 72, 73, 74
    wired = {
        "electrical-out": {line_drive, line_tap},
        "electrical-in": {line_drive, line_tap},
        "loop-back": {line_drive, line_tap},
        "microphone": {ear},
        "mouth": {mouth, ear},
        "mouth-flat": {mouth, ear},
        "seal": {line_drive, ear},
        "reciprocity": {line_drive, line_tap, ear},
        "reciprocity-swapped": {line_drive, line_tap, ear},
        "parts-ends": {line_drive, line_tap, ear},
    }
    shown = {number for number in (mouth, line_drive, line_tap, ear) if str(number) in picture}
    assert shown == wired.get(step, {mouth, line_drive, line_tap, ear})


def test_the_level_has_its_marks() -> None:
    assert [rate_level(level) for level in (-50.0, -20.0, -1.0)] == [
        "too quiet", "good", "too loud",
    ]  # fmt: skip
    assert draw_level(0.0, 20) == "#####|#############|"
    assert draw_level(-90.0, 20) == ".....|.............|"


def test_a_take_is_seen_on_eighty_columns() -> None:
    """Two lines, no longer than the screen at any level and however long it takes."""
    from rich.console import Console

    with Path(os.devnull).open("w", encoding="utf-8") as nowhere:
        view = TakeView(console=Console(file=nowhere, width=80, force_terminal=True))
        with view:
            for fraction, level in ((0.1, -100.0), (0.5, -20.0), (1.0, 0.0)):
                view.update(fraction, level)
                lines = view.render(time.monotonic() + 9999.0).splitlines()
                assert len(lines) == 2
                assert max(map(len, lines)) <= 80


def shift_bands(run: Any, *, low_db: float, mid_db: float) -> Any:
    one = run.recordings[0]
    bands = dataclasses.replace(
        one.bands, low_db=one.bands.low_db + low_db, mid_db=one.bands.mid_db + mid_db
    )
    return dataclasses.replace(one, bands=bands)


def test_advice_suspects_the_jig_first() -> None:
    """A low end that went, a level that moved, and nothing where nothing did."""
    run = make_run("receive")
    first = run.recordings[0]
    assert advise([first, first], "receive") == ()
    (seal,) = advise([first, shift_bands(run, low_db=-4.0, mid_db=0.0)], "receive")
    assert "low end differs by -4.0 dB from the last seat, check the seal" in seal
    moved = [first, shift_bands(run, low_db=5.0, mid_db=5.0)]
    (plugs,) = advise(moved, "receive", "carbon")
    assert "+5.0 dB" in plugs
    assert "check plugs" in plugs
    (carbon,) = advise(moved, "transmit", "carbon")
    assert "turn it over again, three turns" in carbon


def test_the_spread_so_far_is_that_of_the_levels() -> None:
    """Standard deviation of -6, -7 and -9 dB: variance 7/3 (by hand)."""
    one = make_run().recordings[0]
    seats = [
        dataclasses.replace(one, bands=dataclasses.replace(one.bands, at_1khz_db=level))
        for level in (-6.0, -7.0, -9.0)
    ]
    assert find_spread_db(seats[:1]) is None
    assert find_spread_db(seats) == pytest.approx((7.0 / 3.0) ** 0.5)
