# mypy: disable-error-code="operator"
"""
The microphone without a calibrator, on simulated jigs whose microphone is known.

The jig is a solved network of modes, diaphragms, caps, leaks and coils; it shares no formula with
what it checks, and is itself held against closed forms here.
"""

from __future__ import annotations

import dataclasses
import json
import math
from typing import Any

import numpy as np
import pytest
from reciprocity_jigs import TAP_DB, TONES_HZ, make_ratio, measure
from typer.testing import CliRunner

from voicecheck.bench.calibration.cavitysteps import TAKE_NAMES, compute_reciprocity
from voicecheck.bench.calibration.tonesets import make_tone_set, read_ratio
from voicecheck.bench.calibration.validity import get_best, judge_path
from voicecheck.bench.hardware import HardwareBench
from voicecheck.bench.simulated.cavity import (
    _compute_box,
    make_jig,
    swap_receivers,
)
from voicecheck.bench.simulated.cavitybench import TAKES, SimulatedJig
from voicecheck.cli import make_app
from voicecheck.cli.calibrating import ScriptedSteps, TerminalSteps
from voicecheck.cli.takeview import TakeView
from voicecheck.errors import BenchError, InputError, RecordingError
from voicecheck.records import Recording
from voicecheck.records.benches import BenchSetup, StepResult
from voicecheck.workflow.benches.jigs import try_steps
from voicecheck.workflow.benches.sitting import Sitting, get_guide
from voicecheck.workflow.benches.stepping import StepAnswer, StepRequest, go_through

NOW = "2026-03-02T09:00:00+00:00"
SETUP = BenchSetup(name="attic", device="Desk Two")
LENGTH_S = 7.0


@pytest.fixture(scope="module")
def programme() -> Any:
    return make_tone_set(48000, -6.0, LENGTH_S)


def make_tap(jig: SimulatedJig) -> StepResult:
    return StepResult(
        bench="attic",
        step="electrical-in",
        done_utc=NOW,
        value=jig.read_tap(TAP_DB),
        unit="V",
        uncertainty_db=TAP_DB,
    )


def play_all(jig: SimulatedJig, programme: Any) -> list[tuple[Recording, Recording]]:
    return [jig.play_pair(programme, take) for take in TAKES]


def work_out(
    jig: SimulatedJig, takes: Any, step: str = "reciprocity", others: Any = (), **typed: float
) -> StepResult:
    return compute_reciprocity(
        SETUP,
        step,
        takes,
        {**jig.read_sizes(), **typed},
        [make_tap(jig), *others],
        length_s=LENGTH_S,
        done_utc=NOW,
    )


class TestJig:
    """The simulated one, by closed forms that it does not use."""

    def test_air_is_a_spring_at_low_frequency(self) -> None:
        """Of gamma P0 / (omega V), and with walls that take heat 1.5 % less at 60 Hz (by hand)."""
        jig = make_jig(3)
        omega = 2.0 * np.pi * np.array([60.0])
        box = _compute_box(jig.large, jig.air, omega)
        spring = 1.4 * jig.air.pressure_pa / (omega[0] * jig.large.volume_m3)
        assert np.abs(box[0]) / spring == pytest.approx(np.full((3, 3), 0.985), abs=0.003)
        assert np.abs(box[0, 0, 0]) < spring
        assert np.degrees(np.angle(box[0, 0, 1])) == pytest.approx(-89.5, abs=0.5)

    def test_waves_are_those_of_a_tube(self) -> None:
        """Between the faces of a narrow tube rho c / (S sin k l), by the theory of lines."""
        jig = make_jig(3)
        block = dataclasses.replace(jig.large, edges_m=(0.008, 0.008, 0.06))
        hz = np.array([500.0, 1000.0, 2000.0])
        box = np.abs(_compute_box(block, jig.air, 2.0 * np.pi * hz)[:, 0, 1])
        density = jig.air.density_kg_per_m3
        speed = math.sqrt(1.4 * jig.air.pressure_pa / density)
        line = density * speed / 0.008**2 / np.abs(np.sin(2.0 * np.pi * hz / speed * 0.06))
        assert box == pytest.approx(line, rel=0.03)

    def test_two_ports_are_reciprocal(self) -> None:
        """Volts at one receiver for amperes in the other are the same either way."""
        jig = make_jig(5)
        receivers = {
            name: dataclasses.replace(getattr(jig, name), return_ratio=1.0)
            for name in ("first", "second")
        }
        # The tap hardly loads, and the ear tells the same pressure in both takes of each.
        jig = dataclasses.replace(
            jig, tap_ohm=1e9, small=dataclasses.replace(jig.small, leak_ohm=1e15), **receivers
        )
        transfers = []
        for one in (jig, swap_receivers(jig)):
            heard = make_ratio(one, is_large=False, is_first_driven=False).value
            driven = make_ratio(one, is_large=False, is_first_driven=True).value
            transfers.append(heard * driven)
        # M_C^2 Z of the microphone's own place, whichever receiver is called the first.
        assert np.abs(transfers[0]) == pytest.approx(np.abs(transfers[1]), rel=0.02)


