# mypy: disable-error-code="no-untyped-call"
"""
Sealed recordings of `tests/blind`: that their truth is true, and that the program meets it.

Sources: closed forms of `blind/truth.py` (powers of a sine, sections on the unit circle), held here
against tones that are played; chance of as many misses: binomial law.
"""

import ast
import json
import math
import random
import subprocess
import sys
import wave
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from blind import making, slow
from blind.__main__ import main as blind_main
from blind.judging import BrokenSealError, judge
from blind.plan import Block, Fault, Plan, draw_plan, strength
from blind.truth import noise_power, output_lines
from blind_rates import count_first, fewest_rare, list_misses, make_and_judge
from services import need

FOLDER = Path(__file__).parent / "blind"
DATE_FILE = FOLDER / "date.txt"
"""Seconds since 1970, for a tree without its history."""
N_SEALED = 20
BLOCKS = [Block("sweep", 0.2, 0.8, 0.25, 100.0, 8000.0)]
NO_COMPILER = "this machine has no compiler of C"


def draw_any(seed: int, rate_hz: int = 48000) -> Plan:
    plan = draw_plan(seed, rate_hz, BLOCKS)
    return replace(plan, latency_s=0.01, tail_s=0.1, fault=Fault())


def write_tone(path: Path, frequency_hz: float, amplitude: float, n: int, rate_hz: int) -> None:
    turn = 2 * math.pi * frequency_hz / rate_hz
    whole = [round(amplitude * math.sin(turn * k) * 2**23) for k in range(n)]
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(3)
        file.setframerate(rate_hz)
        file.writeframes(b"".join(one.to_bytes(3, "little", signed=True) for one in whole))


def test_nothing_is_shared_with_the_program() -> None:
    """What makes and judges imports Python's own library alone, and C its own."""
    imported = set()
    for path in FOLDER.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                imported |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                imported.add(str(node.module).split(".")[0])
            elif isinstance(node, ast.Name):
                assert node.id not in {"__import__", "exec", "eval"}
    assert imported - {"blind"} <= set(sys.stdlib_module_names) - {"importlib"}
    included = [
        line for line in (FOLDER / "plant.c").read_text().splitlines() if "#include" in line
    ]
    headers = ("math", "stdint", "stdio", "stdlib", "string")
    assert included == [f"#include <{name}.h>" for name in headers]


@pytest.mark.parametrize("fault", ["none", "dropout", "burst", "lost-samples", "clipping"])
def test_both_writings_of_the_plant_sound_alike(fault: str, tmp_path: Path) -> None:
    """Sample by sample, but for a last place that the two libraries of functions round apart."""
    program = making.compile_plant(tmp_path)
    need("COMPILER", None if program else NO_COMPILER)
    plan = replace(draw_plan(7, 48000, BLOCKS), latency_s=0.0123, drift_ppm=87.0, bits=24)
    plan = replace(plan, fault=Fault(fault, 0.03, 0.01, 0.02))
    write_tone(tmp_path / "in.wav", 1234.5, 0.3, 4000, 48000)
    making.play(plan, tmp_path / "in.wav", tmp_path / "c.wav", program)
    making.play(plan, tmp_path / "in.wav", tmp_path / "python.wav", None)
    in_c, in_python = (soundfile.read(tmp_path / f"{name}.wav")[0] for name in ("c", "python"))
    assert len(in_c) == len(in_python)
    assert np.max(np.abs(in_c - in_python)) <= 1.01 * 2**-23
    assert np.max(np.abs(in_c)) > 0.01


