"""What is told before a seat is the same wherever it is shown."""

import dataclasses

import pytest

from voicecheck.bench.calibration.guides import load_guides
from voicecheck.errors import InputError
from voicecheck.records.benches import BenchSetup
from voicecheck.workflow.benches.view import list_actions
from voicecheck.workflow.sweeping.seats import (
    get_seat_caution,
    is_fed,
    list_seat_steps,
    needs_conditioning,
)

ONE_BOARD = BenchSetup(
    name="attic",
    device="board",
    rate_hz=48000,
    mouth_channel=1,
    line_drive_channel=1,
    line_tap_channel=1,
    ear_channel=1,
)


@pytest.mark.parametrize(
    ("path", "transmitter", "fed", "conditioned"),
    [
        ("transmit", "carbon", True, True),
        ("sidetone", "carbon", True, True),
        ("both", "carbon", True, True),
        ("transmit", "electret", True, False),
        ("both", "dynamic", False, False),
        ("receive", "carbon", False, False),
        ("loop", "carbon", False, False),
    ],
)
def test_who_is_fed_and_who_is_conditioned(
    path: str, transmitter: str, fed: bool, conditioned: bool
) -> None:
    assert is_fed(path, transmitter) is fed
    assert needs_conditioning(path, transmitter) is conditioned


def test_the_first_seat_tells_the_plugs_and_later_ones_the_feed_off() -> None:
    first = list_seat_steps("both", "carbon", feed_ma=30.5, seat=1, setup=ONE_BOARD)
    assert [step.split()[0] for step in first] == ["Plug", "Plug", "Clamp", "Then"]
    assert first[-1].endswith("30.5 mA.")
    again = list_seat_steps("both", "carbon", feed_ma=30.5, seat=2, setup=ONE_BOARD)
    assert again[0].startswith("Feed off, take the handset out")
    assert list_seat_steps("receive", "carbon", feed_ma=30.5, seat=2)[0].startswith("Take the")


def test_a_loop_needs_no_handset() -> None:
    (step,) = list_seat_steps("loop", "carbon", feed_ma=30, seat=3)
    assert "600 ohm pad" in step


def test_resistor_and_pad_are_those_of_the_bench() -> None:
    setup = dataclasses.replace(ONE_BOARD, load_ohm=900.0)
    assert "900 ohm pad" in list_seat_steps("loop", "carbon", feed_ma=30, seat=3, setup=setup)[-1]
    for step in load_guides().values():
        told = " ".join(list_actions(step, setup))
        assert "600 ohm" not in told
        assert "{" not in told
    assert "900 ohm resistor" in " ".join(list_actions(load_guides()["electrical-out"], setup))


def test_each_path_has_its_caution() -> None:
    assert get_seat_caution("both") == get_seat_caution("transmit")
    assert get_seat_caution("receive") != get_seat_caution("transmit")
    with pytest.raises(InputError, match="path"):
        get_seat_caution("nowhere")