class TestSensitivity:
    """Straight from the solved circuits: no noise, but every other error."""

    def test_within_one_decibel_and_its_interval(self) -> None:
        """60 jigs, each with its own error of volume, meter, barometer, resistor, seat, leak."""
        band = (TONES_HZ >= 200.0) & (TONES_HZ <= 2000.0)
        errors, limits = [], []
        for seed in range(60):
            found, error_db = measure(seed)
            errors.append(np.abs(error_db[band]))
            limits.append(found.uncertainty_db[band])
        error, limit = np.array(errors), np.array(limits)
        assert np.all(np.isfinite(error))
        assert np.max(error) < 1.0
        # At each tone: 60 jigs of 0.95 are less than 0.86 once in a thousand.
        assert np.min(np.mean(error <= limit, axis=0)) >= 0.86
        assert np.mean(error <= limit) >= 0.95
        assert 0.05 < np.sqrt(np.mean(error**2)) < np.mean(limit)

    def test_volume_and_resistor_move_it_by_their_share(self) -> None:
        """The square goes with both: twice the resistor is 3.01 dB (10 log 2)."""
        plain, _ = measure(7)
        double, _ = measure(7, resistor_ohm=200.0)
        moved_db = (double.level_db - plain.level_db)[np.isfinite(plain.level_db)]
        assert moved_db == pytest.approx(np.full(len(moved_db), 3.0103), abs=1e-6)
        sizes = SimulatedJig(7).read_sizes()
        step_cm3 = sizes["large_cm3"] - sizes["small_cm3"]
        more, _ = measure(7, large_cm3=sizes["large_cm3"] + 0.1 * step_cm3)
        low = TONES_HZ < 400.0
        moved_db = (more.level_db - plain.level_db)[low]
        assert moved_db == pytest.approx(np.full(len(moved_db), 10.0 * math.log10(1.1)), abs=0.03)

    def test_every_part_is_in_the_interval(self) -> None:
        found, _ = measure(7)
        parts = np.array(list(found.parts_db.values()))
        assert set(found.parts_db) == {
            "noise", "leak", "waves", "walls", "voltage", "one-way", "resistor", "volume",
            "barometer", "loading",
        }  # fmt: skip
        assert found.uncertainty_db == pytest.approx(np.sqrt(np.sum(parts**2, axis=0)))
        # 2000 ohm into 10 kilohm take a tenth in the mean off the square, give or take as much.
        heavy, _ = measure(7, receiver_ohm=2000.0)
        moved_db = np.nanmedian(found.level_db - heavy.level_db)
        assert moved_db == pytest.approx(10.0 * math.log10(1.1 / 1.02), abs=1e-9)
        assert heavy.parts_db["loading"][0] > 3.0 * found.parts_db["loading"][0]
        unsure, _ = measure(7, volume_error_cm3=2.0)
        assert np.all(unsure.parts_db["volume"] > 3.0 * found.parts_db["volume"])

    def test_a_leak_is_seen_and_in_the_interval(self) -> None:
        own = make_jig(7)
        leaky = dataclasses.replace(own.large, leak_ohm=2e6, leak_kg_per_m4=5e3)
        found, error_db = measure(7, large=leaky)
        assert found.leak_db > 0.5
        known = np.isfinite(found.level_db)
        assert 4 < np.count_nonzero(known & (TONES_HZ <= 2000.0)) < 20
        assert np.all(np.abs(error_db[known]) <= found.uncertainty_db[known])
        tight, _ = measure(7)
        assert tight.leak_db < 0.5

    def test_long_cavities_state_nothing_high_up(self) -> None:
        own = make_jig(7)
        long = dataclasses.replace(own.large, edges_m=(0.03, 0.03, 0.06))
        found, error_db = measure(7, large=long, large_cm3=54.0)
        known = np.isfinite(found.level_db)
        assert known[TONES_HZ < 300.0].all()
        assert not known[TONES_HZ > 2000.0].any()
        assert np.all(np.abs(error_db[known]) <= found.uncertainty_db[known])

    def test_cavities_that_are_alike_or_exchanged_are_named(self) -> None:
        own = make_jig(7)
        with pytest.raises(RecordingError, match="are alike") as caught:
            measure(7, large=own.small, seat_m3=0.0)
        assert caught.value.kind == "same-cavity"
        with pytest.raises(RecordingError, match="changed places"):
            measure(7, large=own.small, small=own.large)
        with pytest.raises(InputError, match="large_cm3: need at least a tenth more"):
            measure(7, large_cm3=8.0)