@pytest.mark.parametrize(("seed", "rate_hz"), [(1, 48000), (2, 44100), (3, 96000), (4, 96000)])
def test_a_tone_comes_out_as_the_closed_form_says(seed: int, rate_hz: int, tmp_path: Path) -> None:
    """Fundamental to 0.001 dB, harmonics to 1e-5 of it; least squares on what was played."""
    plan = replace(draw_any(seed, rate_hz), noise_rms=0.0, hum=(), drift_ppm=0.0, bits=24)
    write_tone(tmp_path / "in.wav", 730.0, 0.25, rate_hz // 4, rate_hz)
    slow.play(plan, tmp_path / "in.wav", tmp_path / "out.wav")
    heard = soundfile.read(tmp_path / "out.wav")[0][rate_hz // 8 : rate_hz // 4]
    turn = 2 * np.pi * 730.0 / rate_hz * np.outer(np.arange(len(heard)), np.arange(6))
    columns = np.hstack([np.cos(turn), np.sin(turn[:, 1:])])
    found = np.linalg.lstsq(columns, heard, rcond=None)[0]
    lines = np.hypot(found[1:6], found[6:])
    true = np.array(output_lines(plan, 730.0, 0.25))
    assert lines[0] == pytest.approx(true[0], rel=1e-4)
    assert lines[1:] == pytest.approx(true[1:], abs=1e-5 * true[0])
    assert true[1] > 1e-3 * true[0]


def test_noise_has_the_power_that_is_stated(tmp_path: Path) -> None:
    """Mean square from 200 to 4000 Hz, by a transform of the whole: within 4 of its deviations."""
    plan = replace(draw_any(11), drift_ppm=0.0, bits=16, tail_s=2.0)
    write_tone(tmp_path / "in.wav", 100.0, 0.0, 100, 48000)
    slow.play(plan, tmp_path / "in.wav", tmp_path / "out.wav")
    heard = soundfile.read(tmp_path / "out.wav")[0][:96000]
    spectrum = np.abs(np.fft.rfft(heard)) ** 2 * 2 / len(heard) ** 2
    at_hz = np.arange(len(spectrum)) * 48000 / len(heard)
    inside = spectrum[(at_hz >= 200) & (at_hz <= 4000)]
    weight = [strength(plan.noise, hz, 48000) ** 2 for hz in range(200, 4000)]
    n_free = len(inside) * np.mean(weight) ** 2 / np.mean(np.square(weight))
    assert np.sum(inside) == pytest.approx(noise_power(plan), rel=4 / np.sqrt(n_free))


def test_a_truth_of_another_hash_is_refused(tmp_path: Path) -> None:
    truth = tmp_path / "truth.json"
    truth.write_text('{"figures": [], "fault": "none"}')
    seal = making.find_seal(truth)
    truth.write_text('{"figures": [], "fault": "burst"}')
    with pytest.raises(BrokenSealError, match="nothing is judged"):
        judge({"problems": []}, truth, seal)


def judge_one(tmp_path: Path, answer: dict[str, Any], *, untouched: Sequence[str]) -> list[str]:
    figures = [{"name": name, "unit": "", "value": 1.0, "at": at, "tolerance": None}
               for name, at in (("response", 500.0), ("thd", 500.0), ("noise", None))]  # fmt: skip
    truth = {"figures": figures, "fault": "burst", "must_be_named": True, "untouched": untouched}
    (tmp_path / "truth.json").write_text(json.dumps(truth))
    found = judge(answer, tmp_path / "truth.json", making.find_seal(tmp_path / "truth.json"))
    return [one.verdict for one in found]


def make_answer(level_db: float, below: float | None, kind: str) -> dict[str, Any]:
    share = {"thd_percent": [2.0], "thd_uncertainty_percent": [0.5], "thd_below_percent": [below]}
    return {
        "problems": [{"kind": kind}],
        "response": {"frequency_hz": [500.0], "level_db": [level_db], "uncertainty_db": [0.1]},
        "distortion": {"frequency_hz": [500.0], **share},
        "noise": {"flat_dbfs": None, "flat_uncertainty_db": None},
    }


def test_hit_and_miss_are_told_by_the_interval(tmp_path: Path) -> None:
    everything = ["response", "thd", "noise"]
    found = judge_one(tmp_path, make_answer(1.09, 1.1, "burst"), untouched=everything)
    assert found == ["hit", "hit", "hit", "withheld"]
    found = judge_one(tmp_path, make_answer(1.11, 0.9, "dropout"), untouched=everything)
    assert found == ["miss", "miss", "miss", "withheld"]
    found = judge_one(tmp_path, make_answer(1.11, None, "burst"), untouched=["thd"])
    assert found == ["hit", "touched", "miss", "touched"]
    refused = judge_one(tmp_path, {"problems": [{"kind": "burst"}]}, untouched=everything)
    assert refused == ["hit", "withheld", "withheld", "withheld"]


def test_the_commands_make_and_judge(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A secret truth under a hash that is printed; another hash is exit code 2."""
    write_tone(tmp_path / "in.wav", 500.0, 0.2, 40000, 48000)
    blocks = [{**vars(BLOCKS[0]), "kind": "sweep"}]
    (tmp_path / "in.json").write_text(json.dumps({"rate_hz": 48000, "blocks": blocks}))
    answer, sealed = tmp_path / "answer.json", tmp_path / "sealed"
    answer.write_text('{"problems": []}')

    def run(*words: object) -> int:
        monkeypatch.setattr(sys, "argv", ["blind", *map(str, words)])
        return blind_main()

    played = ("--programme", tmp_path / "in.wav", "--description", tmp_path / "in.json")
    assert run("make", sealed, *played, "--python") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["sound_made_in"] == "Python"
    truth = sealed / "truth.json"
    assert run("judge", answer, truth, "--seal", told["seal_sha256"]) == 0
    assert "withheld" in capsys.readouterr().out
    assert run("judge", answer, truth, "--seal", "0" * 64) == 2
    assert "nothing is judged" in capsys.readouterr().err


def find_date() -> int:
    """When the commit was made, in seconds since 1970."""
    root = FOLDER.parents[1]
    if (root / ".git").exists():
        command = ["git", "-C", str(root), "log", "-1", "--format=%ct"]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode == 0 and done.stdout.strip():
            return int(done.stdout)
    return int(DATE_FILE.read_text())


def test_five_of_twenty_is_rare() -> None:
    """Binomial law: 5 or more of 20 at 95 % in 2.6 of 1000 runs, 1 or more in 64 of 100."""
    assert fewest_rare(20) == 5
    assert round(1 - 0.95**20, 2) == 0.64
    draw = random.Random(4)
    often = sum(sum(draw.random() < 0.05 for _ in range(20)) >= 5 for _ in range(20000)) / 20000
    assert often == pytest.approx(0.0026, abs=0.0011)


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_twenty_sealed_recordings_of_this_commit(tmp_path: Path, record_property: Any) -> None:
    program = making.compile_plant(tmp_path)
    date = find_date()
    opened = make_and_judge(tmp_path, date, N_SEALED, program)
    counted = count_first(opened)
    maker = "C" if program else f"Python ({NO_COMPILER})"
    told = [f"{N_SEALED} sealed recordings, seed {date}, sound made in {maker}"]
    for name, count in sorted(counted.items()):
        verdicts = ", ".join(
            f"{count[one]} {one}" for one in ("hit", "miss", "withheld", "touched")
        )
        told.append(f"  {name}: {verdicts}")
    told += list_misses(opened)
    record_property("sealed", "\n".join(told))
    off = {
        name: count["miss"] for name, count in counted.items()
        if count["miss"] >= fewest_rare(count["hit"] + count["miss"])
    }  # fmt: skip
    assert not off, "\n".join(told)
    # Something was answered at all.
    assert all(
        counted[name]["hit"] >= N_SEALED // 3 for name in ("level", "response", "noise", "step")
    )
