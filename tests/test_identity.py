"""Which programme it was, told by the bursts before the marks."""

import dataclasses
from typing import Any

import numpy as np
import pytest
from plants.catalogue import PLANTS
from plants.tools import read_at

from voicecheck.programme import (
    RECIPES,
    decode_identity,
    find_recipe,
    guess_recipe,
    has_identity,
    identify,
    make_programme,
    read_burst,
)
from voicecheck.records import Programme, Recipe
from voicecheck.records.arrays import Array

SEEDS = range(8)
SPECIAL = Recipe(identity_s=0.3, n_sweeps=2, sweep_s=1.7, silence_s=0.8, level_dbfs=-17.5)


def read(samples: Array, programme: Programme, rate_hz: int = 48000, stretch: float = 1.0) -> Array:
    """Mean contrast of both bursts."""
    places = [(one.start_s, one.end_s - one.start_s) for one in programme.blocks_of("identity")]
    contrasts = np.array(
        [read_burst(samples, rate_hz, at * stretch, long * stretch) for at, long in places]
    )
    return np.asarray(np.mean(contrasts, axis=0))


def voice_band(samples: Array, rate_hz: int = 48000) -> Array:
    spectrum = np.fft.rfft(samples)
    frequency_hz = np.fft.rfftfreq(len(samples), 1 / rate_hz)
    spectrum[(frequency_hz < 300) | (frequency_hz > 3400)] = 0
    return np.asarray(np.fft.irfft(spectrum, len(samples)))


@pytest.mark.parametrize("plant", ["carbon", "carbon-early", "electret", "receiver-early"])
def test_identity_is_read_10_db_over_the_noise_of_a_telephone_band(plant: str) -> None:
    """
    A programme that nobody knows of is read in nearly every take, one that is known in every.

    Noise is 10 dB under the sweeps in 300-3400 Hz, clocks differ by up to 1000 ppm, and the take
    is at any level; "early" elements have a resonance that holds most of the sweeps' power.
    """
    programme = make_programme(SPECIAL)
    truth = identify(SPECIAL)
    blind = known = 0
    for seed in SEEDS:
        rng = np.random.default_rng([seed, 31])
        played = voice_band(PLANTS[plant].play(programme.samples, 48000, rng))
        sweep = programme.blocks_of("sweep")[0]
        power = np.mean(played[round(sweep.start_s * 48000) : round(sweep.end_s * 48000)] ** 2)
        noise = voice_band(rng.standard_normal(len(played)))
        take = played + noise * np.sqrt(0.1 * power / np.mean(noise**2))
        take *= 10 ** rng.uniform(-3, 0)
        ppm = rng.uniform(-1000, 1000)
        take = read_at(take, np.arange(len(take)) / (1 + ppm * 1e-6))
        contrast = read(take, programme, stretch=1 + ppm * 1e-6)
        blind += decode_identity(contrast) == truth
        known += decode_identity(contrast, [SPECIAL]) == truth
    least = len(SEEDS) if plant in ("carbon", "electret") else len(SEEDS) // 4
    assert known >= len(SEEDS) - 1
    assert blind >= least


def test_noise_tells_no_identity() -> None:
    """Of 400 stretches of noise in place of both bursts none is read as a programme."""
    rng = np.random.default_rng(5)
    for _ in range(400):
        contrast = np.mean(
            [read_burst(rng.standard_normal(14400), 48000, 0.0, 0.3) for _ in range(2)], axis=0
        )
        assert decode_identity(contrast) is None
        assert not has_identity(contrast, RECIPES["default"])


@pytest.mark.parametrize("name", sorted(RECIPES))
@pytest.mark.parametrize("changes", [
    {}, {"level_dbfs": -18.0}, {"rate_hz": 96000}, {"n_sweeps": 5}, {"sweep_s": 2.5},
    {"level_dbfs": -20.37, "sweep_s": 1.9},
])  # fmt: skip
def test_programmes_on_offer_are_rebuilt_from_their_identity(
    name: str, changes: dict[str, Any]
) -> None:
    """What `signal` offers as an option needs no file to be known again."""
    recipe = dataclasses.replace(RECIPES[name], **changes)
    rebuilt = find_recipe(identify(recipe))
    assert rebuilt is not None
    assert dataclasses.replace(rebuilt, cap_dbfs=recipe.cap_dbfs) == recipe


def test_other_programmes_are_found_among_those_that_are_known() -> None:
    """A recipe with values of its own cannot be rebuilt, and none is made up in its place."""
    assert find_recipe(identify(SPECIAL)) is None
    assert find_recipe(identify(SPECIAL), [RECIPES["quick"], SPECIAL]) == SPECIAL


def test_a_level_between_hundredths_is_known_to_the_identitys_step() -> None:
    odd = dataclasses.replace(RECIPES["default"], level_dbfs=-20.3712, n_sweeps=4)
    assert find_recipe(identify(odd)) is None
    guessed = guess_recipe(identify(odd))
    assert guessed is not None
    assert abs(guessed[0].level_dbfs - odd.level_dbfs) <= guessed[1] == 0.125
    assert guessed[0].n_sweeps == 4
    assert guess_recipe(identify(SPECIAL)) is None


def test_identities_differ_where_the_sound_does() -> None:
    """The cap shapes no sound; everything else does."""
    recipe = RECIPES["default"]
    assert identify(dataclasses.replace(recipe, cap_dbfs=-1.0)) == identify(recipe)
    changed = [
        dataclasses.replace(recipe, **{one: change}) for one, change in dict[str, Any]({
            "level_dbfs": -12.1, "silence_s": 1.1, "step_s": 0.2, "tones_hz": (900.0, 1000.0),
            "sweep_to_hz": 7000.0, "gap_s": 0.12,
        }).items()
    ]  # fmt: skip
    assert len({identify(one) for one in [recipe, *changed]}) == 7


def test_burst_keeps_to_the_level_and_is_there_only_where_the_recipe_says() -> None:
    """Its peak is the nominal level's; the first programmes had none and have none."""
    programme = make_programme()
    for block in programme.blocks_of("identity"):
        first, last = (round(edge * 48000) for edge in (block.start_s, block.end_s))
        peak = np.max(np.abs(programme.samples[first:last]))
        assert 0.97 * block.peak < peak <= block.peak
    assert make_programme(Recipe()).blocks_of("identity") == ()
