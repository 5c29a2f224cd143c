"""Which figures a problem withholds or widens: the table is whole, and what it says is done."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest
from plants.spoiling import record_spoiled
from test_modelcheck import measure, take

import voicecheck
from voicecheck.measure.reflected import hold_reflections
from voicecheck.modelcheck.touched import FIGURES, IN_BLOCK, TOUCHED, Touch, find_touch
from voicecheck.records import Measurement, Problem
from voicecheck.response import Reflections

HOME = Path(voicecheck.__file__).parent
OF_A_TAKE = (
    "continuity.py", "inspection/*.py", "measure/*.py", "modelcheck/*.py", "bench/audiofile.py",
    "bench/soundcard/card.py",
)  # fmt: skip
"""Modules whose problems a measurement may carry."""


def list_kinds() -> set[str]:
    """Every kind that a problem of a take is made with, read from the source."""
    kinds: set[str] = set()
    for pattern in OF_A_TAKE:
        for path in HOME.glob(pattern):
            for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(call, ast.Call) and getattr(call.func, "id", "") == "Problem":
                    kind = next(word.value for word in call.keywords if word.arg == "kind")
                    branches = [kind.body, kind.orelse] if isinstance(kind, ast.IfExp) else [kind]
                    kinds |= {str(one.value) for one in branches if isinstance(one, ast.Constant)}
    return kinds


def test_every_kind_of_problem_is_in_the_table() -> None:
    """No kind is forgotten, and none stands there that no module makes."""
    kinds = list_kinds()
    assert {"level-control", "dropout", "several-takes", "lost-samples"} <= kinds
    assert set(TOUCHED) == kinds
    assert {kind for kind, _ in IN_BLOCK} <= kinds


def test_a_figure_is_withheld_or_widened_and_has_to_be_one() -> None:
    with pytest.raises(ValueError, match="no such touch"):
        Touch(frozenset({"loudness"}))
    with pytest.raises(ValueError, match="no such touch"):
        Touch(frozenset({"steps"}), frozenset({"steps"}))


@pytest.mark.parametrize(
    ("kind", "block", "withheld"),
    [
        ("muted", "silence 2", {"noise"}),
        ("muted", "silence", FIGURES - {"curve"}),
        ("sound-in-pause", "steps", {"steps", "sinad"}),
        ("clipping", "sweep 1", {"distortion"}),
        ("dropout", "sweep 3", set()),
        ("no-handset", None, set()),
        ("conditioning", None, set()),
    ],
)
def test_what_one_problem_withholds(kind: str, block: str | None, withheld: set[str]) -> None:
    assert find_touch(Problem(kind=kind, block=block)).withheld == withheld


def list_stated(found: Measurement) -> set[str]:
    """Names of the figures that a measurement still states."""
    stated = {
        "curve": found.response is not None and bool(np.any(np.isfinite(found.response.level_db))),
        "distortion": found.distortion is not None,
        "steps": found.linearity is not None or bool(found.ladders),
        "four-tone": found.intermodulation.order2_db is not None,
        "sinad": found.sinad_db is not None,
        "noise": found.noise.flat_dbfs is not None,
    }
    return {name for name, is_stated in stated.items() if is_stated}


@pytest.mark.parametrize(
    ("spoiler", "level", "cause", "stated"),
    [
        ("agc-slow-2", 0.2, "level-control", {"curve"}),
        ("clip-then-filter", 0.2, "overload", {"curve"}),
        ("echo", 1.0, "echo", {"curve"}),
        ("noise-gate", 1.8, "muted", {"curve"}),
        ("howl", 1.0, "howl", FIGURES - {"noise", "sinad"}),
        ("muted-pauses", 1.0, "muted", FIGURES - {"noise"}),
    ],
)
def test_what_is_spoiled_is_withheld_and_the_rest_keeps_its_number(
    spoiler: str, level: float, cause: str, stated: set[str]
) -> None:
    made, _ = record_spoiled(take("electret"), spoiler, level, np.random.default_rng(61))
    found = measure(made)
    assert cause in {problem.kind for problem in found.problems}
    assert list_stated(found) == stated


@pytest.mark.parametrize(("name", "seed"), [("electret", 3), ("carbon", 5), ("receiver", 7)])
def test_behind_a_coder_the_curve_holds_its_error(name: str, seed: int) -> None:
    """What the coder does alike in all sweeps is not in their scatter."""
    played = take(name)
    made, _ = record_spoiled(played, "lossy-coding", 0.5, np.random.default_rng(seed))
    found = measure(made)
    assert ("lossy-coding", "steps") in {(one.kind, one.block) for one in found.problems}
    assert list_stated(found) == {"curve"}
    assert found.response is not None
    true_db = played.response_range_db(found.response.frequency_hz)[1]
    stated = np.isfinite(found.response.level_db)
    inside = np.abs(found.response.level_db - true_db) <= found.response.uncertainty_db
    assert np.mean(stated) > 0.35
    assert np.mean(inside[stated]) > 0.86


@pytest.mark.parametrize("name", ["electret", "carbon", "receiver"])
def test_speech_over_the_steps_is_no_coder(name: str) -> None:
    for seed in (1, 2, 3):
        made, _ = record_spoiled(take(name), "speech-over-steps", 1.0, np.random.default_rng(seed))
        assert "lossy-coding" not in {one.kind for one in measure(made).problems}


def test_an_echo_as_late_as_a_harmonic_is_early_widens_the_curve() -> None:
    """The second harmonic lies 0.47 s before the sweep: an echo 0.48 s late brings it back."""
    played = take("carbon")
    lag = round(0.48 * played.played.rate_hz)
    made = np.array(played.samples)
    made[lag:] += 0.5 * played.samples[:-lag]
    found = measure(made)
    assert found.response is not None
    true_db = played.response_range_db(found.response.frequency_hz)[1]
    error_db = np.abs(found.response.level_db - true_db)
    assert np.max(error_db) > 0.1
    assert np.mean(error_db <= found.response.uncertainty_db) > 0.86


def test_figures_beside_a_reflection_hold_what_may_be_left_of_it() -> None:
    """Half-widths of 2 % of the direct sound: 0.17 dB in a step, that in percent of its THD."""
    clean = measure(take("electret").samples)
    left = Reflections(np.array([0.008]), np.array([1e-9]), (0.008,), (0.1,), 0.02)
    held = hold_reflections(clean, left)
    assert hold_reflections(clean, None) is clean
    assert clean.linearity is not None
    assert held.linearity is not None
    assert held.linearity.output_uncertainty_db == pytest.approx(0.1737, rel=0.01)
    assert held.ladders[0].output_uncertainty_db == pytest.approx(0.1737, rel=0.01)
    assert held.noise.flat_uncertainty_db is not None
    assert held.noise.flat_uncertainty_db > 20 * np.log10(1.1)
    assert held.sinad_uncertainty_db == pytest.approx(0.3474, rel=0.05)
    assert clean.distortion is not None
    assert held.distortion is not None
    thd = held.distortion.thd_percent
    wide = held.distortion.thd_uncertainty_percent > clean.distortion.thd_uncertainty_percent
    assert np.all(wide[np.isfinite(thd)])