class TestRecordings:
    """From sound as it comes back, with noise, hum and inputs that are not quite in step."""

    def test_four_takes_give_the_microphone(self, programme: Any) -> None:
        jig = SimulatedJig(11)
        result = work_out(jig, play_all(jig, programme))
        truth_pa = float(jig.find_truth_pa(np.array([1000.0]))[0])
        assert abs(20.0 * math.log10(result.value / truth_pa)) <= result.uncertainty_db < 1.0
        assert result.unit == "Pa"
        assert not result.is_fallback
        assert result.frequency_hz is not None
        error_db = result.level_db - 20.0 * np.log10(jig.find_truth_pa(result.frequency_hz))
        within = (result.frequency_hz >= 200.0) & (result.frequency_hz <= 2000.0)
        assert np.count_nonzero(within) == 20
        assert np.max(np.abs(error_db[within])) < 1.0
        assert math.hypot(*result.budget_db.values()) == pytest.approx(result.uncertainty_db)
        assert 3.0 < result.figures["beside_cm3"] < 15.0
        assert result.figures["upper_hz"] >= 2000.0
        assert result.method.startswith("by reciprocity, cavities of ")

    def test_silence_is_named_and_lost_tones_are_withheld(self, programme: Any) -> None:
        jig = SimulatedJig(11)
        takes = play_all(jig, programme)
        tap, ear = takes[0]
        silent = dataclasses.replace(tap, samples=0.0 * tap.samples)
        with pytest.raises(RecordingError, match="nothing came in from the receiver at the line"):
            work_out(jig, [(silent, ear), *takes[1:]])
        rng = np.random.default_rng(2)
        loud = dataclasses.replace(
            tap, samples=tap.samples + 2e-4 * rng.standard_normal(len(tap.samples))
        )
        result = work_out(jig, [(loud, ear), *takes[1:]])
        assert result.frequency_hz is not None
        assert len(result.frequency_hz) < 26
        assert [p.kind for p in result.problems if "nothing can be said" in p.message] == ["noise"]
        with pytest.raises(InputError, match="need 4 takes, got 3"):
            work_out(jig, takes[:3])

    def test_a_volume_that_cannot_be_is_named(self, programme: Any) -> None:
        """15 cm3 typed in place of some 8: the larger block would then hold less than it does."""
        jig = SimulatedJig(11)
        takes = play_all(jig, programme)
        assert "volume" not in {problem.kind for problem in work_out(jig, takes).problems}
        wrong = work_out(jig, takes, small_cm3=15.0)
        assert "volume" in {problem.kind for problem in wrong.problems}
        assert wrong.figures["beside_cm3"] < -1.0

    def test_the_spread_of_a_ratio_is_what_it_says(self, programme: Any) -> None:
        """40 takes in white noise: the ratio's own scatter is what the coherence says of it."""
        rng = np.random.default_rng(3)
        values, spreads = [], []
        for _ in range(40):
            noise = 0.02 * rng.standard_normal((2, len(programme.samples)))
            tap = Recording(samples=programme.samples + noise[0], rate_hz=48000)
            ear = Recording(samples=0.5 * programme.samples + 0.01 * noise[1], rate_hz=48000)
            ratio = read_ratio(ear, tap, LENGTH_S, "tap")
            values.append(np.abs(ratio.value) / 0.5)
            spreads.append(ratio.spread)
        scatter = np.sqrt(np.mean(np.var(values, axis=0, ddof=1)))
        assert np.mean(values) == pytest.approx(1.0, abs=0.003)
        assert np.sqrt(np.mean(np.square(spreads))) == pytest.approx(scatter, rel=0.25)

    def test_a_receiver_that_works_one_way_is_found_by_exchanging(self, programme: Any) -> None:
        """The voltage of A 3 dB too small: the square goes by 3 dB, the root by 1.5 dB."""
        own = make_jig(11)
        honest = SimulatedJig(11, swap_receivers(own))
        swapped = play_all(honest, programme)
        first = work_out(honest, play_all(SimulatedJig(11), programme))
        both = work_out(honest, swapped, "reciprocity-swapped", [first])
        assert abs(both.figures["swapped_db"]) < 0.3
        assert both.uncertainty_db < first.uncertainty_db
        assert "one-way" not in {problem.kind for problem in both.problems}
        weak = dataclasses.replace(own.first, return_ratio=own.first.return_ratio / math.sqrt(2.0))
        wrong = work_out(
            honest, play_all(SimulatedJig(11, dataclasses.replace(own, first=weak)), programme)
        )
        told = work_out(honest, swapped, "reciprocity-swapped", [wrong])
        assert told.figures["swapped_db"] == pytest.approx(
            both.figures["swapped_db"] + 1.505, abs=0.1
        )
        assert "one-way" in {problem.kind for problem in told.problems}
        assert told.budget_db["one-way"] > 0.5
        with pytest.raises(InputError, match="do the step reciprocity first"):
            work_out(honest, swapped, "reciprocity-swapped")

    def test_a_calibrator_stands_beside_it(self, programme: Any) -> None:
        jig = SimulatedJig(11)
        takes = play_all(jig, programme)
        alone = work_out(jig, takes)
        assert "calibrator_pa" not in alone.figures
        calibrator = StepResult(
            bench="attic",
            step="microphone",
            done_utc=NOW,
            value=alone.value * 10.0 ** (0.2 / 20.0),
            unit="Pa",
            uncertainty_db=0.3,
            method="calibrator, 94 dB SPL",
        )
        beside = work_out(jig, takes, others=[calibrator])
        assert beside.figures["calibrator_pa"] == calibrator.value
        assert beside.figures["from_calibrator_db"] == pytest.approx(-0.2, abs=1e-9)
        assert "two-ways" not in {problem.kind for problem in beside.problems}
        off = dataclasses.replace(calibrator, value=2.0 * alone.value)
        apart = work_out(jig, takes, others=[off])
        assert "two-ways" in {problem.kind for problem in apart.problems}


