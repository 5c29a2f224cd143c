# mypy: disable-error-code="arg-type,attr-defined,union-attr"
"""Every plant's stated truth, found again by ways that share nothing with it."""

import ast
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plants import carbon, fixed, receiver
from plants.catalogue import PLANTS
from plants.filters import Shape
from plants.fixed import TALK_AMPLITUDE
from plants.tables import load_parameters, load_shape
from plants_bench import (
    band_power_dbfs,
    find_tones,
    level_dbfs,
    make_played,
    play_tone,
    without_noise,
)

FOLDER = Path(__file__).parent / "plants"
RATE_HZ = 48000
ALLOWED = {
    "numpy", "scipy", "plants",
    "__future__", "csv", "dataclasses", "functools", "pathlib", "typing",
}  # fmt: skip


def imported_by(path: Any) -> Iterator[Any]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.module
        elif isinstance(node, ast.Call) and ast.unparse(node.func).endswith("import_module"):
            yield "voicecheck"


def test_the_package_knows_nothing_of_the_program() -> None:
    found = {name.split(".")[0] for path in FOLDER.glob("*.py") for name in imported_by(path)}
    assert found <= ALLOWED
    assert len(list(FOLDER.glob("*.py"))) > 10


@pytest.mark.parametrize("name", sorted(PLANTS))
@pytest.mark.parametrize("frequency_hz", [307.0, 1000.0, 2417.0])
def test_response_and_harmonics_by_stepped_sines(name: Any, frequency_hz: float) -> None:
    """
    A steady tone, least squares on its orders: 0.002 dB, harmonics to 1 % above -75 dB.

    The 1 % is the place of the strokes in the touching receiver, 0.1 % elsewhere.
    """
    plant, amplitude = without_noise(PLANTS[name]), TALK_AMPLITUDE
    recorded = play_tone(plant, frequency_hz, amplitude)[6000:18000]
    lines, _ = find_tones(recorded, RATE_HZ, frequency_hz * np.arange(1, 6))
    found_db = 20 * np.log10(lines[0] / amplitude)
    assert found_db == pytest.approx(plant.response_db(frequency_hz, amplitude), abs=0.002)
    for order in (2, 3, 4, 5):
        stated = plant.harmonic_ratio(order, frequency_hz, amplitude)
        assert lines[order - 1] / lines[0] == pytest.approx(stated, rel=0.01, abs=2e-6)


@pytest.mark.parametrize("name", ["electret", "receiver", "moving-coil"])
def test_nothing_sounds_before_it_is_struck(name: str) -> None:
    """A pulse: what comes 10 ms to 1 s before it is 95 dB below it, all together."""
    pulse = np.zeros(3 * RATE_HZ)
    pulse[2 * RATE_HZ] = 1e-3
    heard = without_noise(PLANTS[name]).play(pulse, RATE_HZ, np.random.default_rng(1)) ** 2
    before = heard[RATE_HZ : 2 * RATE_HZ - 480].sum()
    assert 10 * np.log10(before / heard.sum()) < -95


@pytest.mark.parametrize("amplitude", [0.02, 0.1, 0.25, 0.5])
def test_carbon_is_curved_at_every_level(amplitude: float) -> None:
    plant = without_noise(PLANTS["carbon"])
    recorded = play_tone(plant, 1000.0, amplitude)[6000:18000]
    lines, _ = find_tones(recorded, RATE_HZ, 1000.0 * np.arange(1, 6))
    stated = plant.step_output_db(1000.0, [amplitude])
    assert 20 * np.log10(lines[0]) == pytest.approx(stated[0], abs=0.002)


