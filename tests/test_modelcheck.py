"""The model check: what is no longer one fixed, steady, lone object, and what carbon may do."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from plants.catalogue import PLANTS
from plants.plant import Take
from plants.played import Played
from plants.spoil_levels import _control, _sweep_peak_db
from plants.spoiling import SPOILERS
from plants.tools import colour, envelope_db, make_babble, make_voice, with_gain

from voicecheck.measure import measure_recording
from voicecheck.programme import make_programme
from voicecheck.records import Measurement, Recording, Response
from voicecheck.records.arrays import Array

RATE_HZ = 48000


@cache
def played() -> Played:
    """The default programme as its file and its document show it."""
    programme = make_programme()
    names = ("kind", "start_s", "end_s", "peak", "from_hz", "to_hz")
    blocks = [{name: getattr(block, name) for name in names} for block in programme.blocks]
    made: Played = Played.from_document(programme.samples, {"rate_hz": RATE_HZ, "blocks": blocks})
    return made


@cache
def take(name: str, seed: int = 51) -> Take:
    made: Take = PLANTS[name].take(played(), np.random.default_rng(seed))
    return made


def measure(samples: Array) -> Measurement:
    return measure_recording(make_programme(), Recording(samples=samples, rate_hz=RATE_HZ))


def curve(measurement: Measurement) -> Response:
    assert measurement.response is not None
    return measurement.response


def tell(measurement: Measurement) -> set[tuple[str, str | None]]:
    return {(problem.kind, problem.block) for problem in measurement.problems}


def lay_over(samples: Array, kind: str, sound: Callable[[int], Array]) -> Array:
    made = np.array(samples)
    for part in played().of(kind):
        here = played().stretch(part)
        made[here] += sound(here.stop - here.start)
    return made


@pytest.mark.parametrize(
    "name", ["electret", "carbon", "carbon-settling", "carbon-packing", "receiver-touching"]
)
def test_a_set_that_is_left_alone_has_no_problem(name: str) -> None:
    assert tell(measure(take(name).samples)) == set()


@pytest.mark.parametrize("name", ["carbon-settling", "carbon-packing"])
def test_a_level_that_settles_is_a_finding_and_the_interval_holds_start_mean_and_end(
    name: str,
) -> None:
    measurement = measure(take(name).samples)
    response = curve(measurement)
    low, _, high = np.sort(take(name).response_range_db(response.frequency_hz), axis=0)
    reach = response.uncertainty_db + 0.02
    assert np.mean(np.abs(low - response.level_db) < reach) > 0.9
    assert np.mean(np.abs(high - response.level_db) < reach) > 0.9
    gains_db = take(name).gain_when_db(np.array([3.5, 10.1]))
    assert measurement.steadiness.drift_db == pytest.approx(np.diff(gains_db)[0], abs=0.1)
    assert "unsteadiness" in {row.name for row in response.budget}


@pytest.mark.parametrize("ratio", [2, 4])
@pytest.mark.parametrize("times_s", [(0.004, 0.05), (0.2, 1.1)])
@pytest.mark.parametrize("name", ["electret", "carbon"])
def test_gain_control_is_told_from_compression(
    name: str, times_s: tuple[float, float], ratio: int
) -> None:
    samples = take(name).samples
    threshold_db = _sweep_peak_db(samples, played()) - 4.0
    measurement = measure(_control(samples, played(), times_s, ratio, threshold_db)[0])
    assert ("level-control", "steps") in tell(measurement)
    # What may be off by more than 3 dB is withheld.
    assert np.median(np.nan_to_num(curve(measurement).uncertainty_db, nan=np.inf)) > 0.2


def jump(samples: Array, at_s: float, size_db: float) -> Array:
    """Granules that slip into another arrangement within 20 ms, and stay there."""
    time_s = np.arange(len(samples)) / RATE_HZ
    step_db = size_db * np.clip((time_s - at_s) / 0.02, 0.0, 1.0)
    return np.asarray(samples * 10 ** (step_db / 20))


@pytest.mark.parametrize("size_db", [-1.4, 1.1])
@pytest.mark.parametrize("index", [-2, -1], ids=["nominal", "top"])
def test_a_jump_of_the_level_within_a_step_is_no_gain_control(index: int, size_db: float) -> None:
    (steps,) = played().of("steps")
    at_s = steps.end_s + (index + 0.55) * make_programme().recipe.step_s
    measurement = measure(jump(take("carbon").samples, at_s, size_db))
    assert tell(measurement) == {("unsteady", "steps")}
    assert measurement.linearity is None
    assert measurement.sinad_db is None
    assert measurement.intermodulation.order2_db is not None


@pytest.mark.parametrize("late_s", [0.6, 1.3, 2.2])
def test_a_jump_of_the_level_within_a_sweep_is_the_sets_and_the_interval_holds_both(
    late_s: float,
) -> None:
    """A second sound of 30 ms in the same sweep is still one."""
    whole = take("carbon").samples
    at_s = played().of("sweep")[1].start_s + late_s
    moved = jump(jump(whole, at_s, 0.9), at_s + 0.1, -0.9)
    measurement = measure(moved)
    assert tell(measurement) <= {("unsteady", "sweep 2")}
    assert "3 of 3 sweeps used" in measurement.steps
    before = curve(measure(whole))
    found = curve(measure(jump(whole, at_s, 0.9)))
    reach_db = found.uncertainty_db + 0.02
    assert np.mean(np.abs(found.level_db - before.level_db) < reach_db) > 0.9
    assert np.mean(np.abs(found.level_db - before.level_db - 0.9) < reach_db) > 0.9
    sound = np.array(moved)
    first = round((at_s + 0.4) * RATE_HZ)
    sound[first : first + 1440] += 0.01 * np.random.default_rng(9).standard_normal(1440)
    assert ("burst", "sweep 2") in tell(measure(sound))


@pytest.mark.parametrize("size_db", [0.2, 0.3])
def test_granules_that_slip_while_carbon_settles_are_no_echo_canceller(size_db: float) -> None:
    """The highs of the first sweep stand out and the closing mark is weaker, but by chance."""
    first = played().of("sweep")[0]
    at_s = first.start_s + 0.6 * (first.end_s - first.start_s)
    measurement = measure(jump(take("carbon-settling").samples, at_s, size_db))
    assert "level-control" not in {kind for kind, _ in tell(measurement)}


@pytest.mark.parametrize("severity", ["light", "medium"])
@pytest.mark.parametrize("name", ["electret", "carbon"])
def test_an_echo_canceller_that_learns_is_named(name: str, severity: str) -> None:
    made, _ = SPOILERS["echo-canceller"](
        take(name).samples, played(), severity, np.random.default_rng(53)
    )
    assert ("level-control", None) in tell(measure(made))


@pytest.mark.parametrize("name", ["electret", "carbon"])
def test_overload_that_was_filtered_afterwards_is_told(name: str) -> None:
    samples = take(name).samples
    most = 10 ** ((_sweep_peak_db(samples, played()) - 1.5) / 20)
    filtered = colour(np.clip(samples, -most, most), RATE_HZ, 40.0, 12000.0)
    assert ("overload", "steps") in tell(measure(filtered))


def test_each_loss_is_a_dropout_with_its_time_and_the_rate_is_judged() -> None:
    made = np.array(take("carbon").samples)
    at_s = [2.9, 4.1, 6.2, 7.7, 9.5, 10.6]
    rng = np.random.default_rng(3)
    for start_s in at_s:
        first = round(start_s * RATE_HZ)
        made[first : first + 1000] = 1e-5 * rng.standard_normal(1000)
    measurement = measure(made)
    found = sorted(p.at_s or 0.0 for p in measurement.problems if p.kind == "dropout")
    assert np.allclose(found, at_s, atol=0.02)
    assert tell(measurement) == {("dropout", f"sweep {k}") for k in (1, 2, 3)}
    sounding_s = sum(
        p.end_s - p.start_s for k in ("sweep", "steps", "four-tone") for p in played().of(k)
    )
    assert measurement.steadiness.losses_per_min == pytest.approx(60 * 6 / sounding_s, rel=1e-6)
    whole = curve(measure(take("carbon").samples))
    assert np.max(np.abs(curve(measurement).level_db - whole.level_db)) < 0.1


def test_a_clock_that_wanders_by_2_ppm_is_no_sound() -> None:
    spoiled, _ = SPOILERS["clock-wander"](
        take("electret").samples, played(), "light", np.random.default_rng(8)
    )
    assert tell(measure(spoiled)) == set()


@pytest.mark.parametrize("name", ["electret", "receiver"])
def test_a_clock_that_wanders_by_20_ppm_is_neither_a_sound_nor_a_jump(name: str) -> None:
    spoiled, _ = SPOILERS["clock-wander"](
        take(name).samples, played(), "heavy", np.random.default_rng(8)
    )
    assert tell(measure(spoiled)) == set()


@pytest.mark.parametrize("seed", [62, 63])
def test_a_mild_suppressor_on_carbon_is_named(seed: int) -> None:
    spoiled, _ = SPOILERS["noise-suppressor"](
        take("carbon", seed).samples, played(), "light", np.random.default_rng(seed)
    )
    measurement = measure(spoiled)
    assert ("muted", "silence") in tell(measurement)
    assert measurement.linearity is None


def test_sound_in_the_pauses_is_named_and_the_noise_withheld() -> None:
    rng = np.random.default_rng(4)
    spoiled = lay_over(
        take("electret").samples, "silence", lambda n: 0.003 * make_babble(n, RATE_HZ, rng)
    )
    measurement = measure(spoiled)
    assert tell(measurement) == {("sound-in-pause", f"silence {k}") for k in (1, 2, 3)}
    assert measurement.noise.flat_dbfs is None


@pytest.mark.parametrize(("kind", "size"), [("steps", 0.01), ("four-tone", 0.02)])
def test_speech_over_a_block_withholds_that_block_alone(kind: str, size: float) -> None:
    rng = np.random.default_rng(5)
    spoiled = lay_over(take("carbon").samples, kind, lambda n: size * make_voice(n, RATE_HZ, rng))
    measurement = measure(spoiled)
    assert ("sound-in-pause", kind) in tell(measurement)
    assert (measurement.linearity is None) == (kind == "steps")
    assert (measurement.intermodulation.order2_db is None) == (kind == "four-tone")
    assert measurement.noise.flat_dbfs is not None


def test_muted_pauses_withhold_the_noise() -> None:
    made = np.array(take("electret").samples)
    for part in played().of("silence"):
        made[played().stretch(part)] = 0.0
    measurement = measure(made)
    assert ("muted", "silence 2") in tell(measurement)
    assert measurement.noise.flat_dbfs is None


def test_a_gate_that_closes_in_the_pauses_withholds_the_noise() -> None:
    samples = take("electret").samples
    threshold_db = _sweep_peak_db(samples, played()) - 37.0
    over_db = envelope_db(samples, RATE_HZ, 0.003, 0.06) - threshold_db
    shut = 1.0 / (1.0 + np.exp(np.clip(over_db, -20.0, 20.0)))
    measurement = measure(with_gain(samples, -25.0 * shut, 1000, RATE_HZ))
    assert ("muted", "silence") in tell(measurement)
    assert measurement.noise.flat_dbfs is None


def test_a_howl_that_builds_up_is_named() -> None:
    samples = take("carbon").samples
    time_s = np.arange(len(samples)) / RATE_HZ - 7.0
    size = 0.02 / (1 + np.exp(-(time_s - 1.5) / 0.5))
    made = samples + size * np.sin(2 * np.pi * 1730.0 * time_s)
    assert "howl" in {problem.kind for problem in measure(made).problems}


@pytest.mark.parametrize("mains_hz", [49.98, 50.0, 50.03, 60.0])
def test_hum_is_as_loud_in_every_pause(mains_hz: float) -> None:
    """Lines of the mains at the edge of the band meet in another phase in each pause: no howl."""
    samples = take("electret").samples
    rng = np.random.default_rng(5)
    turn = 2 * np.pi * mains_hz * np.arange(len(samples)) / RATE_HZ
    for _ in range(4):
        hum = sum(
            (
                0.004 / order * np.sin(order * turn + rng.uniform(0, 2 * np.pi))
                for order in range(1, 8)
            ),
            start=np.zeros(len(samples)),
        )
        found = {problem.kind for problem in measure(samples + hum).problems}
        assert not found & {"howl", "sound-in-pause"}


def test_levels_that_overload_has_cut_off_are_withheld_and_the_others_keep_their_number() -> None:
    samples = take("carbon").samples
    most = 10 ** (_sweep_peak_db(samples, played()) / 20)
    found, whole = curve(measure(np.clip(samples, -most, most))), curve(measure(samples))
    lost = np.isnan(found.level_db)
    assert 0.1 < np.mean(lost) < 0.9
    error_db = np.abs(found.level_db - whole.level_db)
    assert np.all((error_db < found.uncertainty_db)[~lost])


def test_sound_that_most_sweeps_lose_at_once_is_taken_from_the_one_that_kept_it() -> None:
    made = np.array(take("electret").samples)
    for part in played().of("sweep")[:2]:
        first = round((part.start_s + 1.7) * RATE_HZ)
        made[first : first + 1500] *= 0.002
    measurement = measure(made)
    assert tell(measurement) == {("dropout", "sweep 1"), ("dropout", "sweep 2")}
    whole = curve(measure(take("electret").samples))
    assert np.max(np.abs(curve(measurement).level_db - whole.level_db)) < 0.01


def test_pauses_that_a_recorder_of_few_steps_rounds_to_zero_are_not_muted() -> None:
    samples = take("receiver").samples
    made = np.round(samples * 14.0 / np.max(np.abs(samples))) / 2**15
    assert not {kind for kind, _ in tell(measure(made))} & {"muted", "sound-in-pause"}
