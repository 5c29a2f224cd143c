# mypy: disable-error-code="union-attr"
"""Populations spread as they say, differ from each other, and sound as their figures."""

import ast
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plants.drawn import POINTS_HZ
from plants.fixed import TALK_AMPLITUDE
from plants.pop_lumped import NOMINAL, LumpedPopulation
from plants.pop_parametric import ParametricPopulation
from plants.pop_process import ProcessPopulation
from plants_bench import band_power_dbfs, find_tones, play_tone, without_noise

POPULATIONS = [ParametricPopulation(), LumpedPopulation(), ProcessPopulation()]
RATE_HZ, DRAWS = 48000, 400
by_name = pytest.mark.parametrize("population", POPULATIONS, ids=lambda one: one.name)


@cache
def draw_curves(population: Any) -> Any:
    rng = np.random.default_rng(20)
    return np.array([population.draw(rng).curve_db() for _ in range(DRAWS)])


def test_points_are_twelfths_of_an_octave() -> None:
    """IEC 61260-1, base ten, even number to the octave: 1000 G^((2k + 1) / 24), G = 10^0.3."""
    assert len(POINTS_HZ) == 52
    k = np.log10(POINTS_HZ / 1000) / 0.3 * 12
    assert np.abs(k - np.floor(k) - 0.5).max() < 1e-9
    assert POINTS_HZ[0] > 200
    assert POINTS_HZ[-1] < 4000