def test_carbon_obeys_the_resistance_law() -> None:
    """The series of 1 / (1 - m sin): each order is the one before times (1 - sqrt(1 - m^2)) / m."""
    plant = replace(
        without_noise(PLANTS["carbon"]),
        hysteresis=0.0, threshold_loss_db=0.0, compression_db=0.0, modulation=0.2,
    )  # fmt: skip
    lines = np.abs(plant.lines(TALK_AMPLITUDE))
    step = (1 - np.sqrt(1 - 0.2**2)) / 0.2
    assert lines[2:] / lines[1:-1] == pytest.approx(np.full(4, step), rel=1e-9)
    assert lines[1] == pytest.approx(2 * step / np.sqrt(1 - 0.04) / 0.2 * TALK_AMPLITUDE, rel=1e-9)


def test_carbon_loop_is_rayleighs() -> None:
    """H3 of the loop is 4 h / (15 pi), the loss angle 4 h / (3 pi) / (1 + h), for a small law."""
    h = 0.1
    plant = replace(
        without_noise(PLANTS["carbon"]),
        hysteresis=h, threshold_loss_db=0.0, compression_db=0.0, modulation=1e-6,
    )  # fmt: skip
    lines = plant.lines(TALK_AMPLITUDE)
    assert abs(lines[3]) / TALK_AMPLITUDE == pytest.approx(4 * h / (15 * np.pi), rel=1e-3)
    lag = -np.angle(lines[1])
    assert np.tan(lag) == pytest.approx(4 * h / (3 * np.pi) / (1 + h), rel=1e-3)


def test_carbon_level_law_is_the_tables() -> None:
    law = PLANTS["carbon"].level_law_db
    low, loud = TALK_AMPLITUDE * 10 ** (-19 / 20), TALK_AMPLITUDE * 10 ** (10 / 20)
    rows = load_parameters()
    plain = replace(PLANTS["carbon"], compression_db=0.0)
    assert plain.level_law_db(low) == pytest.approx(-rows["carbon", "threshold_loss_db"][1])
    plain = replace(PLANTS["carbon"], threshold_loss_db=0.0)
    assert plain.level_law_db(loud) == pytest.approx(-rows["carbon", "compression_db"][1])
    assert law(TALK_AMPLITUDE) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("name", ["carbon-settling", "carbon-packing", "carbon"])
def test_memory_within_a_take_is_what_the_take_says(name: str) -> None:
    """The pass of each sweep through 1 kHz, by its own strength over +/- 12 ms: 0.03 dB."""
    plant, played = replace(PLANTS[name], breathing_db=-200.0, jumps_per_s=0.0), make_played(3, 3.0)
    take = plant.take(played, np.random.default_rng(7))
    at_s = played.sweep_instants_s(np.array([1000.0]))[:, 0]
    levels = []
    for instant_s in at_s:
        first = round((instant_s - 0.012) * RATE_HZ)
        levels.append(level_dbfs(take.samples[first : first + 1152]))
    start, _, end = take.response_range_db(np.array([1000.0]))[:, 0]
    assert levels[-1] - levels[0] == pytest.approx(end - start, abs=0.03)
    assert (end - start < -0.4) == (name != "carbon")


def test_packing_is_0_4_db_a_sweep() -> None:
    """Between like places of two 3 s sweeps the element packs by `packing_db_per_sweep` (PROP)."""
    plant = replace(PLANTS["carbon-packing"], memory_db=(0.0, 0.0, 0.0))
    take = plant.take(make_played(3, 3.0), np.random.default_rng(3))
    start, _, end = take.response_range_db(np.array([1000.0]))[:, 0]
    assert end - start == pytest.approx(-0.8, abs=0.05)


def test_relaxation_follows_its_time() -> None:
    """A loud second takes off 1 - exp(-t / tau) of the depth; silence gives it back likewise."""
    plant = replace(PLANTS["carbon"], memory_db=(0.0, 1.0, 0.0))
    envelope = np.r_[np.full(2000, TALK_AMPLITUDE), np.zeros(2000)]
    gain_db = plant.remember(envelope, np.random.default_rng(1))
    assert gain_db[1999] == pytest.approx(-(1 - np.exp(-1.0)), abs=1e-3)
    assert gain_db[3999] == pytest.approx(-(1 - np.exp(-1.0)) * np.exp(-1.0), abs=1e-3)


