"""
Every row of the tone tables, made from its own text and told by the program.

Keypad: ITU-T Q.23 (1988) and Q.24 (1988) table A-1 (MEM but where the row says otherwise), AS/CA
S002:2010 5.5.1.9 (PUB). National tones: the lists of ITU-T E.180 and its supplement, each row with
its provenance (PUB-2ND).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

import numpy as np
import pytest
import tone_names

from voicecheck.checkout.tones.measure import measure_tones
from voicecheck.checkout.tones.progress import find_progress_tones
from voicecheck.records import Recording, ToneCheck
from voicecheck.weighting import load_table

RATE_HZ = 8000
KEYPAD = load_table("itu_t_q23_q24_dtmf")
SENT = "159D"
KEYS_OF = {"row 697": 0, "row 770": 1, "row 852": 2, "row 941": 3}
NOT_SEEN = {
    "level of each tone at terminals (line 0 to 4.2 km of 0.40 mm)": "needs volts of a line",
    "must accept level per tone": "needs volts of a line",
    "must reject level per tone below": "needs volts of a line",
    "rise and fall time 10-90 %": "not measured",
    "total distortion products below weaker tone": "not measured",
    "total distortion products below fundamentals": "not measured",
    "pause between digits (automatic dialling)": "not judged",
}
"""Rows that no recording of a keypad is held against, and why."""


def group_hz(name: str) -> list[float]:
    """The four frequencies of a group, from the table's text."""
    row = next(row for row in KEYPAD if row["quantity"] == name)
    return [float(text) for text in row["value_or_min"].split("/")]