def test_recipes_share_nothing_with_each_other() -> None:
    folder = Path(__file__).parent / "plants"
    for path in folder.glob("pop_*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        modules = [n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)]
        assert not [name for name in modules if name.startswith("plants.pop_")]


@by_name
def test_curves_spread_by_a_decibel_or_two(population: Any) -> None:
    """Between 1 and 3 dB is said of good stock (MEM); C has its second make."""
    sd = draw_curves(population).std(axis=0)
    assert np.all(sd > 0.5)
    assert np.all(sd < 3.0)


def test_parametric_level_has_its_sd_and_half_goes_with_it() -> None:
    rng = np.random.default_rng(4)
    made = [ParametricPopulation(sd_db=2.0).draw(rng).made_of for _ in range(2000)]
    level, h2, noise = (np.array([m[k] for m in made]) for k in ("level_db", "h2_db", "noise_dbfs"))
    # Standard error of an sd from 2000 draws: 1.6 %.
    assert level.std() == pytest.approx(2.0, rel=0.06)
    assert h2.std() == pytest.approx(3.0, rel=0.06)
    for other in (h2, noise):
        assert np.corrcoef(level, other)[0, 1] ** 2 == pytest.approx(0.5, abs=0.06)
    assert np.corrcoef(h2, noise)[0, 1] == pytest.approx(0.5, abs=0.08)


def test_lumped_circuit_has_its_resonances() -> None:
    """Without damping and with heavy holes gone the diaphragm peaks where sqrt(k / m) puts it."""
    drawn = LumpedPopulation(spread=0.0).draw(np.random.default_rng(1))
    assert drawn.made_of == NOMINAL
    diaphragm = drawn.plant.before
    assert abs(diaphragm(np.array([5.0])))[0] == pytest.approx(1.0, abs=1e-3)
    lone = type(diaphragm)(1.0, 2100.0, 50.0, 1e-6, 90000.0, 1.0)
    f = np.linspace(1500, 2700, 2401)
    assert f[np.argmax(np.abs(lone(f)))] == pytest.approx(2100.0, abs=2.0)


def test_lumped_distance_is_one_over_r() -> None:
    """2 mm at 25 mm are 0.7 dB (fault table F29, CALC): 20 log10(27 / 25) = 0.67."""
    population = LumpedPopulation(spread=0.0)
    near = population.draw(np.random.default_rng(1))
    far = population._set({**near.made_of, "distance_mm": 27.0})
    fall = near.figures()["curve_db"] - far.figures()["curve_db"]
    # The curved element gives a little more back than a straight one.
    assert fall == pytest.approx(np.full(52, 20 * np.log10(27 / 25)), abs=0.08)


def test_process_is_heavy_tailed_and_of_two_makes() -> None:
    plain = ProcessPopulation(other_make=0.0, heavy=False)
    heavy = ProcessPopulation(other_make=0.0)
    both = ProcessPopulation(other_make=0.3)
    assert draw_curves(plain).std(axis=0) == pytest.approx(np.ones(52), abs=0.15)
    rng = np.random.default_rng(6)
    levels = np.array([heavy._level(rng) for _ in range(20000)])
    assert levels.std() == pytest.approx(1.0, abs=0.06)
    # Beyond 4 sd: a normal population has 6 in 100 000, Student's t of 4 about 4 in 1000.
    assert np.mean(np.abs(levels) > 4) > 1e-3
    drawn = [both.draw(rng) for _ in range(300)]
    other = np.array([one.made_of["other_make"] for one in drawn])
    level = np.array([one.plant.response_db(1000.0, TALK_AMPLITUDE) for one in drawn])
    assert other.mean() == pytest.approx(0.3, abs=0.08)
    assert level[other].mean() - level[~other].mean() == pytest.approx(-3.0, abs=0.5)


@by_name
def test_curves_of_different_recipes_move_differently(population: Any) -> None:
    """Share of the variance that one common level explains: 20 to 97 %, never all."""
    away = draw_curves(population)
    away = away - away.mean(axis=0)
    share = np.var(away.mean(axis=1)) / np.mean(np.var(away, axis=0))
    assert 0.2 < share < 0.97


@by_name
def test_seats_scatter_less_than_sets(population: Any) -> None:
    rng = np.random.default_rng(8)
    drawn = population.draw(rng)
    seats = np.array([population.seat(drawn, rng).curve_db() for _ in range(60)])
    sd = np.sqrt(np.mean(np.var(seats, axis=0)))
    assert 0.1 < sd < 0.8
    assert sd < np.sqrt(np.mean(np.var(draw_curves(population), axis=0)))


@by_name
def test_a_drawn_set_sounds_as_its_figures(population: Any) -> None:
    """Tones at three points, least squares: curve to 0.002 dB, THD to 1 % of itself; idle noise."""
    drawn = population.draw(np.random.default_rng(9))
    figures, plant = drawn.figures(), without_noise(drawn.plant)
    for point in (6, 28, 45):
        f = POINTS_HZ[point]
        lines, _ = find_tones(
            play_tone(plant, f, TALK_AMPLITUDE)[6000:18000], RATE_HZ, f * np.arange(1, 6)
        )
        found_db = 20 * np.log10(lines[0] / TALK_AMPLITUDE)
        assert found_db == pytest.approx(figures["curve_db"][point], abs=0.002)
        thd = 100 * np.sqrt(np.sum(lines[1:] ** 2)) / lines[0]
        assert thd == pytest.approx(figures["thd_percent"][point], rel=0.01)
    idle = drawn.plant.play(np.zeros(4 * RATE_HZ), RATE_HZ, np.random.default_rng(2))
    found = band_power_dbfs(idle, RATE_HZ, 200.0, 4000.0)
    assert found == pytest.approx(figures["noise_dbfs"], abs=0.4)


@by_name
def test_a_fault_of_known_size(population: Any) -> None:
    drawn = population.draw(np.random.default_rng(3))
    weak, was = drawn.shifted(level_db=-5.0, noise_db=8.0).figures(), drawn.figures()
    assert weak["curve_db"] - was["curve_db"] == pytest.approx(np.full(52, -5.0), abs=1e-9)
    assert weak["mid_db"] - was["mid_db"] == pytest.approx(-5.0, abs=1e-9)
    assert weak["noise_dbfs"] - was["noise_dbfs"] == pytest.approx(8.0, abs=1e-9)
    assert weak["thd_percent"] == pytest.approx(was["thd_percent"])


@by_name
def test_figures_are_those_of_a_telephone(population: Any) -> None:
    """THD at 1 kHz 0.1 to 15 % (5 to 15 % is said of carbon, MEM); compression and bands finite."""
    rng = np.random.default_rng(12)
    for _ in range(20):
        figures = population.draw(rng).figures()
        assert 0.1 < figures["thd_percent"][27] < 15
        assert -1.0 < figures["compression_db"] < 4
        assert all(np.all(np.isfinite(value)) for value in figures.values())


@by_name
def test_the_spread_is_the_readmes(population: Any) -> None:
    text = (Path(__file__).parent / "plants" / "README.md").read_text(encoding="utf-8")
    row = next(line for line in text.splitlines() if line.startswith(f"| {population.name} "))
    sd = draw_curves(population).std(axis=0)
    assert f"| {sd.min():.1f} to {sd.max():.1f} dB |" in row