def make_results(**changes: Any) -> list[StepResult]:
    plain: dict[str, dict[str, Any]] = {
        "electrical-out": {"value": 1.5, "unit": "V", "uncertainty_db": 0.1},
        "seal": {"value": 0.2, "unit": "dB", "valid_days": 1.0},
        **changes,
    }
    return [
        StepResult(**{"bench": "attic", "step": step.replace("_", "-"), "done_utc": NOW, **fields})
        for step, fields in plain.items()
    ]


def test_levels_are_absolute_by_reciprocity_alone() -> None:
    """It stands in the calibrator's place, and the narrower interval counts where both are."""
    by_jig = {"value": 5.0, "unit": "Pa", "uncertainty_db": 0.4, "method": "by reciprocity, ..."}
    only = judge_path(SETUP, make_results(reciprocity=by_jig), "receive", NOW)
    assert only.calibration is not None
    assert only.calibration.input_per_unit == 5.0
    assert only.calibration.name == "attic, 2026-03-02, by reciprocity"
    assert any("by reciprocity" in note for note in only.warnings)
    assert judge_path(SETUP, make_results(), "receive", NOW).calibration is None
    finer = {"value": 4.0, "unit": "Pa", "uncertainty_db": 0.3}
    both = make_results(reciprocity=by_jig, microphone=finer)
    best = get_best(both, "microphone", NOW)
    assert best is not None
    assert best.step == "microphone"
    coarse = {"value": 4.0, "unit": "Pa", "uncertainty_db": 2.0, "is_fallback": True}
    best = get_best(make_results(reciprocity=by_jig, microphone=coarse), "microphone", NOW)
    assert best is not None
    assert best.step == "reciprocity"
    # A year on neither counts, and it is the calibrator's step that is asked for.
    later = "2027-04-02T09:00:00+00:00"
    assert get_best(both, "microphone", later) is both[-1]