def test_carbon_breathes_with_the_sound() -> None:
    """What a tone leaves when it is taken out is as much weaker as the tone: 20 dB in 1 dB."""
    plant = replace(
        PLANTS["carbon"], breathing_db=-40.0, noise=replace(fixed.White(), level_dbfs=-300.0)
    )
    left = []
    for amplitude in (0.25, 0.025):
        recorded = play_tone(plant, 1000.0, amplitude, 2.0)[24000:72000]
        _, rest = find_tones(recorded, RATE_HZ, 1000.0 * np.arange(1, 12))
        left.append(band_power_dbfs(rest, RATE_HZ, 1150.0, 1850.0))
    assert left[0] - left[1] == pytest.approx(20.0, abs=1.0)


@pytest.mark.parametrize("name", sorted(set(PLANTS) - {"hum-coil", "carbon-frying"}))
def test_idle_noise_by_welch(name: Any) -> None:
    """4 s of nothing: 200 to 4000 Hz within 0.4 dB, four standard deviations of 1/f noise."""
    idle = PLANTS[name].play(np.zeros(4 * RATE_HZ), RATE_HZ, np.random.default_rng(5))
    found = band_power_dbfs(idle, RATE_HZ, 200.0, 4000.0)
    assert found == pytest.approx(PLANTS[name].noise_dbfs(), abs=0.4)


def test_coil_hears_the_mains_and_one_over_f() -> None:
    plant = PLANTS["hum-coil"]
    idle = plant.play(np.zeros(4 * RATE_HZ), RATE_HZ, np.random.default_rng(5))
    orders = np.array(sorted(plant.line_dbfs))
    lines, rest = find_tones(idle, RATE_HZ, plant.mains_hz * orders)
    stated = [plant.line_dbfs[order] for order in orders]
    assert 20 * np.log10(lines) == pytest.approx(np.array(stated), abs=0.5)
    fall = band_power_dbfs(rest, RATE_HZ, 1000, 2000) - band_power_dbfs(rest, RATE_HZ, 250, 500)
    # Equal power in every octave is what 1/f means; the white floor adds a little above.
    assert fall == pytest.approx(0.0, abs=0.7)


def test_frying_crackles() -> None:
    """Kurtosis of the idle sound is far from a Gaussian's 3 (sd of 3 in 4 s: 0.01)."""
    idle = PLANTS["carbon-frying"].play(np.zeros(4 * RATE_HZ), RATE_HZ, np.random.default_rng(2))
    assert np.mean(idle**4) / np.mean(idle**2) ** 2 > 10


def test_idle_noise_of_frying_holds_its_crackle() -> None:
    """60 s of 60 bursts a second: chance leaves 0.12 dB of the mean (2.7 / 3600 squared)."""
    plant = replace(PLANTS["carbon-frying"], frying_per_s=60.0)
    idle = plant.disturb(60 * RATE_HZ, RATE_HZ, np.random.default_rng(6))
    found = band_power_dbfs(idle, RATE_HZ, 200.0, 4000.0)
    assert found == pytest.approx(plant.noise_dbfs(), abs=0.4)
    assert found > replace(plant, frying_per_s=0.0).noise_dbfs() + 6.0


def test_network_is_as_sharp_as_it_says() -> None:
    """Half power of the resonant part lies f0 / (2 Q) either side: 1350 Hz, Q 40."""
    plant = without_noise(PLANTS["network"])
    click = np.zeros(2 * RATE_HZ)
    click[RATE_HZ] = 1.0
    answer = np.abs(np.fft.rfft(plant.play(click, RATE_HZ, np.random.default_rng(1))))
    at_hz = np.fft.rfftfreq(2 * RATE_HZ, 1 / RATE_HZ)
    near = (at_hz > 1200) & (at_hz < 1500)
    assert at_hz[near][np.argmax(answer[near])] == pytest.approx(1350.0, abs=0.5)
    f0, q, g = 1350.0, 40.0, plant.before.height
    peak, flank = answer[at_hz == f0][0], np.interp(f0 * (1 + 1 / (2 * q)), at_hz, answer)
    # |1 + g / (1 + j)| over 1 + g, at a detuning of half the width.
    assert flank / peak == pytest.approx(abs(1 + g / (1 + 1j)) / (1 + g), rel=0.01)


