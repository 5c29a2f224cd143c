import dataclasses
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from voicecheck.errors import BenchError, InputError, VoicecheckError
from voicecheck.programme import (
    RATES_HZ,
    compute_sweep_constant_s,
    make_programme,
    make_sweep,
)
from voicecheck.records import Recipe, from_json, to_document


def test_default_programme_is_that_of_the_design() -> None:
    """Marks with an identity, three silences, three sweeps, level steps, four tones, about 18 s."""
    programme = make_programme()
    assert [programme.name_block(block) for block in programme.blocks] == [
        "identity 1", "mark 1", "silence 1", "sweep 1", "sweep 2", "sweep 3", "silence 2", "steps",
        "four-tone", "silence 3", "identity 2", "mark 2",
    ]  # fmt: skip
    assert programme.duration_s == pytest.approx(18.0, abs=0.5)
    idle_s = sum(block.end_s - block.start_s for block in programme.blocks_of("silence"))
    assert idle_s == pytest.approx(3.0)
    sweep = programme.blocks_of("sweep")[0]
    assert (sweep.from_hz, sweep.to_hz) == (100.0, 8000.0)


def test_a_recipe_of_before_the_later_silences_makes_the_programme_it_made() -> None:
    """A recipe that was written without a field is read as the programmes of its time were."""
    document = to_document(Recipe())
    old = {name: value for name, value in document.items() if not name.startswith("silence_")}
    programme = make_programme(from_json(msgspec.json.encode({**old, "silence_s": 1.0}), Recipe))
    assert [block.kind for block in programme.blocks] == [
        "mark", "silence", "sweep", "sweep", "sweep", "steps", "four-tone", "mark",
    ]  # fmt: skip
    assert programme.duration_s == pytest.approx(16.0, abs=0.5)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_blocks_have_the_stated_peak_and_fade(rate_hz: Any) -> None:
    """Every block reaches its stated peak within 0.1 dB, and starts and ends near 0."""
    programme = make_programme(Recipe(rate_hz=rate_hz))
    for block in programme.blocks:
        first, last = (round(t * rate_hz) for t in (block.start_s, block.end_s))
        samples = programme.samples[first:last]
        assert np.max(np.abs(samples)) <= block.peak * 1.0001
        if block.kind in ("sweep", "steps", "mark"):
            assert np.max(np.abs(samples)) == pytest.approx(block.peak, rel=0.012)
        if block.peak:
            assert np.max(np.abs(samples[:3])) < 0.01 * block.peak
            assert np.max(np.abs(samples[-3:])) < 0.01 * block.peak
    assert not programme.samples[: round(0.4 * rate_hz)].any()
    assert not programme.samples[-round(0.3 * rate_hz) :].any()


def test_harmonics_of_the_sweep_are_the_same_sweep_earlier() -> None:
    """
    Phase synchronism: sin(m phi(t)) = sin(phi(t + L ln m)).

    Source: Novak, Lotton, Simon, J. Audio Eng. Soc. 63(10), 2015, eq. for f1 L a whole number.
    """
    recipe = Recipe()
    constant_s = compute_sweep_constant_s(recipe)
    assert recipe.sweep_from_hz * constant_s == pytest.approx(
        round(recipe.sweep_from_hz * constant_s), abs=1e-12
    )
    # Away from the fades the sweep has unit shape.
    time_s = np.linspace(0.6, 1.2, 7001)
    amplitude = 10 ** (recipe.level_dbfs / 20)
    phase = 2 * np.pi * recipe.sweep_from_hz * constant_s * np.exp(time_s / constant_s)
    later = make_sweep(recipe, time_s + constant_s * np.log(2)) / amplitude
    assert np.allclose(np.sin(2 * phase), later, atol=1e-9)


def test_four_tones_have_the_power_of_the_nominal_sine() -> None:
    programme = make_programme()
    block = programme.blocks_of("four-tone")[0]
    first, last = (round(t * 48000) for t in (block.start_s + 0.05, block.end_s - 0.05))
    power = np.mean(programme.samples[first:last] ** 2)
    assert 10 * np.log10(2 * power) == pytest.approx(-12.0, abs=0.1)


recipes = st.builds(
    Recipe,
    rate_hz=st.sampled_from(RATES_HZ),
    level_dbfs=st.floats(-60, 20),
    cap_dbfs=st.floats(-40, 5),
    n_sweeps=st.integers(0, 3),
    sweep_s=st.floats(0.2, 2.0),
    step_levels_db=st.lists(st.floats(-40, 20), max_size=4).map(tuple),
    tones_hz=st.sampled_from([(), (1000.0,), (857.0, 863.0, 1372.0, 1388.0)]),
    silence_s=st.sampled_from([0.0, 0.5]),
)


@settings(max_examples=60, deadline=None)
@given(recipe=recipes)
def test_no_recipe_makes_a_sample_above_its_cap(recipe: Any) -> None:
    """Whatever the recipe, it is refused or every sample is at or below the cap."""
    try:
        programme = make_programme(recipe)
    except VoicecheckError:
        return
    assert np.max(np.abs(programme.samples)) <= 10 ** (recipe.cap_dbfs / 20) * (1 + 1e-9)
    assert recipe.cap_dbfs < 0


def test_too_loud_is_a_bench_error_that_says_by_how_much() -> None:
    with pytest.raises(BenchError, match=r"lower the level by 9\.0 dB"):
        make_programme(Recipe(level_dbfs=0.0))


@pytest.mark.parametrize(
    "change", [{"rate_hz": 8000}, {"n_sweeps": 0}, {"sweep_s": 0.01}, {"sweep_to_hz": 30000.0}]
)
def test_values_out_of_range_are_refused(change: Any) -> None:
    with pytest.raises(InputError, match="need"):
        make_programme(dataclasses.replace(Recipe(), **change))