def test_takes_have_one_order() -> None:
    assert TAKE_NAMES == TAKES


class Helper:
    """Somebody who does as told, types what the jig's owner reads, and errs once."""

    length_s, is_patient = None, True

    def __init__(self, typed: dict[str, float]) -> None:
        self.typed, self.asked, self.told = typed, list[StepRequest](), list[str]()

    def ask(self, request: StepRequest) -> StepAnswer:
        self.asked.append(request)
        names = [one.name for one in request.readings if one.name in self.typed]
        return StepAnswer(typed={name: self.typed[name] for name in names})

    def read(self, *_: Any) -> Any:
        raise AssertionError

    def tell(self, line: str) -> None:
        self.told.append(line)

    def report(self, guide: Any, result: StepResult) -> None:
        self.told.append(f"{guide.name}: {result.value}")


def plug_in(
    monkeypatch: pytest.MonkeyPatch, jig: SimulatedJig, plan: list[str | None]
) -> list[Any]:
    """The jig in the sound card's place, its wires as planned; `None` is a card that is busy."""
    played: list[Any] = []
    left = list(plan)

    def play_and_record_both(_: Any, programme: Any, *, path: str) -> Any:
        assert path == "loop"
        take = left[0]
        if programme.duration_s == LENGTH_S or take is None:
            del left[0]
        if take is None:
            raise BenchError("Desk Two is busy")
        played.append(programme)
        return jig.play_pair(programme, take)

    monkeypatch.setattr(HardwareBench, "play_and_record_both", play_and_record_both)
    return played