def test_receiver_squares_its_flux() -> None:
    """H2 before the sound's response is k A / 2, as stated in the table for the sweep's level."""
    lines = np.abs(PLANTS["receiver"].lines(TALK_AMPLITUDE))
    stated = load_parameters()["receiver", "h2_db"][1]
    assert 20 * np.log10(lines[2] / lines[1]) == pytest.approx(stated, abs=1e-6)


def test_diaphragm_strikes_only_above_the_gap() -> None:
    """Blows, not a soft knee: below the gap nothing, just above it the fifth order leaps."""
    plant = without_noise(receiver.TOUCHING)
    reach = abs(plant.displacement(np.array([900.0])))[0]
    quiet, loud = 0.98 * plant.gap / reach, 1.05 * plant.gap / reach
    free = replace(plant, gap=np.inf)
    assert plant.harmonic_ratio(5, 900.0, quiet) == free.harmonic_ratio(5, 900.0, quiet)
    recorded = play_tone(plant, 900.0, loud)[6000:18000]
    lines, _ = find_tones(recorded, RATE_HZ, 900.0 * np.arange(1, 6))
    assert lines[4] / lines[0] > 100 * free.harmonic_ratio(5, 900.0, loud) + 1e-4
    assert lines[4] / lines[0] == pytest.approx(plant.harmonic_ratio(5, 900.0, loud), rel=0.02)


@pytest.mark.parametrize("curve_id", [
    "carbon_later_element", "carbon_early_element", "electret_replacement",
    "movingcoil_replacement", "recv_ring_armature", "recv_bipolar_damped", "recv_bipolar_early",
])  # fmt: skip
def test_shapes_pass_through_the_tables_points(curve_id: str) -> None:
    points_hz, points_db = load_shape(curve_id)
    shape = Shape.from_table((points_hz, points_db))
    assert shape.level_db(points_hz) == pytest.approx(points_db, abs=1e-9)
    assert np.abs(20 * np.log10(np.abs(shape(points_hz))) - points_db).max() < 1e-9


def test_ring_armature_is_flat_where_a_manual_says_so() -> None:
    """S17 (PUB): virtually flat from 400 to 3500 c/s; within 1.5 dB here."""
    f = np.geomspace(400, 3500, 50)
    level_db = PLANTS["receiver-ring-armature"].response_db(f, 0.01)
    assert np.ptp(level_db) < 2 * 1.5


def test_phase_is_the_least() -> None:
    """A minimum-phase shape answers a click at once: 99 % of it in the next 4 ms."""
    plant = without_noise(PLANTS["moving-coil"])
    click = np.zeros(RATE_HZ)
    click[RATE_HZ // 2] = 1e-3
    answer = plant.play(click, RATE_HZ, np.random.default_rng(1))
    energy = np.cumsum(answer**2) / np.sum(answer**2)
    assert energy[RATE_HZ // 2 - 24] < 1e-3
    assert energy[RATE_HZ // 2 + 192] > 0.99


def test_a_take_is_the_same_again_for_the_same_seed() -> None:
    played = make_played()
    for name in ("carbon-settling", "hum-coil"):
        one, two, three = (
            PLANTS[name].take(played, np.random.default_rng(seed)).samples for seed in (1, 1, 2)
        )
        assert np.array_equal(one, two)
        assert not np.array_equal(one, three)


def test_catalogue_holds_what_it_should() -> None:
    kinds = {type(plant) for plant in PLANTS.values()}
    assert kinds >= {
        fixed.Electret, fixed.MovingCoil, fixed.Wire, fixed.Network, fixed.HumCoil,
        carbon.Carbon, receiver.MagneticReceiver,
    }  # fmt: skip