def send(
    keys: str,
    *,
    low_percent: float = 0.0,
    high_percent: float = 0.0,
    low_shift_hz: float = 0.0,
    high_shift_hz: float = 0.0,
    twist_db: float = 2.0,
    tone_s: float = 0.1,
    pause_s: float = 0.1,
    gap_s: float = 0.0,
    snr_db: float = 40.0,
) -> ToneCheck:
    """Keys as a sender would send them, twenty decibels under full scale, and what was heard."""
    rows = [row["value_or_min"].split() for row in KEYPAD if row["item"] == "keypad"]
    sound = [np.zeros(RATE_HZ // 2)]
    for key in keys:
        (place,) = [(r, c) for r, row in enumerate(rows) for c, one in enumerate(row) if one == key]
        low_hz = group_hz("low group")[place[0]] * (1.0 + low_percent / 100.0) + low_shift_hz
        high_hz = group_hz("high group")[place[1]] * (1.0 + high_percent / 100.0) + high_shift_hz
        time_s = np.arange(round(tone_s * RATE_HZ)) / RATE_HZ
        tone = np.sin(2 * np.pi * low_hz * time_s)
        tone += 10.0 ** (twist_db / 20.0) * np.sin(2 * np.pi * high_hz * time_s)
        middle = round((0.5 * tone_s - 0.5 * gap_s) * RATE_HZ)
        tone[middle : middle + round(gap_s * RATE_HZ)] = 0.0
        sound += [0.1 * tone, np.zeros(round(pause_s * RATE_HZ))]
    samples = np.concatenate([*sound, np.zeros(RATE_HZ // 2)])
    rms = 0.1 * np.sqrt(0.5 * (1.0 + 10.0 ** (twist_db / 10.0)))
    noise = np.random.default_rng(23).standard_normal(len(samples))
    samples += rms * 10.0 ** (-snr_db / 20.0) * noise
    return measure_tones(Recording(samples=samples, rate_hz=RATE_HZ))


def worst(check: ToneCheck) -> set[str]:
    """What is outside its limits."""
    return {finding.quantity for finding in check.findings if finding.verdict == "outside"}


def expect_taken(**sent: float) -> None:
    assert send(SENT, **sent).number == SENT


def expect_refused(**sent: float) -> None:
    """No digit, or a digit that is told to be outside its limits."""
    check = send(SENT, **sent)
    assert check.number == "" or worst(check)


def each_way(expect: Callable[..., None], name: str, ends: list[float]) -> None:
    for value in ends:
        for group in ("low", "high"):
            expect(**{f"{group}_{name}": value})


def check_accept_frequency(row: Mapping[str, str]) -> None:
    if "Hz" in row["max"]:
        percent, shift_hz = (float(text) for text in re.findall(r"[0-9.]+", row["max"]))
        for sign in (-1.0, 1.0):
            for group in ("low", "high"):
                expect_taken(
                    **{f"{group}_percent": sign * percent, f"{group}_shift_hz": sign * shift_hz}
                )
        return
    each_way(expect_taken, "percent", [float(row["value_or_min"]), float(row["max"])])


def check_sender_frequency(row: Mapping[str, str]) -> None:
    """
    Nothing outside at 0.1 % less than the limit of 1.5 %, and something at 0.5 % beyond the row's.

    Anywhere a keypad is held against what receivers must take, 1.5 %, not against Q.23's 1.8 %.
    """
    for sign in (-1.0, 1.0):
        inside = send(SENT, low_percent=sign * 1.4)
        assert (inside.number, worst(inside)) == (SENT, set())
        beyond = send(SENT, low_percent=sign * (float(row["max"]) + 0.5))
        assert worst(beyond) == {"low_error_percent"}


def check_duration(row: Mapping[str, str], expect: Callable[..., None], by: float) -> None:
    expect(tone_s=by * float(row["value_or_min"]) / 1000.0)


def check_pause(row: Mapping[str, str]) -> None:
    pause_s = float(row["value_or_min"]) / 1000.0
    expect_taken(pause_s=pause_s)
    assert send("1155", pause_s=pause_s).number == "1155"


def check_interruption(row: Mapping[str, str]) -> None:
    expect_taken(gap_s=float(row["max"]) / 1000.0)


def check_speed(row: Mapping[str, str]) -> None:
    period_s = float(row["value_or_min"]) / 1000.0
    expect_taken(tone_s=0.5 * period_s, pause_s=0.5 * period_s)


def check_twist(row: Mapping[str, str]) -> None:
    ends = [float(text) for text in (row["value_or_min"], row["max"]) if text]
    for twist_db in ends if len(ends) == 2 else [-ends[0], ends[0]]:
        expect_taken(twist_db=twist_db)


def check_noise(row: Mapping[str, str]) -> None:
    expect_taken(snr_db=float(row["value_or_min"]))


def check_frequencies(row: Mapping[str, str]) -> None:
    """Each tone of the group, as printed, is told to be off by less than 0.02 %."""
    is_low = row["quantity"] == "low group"
    events = send("147*" if is_low else "123A").events
    assert len(events) == 4
    for event in events:
        error = event.low_error_percent if is_low else event.high_error_percent
        assert error == pytest.approx(0.0, abs=0.02)


def check_keys(row: Mapping[str, str]) -> None:
    assert send(row["value_or_min"].replace(" ", "")).number == row["value_or_min"].replace(" ", "")


CHECKS: dict[tuple[str, str], Callable[[Mapping[str, str]], None]] = {
    ("frequencies", "low group"): check_frequencies,
    ("frequencies", "high group"): check_frequencies,
    **{("keypad", name): check_keys for name in KEYS_OF},
    ("sender", "frequency error"): check_sender_frequency,
    ("sender", "twist (high louder) at zero line length"): check_twist,
    ("sender", "tone duration (automatic dialling)"): partial(
        check_duration, expect=expect_taken, by=1.0
    ),
    ("receiver", "must accept frequency error"): check_accept_frequency,
    ("receiver", "must reject frequency error beyond"): lambda row: each_way(
        expect_refused, "percent", [float(row["value_or_min"]), float(row["max"])]
    ),
    ("receiver", "must accept twist"): check_twist,
    ("receiver", "must accept twist magnitude"): check_twist,
    ("receiver", "must accept tone at least this long"): partial(
        check_duration, expect=expect_taken, by=1.0
    ),
    ("receiver", "must reject tone shorter than"): partial(
        check_duration, expect=expect_refused, by=0.99
    ),
    ("receiver", "must accept pause at least this long"): check_pause,
    ("receiver", "must bridge interruption up to"): check_interruption,
    ("receiver", "signalling speed at least one digit per"): check_speed,
    ("receiver", "signal to noise it must work at"): check_noise,
}


def name_row(row: Mapping[str, str]) -> str:
    return f"{row['item']}-{row['quantity']}-{row['who']}"


@pytest.mark.parametrize("row", KEYPAD, ids=name_row)
def test_a_row_of_the_keypad_table(row: Mapping[str, str]) -> None:
    """Q.23 and Q.24: what must be taken is taken, what must not is refused or called outside."""
    check = CHECKS.get((row["item"], row["quantity"]))
    if check is None:
        assert row["quantity"] in NOT_SEEN
        return
    assert row["quantity"] not in NOT_SEEN
    check(row)


def test_every_row_of_the_national_tones_is_told_by_its_name(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """
    Both lists, 243 rows, each made from the table's text as printed.

    A tone that two rows of a region share has several names, of which its own is one.
    """
    for name, value in (("FREQUENCY_PERCENT", 0.0), ("CADENCE_PERCENT", 0.0)):
        monkeypatch.setattr(tone_names, name, value)
    monkeypatch.setattr(tone_names, "SNR_DB", (40.0, 40.0))
    monkeypatch.setattr(tone_names, "LEVEL_DBFS", (-20.0, -20.0))
    rows: list[tuple[str, Any]] = tone_names.list_rows()
    assert len(rows) > 200
    wrong = {}
    for at, (kind, row) in enumerate(rows):
        events = find_progress_tones(tone_names.make_sound(row, at), RATE_HZ, row["region"])
        outcome = tone_names.judge(kind, row, events)
        if outcome not in {"named", "several names"}:
            wrong[row["region"], row["tone"], row["frequency_hz"]] = outcome
    assert wrong == {}