def test_a_sitting_leads_through_four_takes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each take is asked for with its wires; one that fails is asked for again, none is lost."""
    jig = SimulatedJig(11)
    kept: list[StepResult] = []
    sitting = Sitting(
        SETUP, [make_tap(jig)], keep=kept.append, now_utc=NOW, temperature_c=21.0
    )  # fmt: skip
    played = plug_in(monkeypatch, jig, ["small-heard", None, *TAKES[1:]])
    helper = Helper(jig.read_sizes())
    done, was_stopped = go_through(sitting, sitting.list_wanted(["reciprocity"]), helper)
    assert not was_stopped
    assert list(done) == kept
    assert [request.title.rpartition(", ")[2] for request in helper.asked] == [
        "take 1 of 4", "take 2 of 4", "take 2 of 4", "take 3 of 4", "take 4 of 4",
    ]  # fmt: skip
    assert [request.wrong for request in helper.asked] == ["", "", "Desk Two is busy", "", ""]
    assert "blocks of one bore" in helper.asked[0].steps[0]
    assert "R: the resistor" in helper.asked[1].picture
    assert helper.asked[1].drawing == "cavity-driven"
    # Softly first, and then as loud as the inputs bear, which is not the same in every take.
    assert [one.recipe.level_dbfs for one in played[::2]] == [-24.0] * 4
    levels_dbfs = [one.recipe.level_dbfs for one in played[1::2]]
    assert -24.0 < min(levels_dbfs) < max(levels_dbfs) <= -6.0
    assert {one.duration_s for one in played[1::2]} == {LENGTH_S}
    (result,) = done
    assert "clipping" not in {problem.kind for problem in result.problems}
    truth_pa = float(jig.find_truth_pa(np.array([1000.0]))[0])
    assert abs(20.0 * math.log10(result.value / truth_pa)) <= result.uncertainty_db
    assert result.temperature_c == 21.0
    # It is done on request only, and stands in the calibrator's place.
    assert "reciprocity" not in {guide.name for guide in sitting.list_open()}
    assert "microphone" not in {guide.name for guide in sitting.list_open()}
    fresh = Sitting(SETUP, [make_tap(jig)], now_utc=NOW)
    assert "microphone" in {guide.name for guide in fresh.list_open()}


def test_a_terminal_asks_for_each_size(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What cannot be is asked for again, what need not be known may be left out."""
    guide = get_guide("reciprocity")
    typed = iter(["nought", "8100", "8.1", "", "", "", "", "", "20"])
    monkeypatch.setattr("voicecheck.cli.calibrating.wait_for_key", lambda *_: " ")
    monkeypatch.setattr("voicecheck.cli.calibrating.typer.prompt", lambda *_, **__: next(typed))
    steps = TerminalSteps(TakeView(quiet=True), quiet=True)
    answers = [
        steps.ask(
            StepRequest(
                title=take.name, guide=guide, steps=take.do, picture="", readings=take.readings
            )
        )
        for take in guide.takes
    ]
    assert [answer.typed for answer in answers] == [
        {"small_cm3": 8.1, "volume_error_cm3": 0.2},
        {"resistor_ohm": 100.0},
        {"large_cm3": 20.0},
        {},
    ]
    told = capsys.readouterr().err
    assert "'nought' is no number." in told
    assert "Volume of the small block: need 1 to 100 cm3, got 8100" in told


def test_nobody_re_plugs_for_a_script() -> None:
    guide = get_guide("reciprocity")
    request = StepRequest(title="", guide=guide, steps=(), picture="")
    with pytest.raises(InputError, match="leave --yes out"):
        ScriptedSteps(TakeView(quiet=True), {}, quiet=True).ask(request)


def test_cavities_mixed_up_are_taken_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    jig = SimulatedJig(11)
    sitting = Sitting(SETUP, [make_tap(jig)], now_utc=NOW)
    wrong = ("large-heard", "large-driven", "small-driven", "small-heard")
    plug_in(monkeypatch, jig, [*wrong, *TAKES])
    helper = Helper(jig.read_sizes())
    done, _ = go_through(sitting, [get_guide("reciprocity")], helper)
    assert len(helper.asked) == 8
    assert "changed places" in helper.asked[4].wrong
    assert helper.asked[4].title.endswith("take 1 of 4")
    assert len(done) == 1
    shared = dataclasses.replace(SETUP, ear_channel=1)
    with pytest.raises(InputError, match="share one input"):
        Sitting(shared, [make_tap(jig)], now_utc=NOW).play_pair("reciprocity")


def test_the_command_tries_it_on_a_made_jig() -> None:
    """Both steps without any bench: what was found, what it was made with, what it rests on."""

    def call(*words: str) -> Any:
        begin = ["bench", "calibrate", "nowhere", "--simulated", "3"]
        return CliRunner().invoke(make_app(), [*begin, *words])

    steps = ("--step", "reciprocity", "--step", "reciprocity-swapped")
    first, second = json.loads(call(*steps, "--json").stdout)
    truth_pa = SimulatedJig(3).find_truth_pa(np.array([1000.0]))[0]
    for document in (first, second):
        assert document["schema"] == "voicecheck.calibration-step/1"
        assert document["simulated"] is True
        assert document["truth_pa"] == pytest.approx(truth_pa)
        off_db = 20.0 * math.log10(document["value"] / truth_pa)
        assert abs(off_db) <= document["uncertainty_db"] < 1.0
    assert second["budget_db"]["one-way"] < first["budget_db"]["one-way"]
    text = call(*steps).stdout
    assert "made of one-way 0.30, " in text
    assert text.count("within the interval") == 2
    assert "both receivers differ by " in text
    with pytest.raises(InputError, match="no other has a jig"):
        try_steps(["mouth"], 3)
