# mypy: disable-error-code="no-any-return"
"""
Sets and takes of the table of spoiled recordings, and what is true of each.

Every number is drawn here, anew for each seed: the shape and the law of the set, how much is
spoiled (between the severities of `plants/spoiling.py`), when, and with which sound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.random import Generator
from plants import carbon, fixed, receiver
from plants.filters import Shape, make_noise
from plants.plant import Plant, Sloping, Take, White
from plants.played import Played
from plants.spoiling import heard_range_db, record_spoiled
from plants.tables import load_shape
from plants_bench import find_tones, without_noise

from voicecheck.programme import DEFAULT_RECIPE, make_programme
from voicecheck.records import Programme, Recipe
from voicecheck.records.arrays import Array

SETS = ("carbon", "electret", "receiver")
STEP_HZ = 1000.0
GRADES = {"light": (0.1, 0.4), "medium": (0.8, 1.2), "heavy": (1.6, 1.9)}
"""Where between the plants' severities the sizes are drawn: none is one of theirs."""


@lru_cache(maxsize=8)
def make_programme_of(recipe: Recipe) -> Programme:
    return make_programme(recipe)


@lru_cache(maxsize=8)
def make_played(recipe: Recipe) -> Played:
    """What is played, and one second more of recording after it."""
    programme = make_programme_of(recipe)
    names = ("kind", "start_s", "end_s", "peak", "from_hz", "to_hz")
    blocks = [{name: getattr(block, name) for name in names} for block in programme.blocks]
    samples = np.concatenate([programme.samples, np.zeros(programme.rate_hz)])
    return Played.from_document(samples, {"rate_hz": programme.rate_hz, "blocks": blocks})


def draw_shape(name: str, rng: Generator, gain_db: float = 0.0) -> Shape:
    """A tabulated shape, its points moved by 0.7 dB each."""
    at_hz, level_db = load_shape(name)
    moved_db = level_db + 0.7 * rng.standard_normal(len(level_db))
    return Shape.from_table((at_hz, moved_db), gain_db)


def draw_set(name: str, rng: Generator) -> Plant:
    """One set of a kind: its own shape, law, memory and noise."""
    if name == "electret":
        return replace(
            fixed.Electret(),
            before=draw_shape("electret_replacement", rng, rng.uniform(-9.0, -4.0)),
            noise=White(rng.uniform(-84.0, -70.0)),
            thd_percent_at_talk=rng.uniform(0.2, 2.0),
        )
    if name == "receiver":
        return replace(
            receiver.MagneticReceiver(),
            after=draw_shape("recv_bipolar_damped", rng, rng.uniform(-12.0, -5.0)),
            noise=White(rng.uniform(-88.0, -76.0)),
            h2_db=rng.uniform(-55.0, -38.0),
        )
    return replace(
        carbon.Carbon(),
        before=draw_shape("carbon_later_element", rng),
        noise=Sloping(rng.uniform(-74.0, -64.0), rng.uniform(-12.0, -8.0), White(-90.0)),
        modulation=rng.uniform(0.09, 0.2),
        hysteresis=rng.uniform(0.02, 0.09),
        threshold_loss_db=rng.uniform(2.0, 6.0),
        compression_db=rng.uniform(1.0, 3.0),
        memory_db=tuple(rng.uniform(0.05, 0.3, 3)),
        breathing_db=rng.uniform(-56.0, -44.0),
    )


@dataclass(frozen=True)
class Spoiled:
    """A recording, the take it was made from, and what was done to it (`None`: nothing)."""

    samples: Array
    rate_hz: int
    take: Take
    done: Any = None

    @property
    def kind(self) -> str:
        """Of spoiling; nothing where nothing was done."""
        return self.done.kind if self.done else ""


@dataclass(frozen=True)
class Bench:
    """One set on one day: the same seed gives the same clean take to every kind of spoiling."""

    name: str
    seed: int
    recipe: Recipe = DEFAULT_RECIPE
    changes: tuple[tuple[str, Any], ...] = ()

    @cached_property
    def plant(self) -> Plant:
        rng = np.random.default_rng([self.seed, SETS.index(self.name)])
        return replace(draw_set(self.name, rng), **dict(self.changes))

    @cached_property
    def take(self) -> Take:
        return self.play(self.recipe)

    def play(self, recipe: Recipe) -> Take:
        rng = np.random.default_rng([self.seed, SETS.index(self.name), 1])
        return self.plant.take(make_played(recipe), rng)

    @cached_property
    def truth(self) -> Truth:
        return Truth(self.plant)

    def spoil(self, kind: str, severity: str) -> Spoiled:
        """The recording of one kind at one severity."""
        rng = np.random.default_rng([self.seed, SETS.index(self.name), *kind.encode()])
        level = rng.uniform(*GRADES[severity])
        if kind in OTHER_PROGRAMMES:
            take = self.play(OTHER_PROGRAMMES[kind](self.recipe, level))
            return Spoiled(take.samples, take.played.rate_hz, take, _Other(kind))
        made, done = record_spoiled(self.take, kind, level, rng)
        return Spoiled(made, done.rate_hz, self.take, done)


def _play_quieter(recipe: Recipe, level: float) -> Recipe:
    return replace(recipe, level_dbfs=recipe.level_dbfs - float(np.interp(level, (0, 2), (2, 11))))


def _play_another(recipe: Recipe, level: float) -> Recipe:
    """A longer silence, a sweep fewer, or shorter sweeps."""
    if round(level) == 0:
        return replace(recipe, silence_s=recipe.silence_s + 1.0 + level)
    if round(level) == 1:
        return replace(recipe, n_sweeps=2)
    return replace(recipe, sweep_s=round(recipe.sweep_s - level / 1.5, 1))


OTHER_PROGRAMMES = {"other-level": _play_quieter, "other-recipe": _play_another}
"""What a spoiler of samples cannot make: the marks of another programme say which it is."""


@dataclass(frozen=True)
class _Other:
    kind: str
    block: str = "all"
    at_s: tuple[float, ...] = ()
    size: dict[str, float] = field(default_factory=dict)


class Truth:
    """What is true of one plant, worked out once."""

    def __init__(self, plant: Plant) -> None:
        self.plant, self.quiet = plant, without_noise(plant)
        self._four_tone: dict[float, Array] = {}

    def curve_db(self, spoiled: Spoiled, frequency_hz: Array) -> Array:
        """First sweep, mean and last sweep, shape (3, n)."""
        if spoiled.done is None:
            return spoiled.take.response_range_db(frequency_hz)
        return heard_range_db(spoiled.take, spoiled.done, frequency_hz)

    def thd_percent(self, frequency_hz: Sequence[float], amplitude: float) -> Array:
        return self.plant.thd_percent(np.asarray(frequency_hz, float), amplitude)

    def steps_db(self, spoiled: Spoiled, levels_db: Array) -> Array:
        """Level of each step in dBFS, the memory's gain averaged over its steady middle."""
        take = spoiled.take
        part = take.played.of("steps")[0]
        amplitudes = take.played.amplitude * 10 ** (np.asarray(levels_db) / 20)
        fixed_db = self.plant.step_output_db(STEP_HZ, amplitudes)
        step_s = (part.end_s - part.start_s) / len(amplitudes)
        share = np.linspace(0.13, 0.95, 42)
        at_s = part.start_s + step_s * (np.arange(len(amplitudes))[:, None] + share)
        weight = np.sin(np.pi * (share - share[0]) / np.ptp(share)) ** 2
        gain_db = take.gain_when_db(at_s) + self._fade_db(spoiled, at_s)
        return fixed_db + gain_db @ weight / weight.sum()

    @staticmethod
    def _fade_db(spoiled: Spoiled, at_s: Array) -> Array:
        """Gain that a fading chain had at some instants; 0 where it had none."""
        size = spoiled.done.size if spoiled.done else {}
        return -size.get("loss_db", 0.0) * at_s / size.get("duration_s", 1.0)

    def four_tone_db(self, take: Take, tones_hz: Sequence[float]) -> Array:
        """
        Second and third order re all tones, as ITU-T O.42 adds them.

        The noise-free plant hears the block itself; its lines by least squares.
        """
        amplitude = take.played.amplitude
        if amplitude not in self._four_tone:
            self._four_tone[amplitude] = self._play_four_tone(take.played, tones_hz)
        return self._four_tone[amplitude]

    def _play_four_tone(self, played: Played, tones_hz: Sequence[float]) -> Array:
        here = played.stretch(played.of("four-tone")[0])
        heard = self.quiet.play(played.samples[here], played.rate_hz, np.random.default_rng(0))
        edge = round(0.04 * played.rate_hz)
        low, high = sorted(tones_hz)[:2], sorted(tones_hz)[2:]
        lower, upper = ({b + s * a for a in low for b in high} for s in (-1, 1))
        cubic = {b + c - a for a in low for b in high for c in high}
        others = {2 * t for t in tones_hz} | {a + b for a, b in (low, high)}
        near = {a + b - c for a in low for b in low for c in high} | set(tones_hz)
        lines_hz = sorted(lower | upper | cubic | others | near)
        sizes, _ = find_tones(heard[edge:-edge], played.rate_hz, np.array(lines_hz))
        power = dict(zip(lines_hz, sizes**2, strict=True))
        total, down, up, third = (
            sum(power[f] for f in of) for of in (tones_hz, lower, upper, cubic)
        )
        return 10 * np.log10(np.array([(down + up) / 2, third]) / total)

    def sinad_db(self, amplitude: float) -> float:
        """At 1 kHz over 200 to 4000 Hz: tone, orders 2 and 3, idle noise and breathing."""
        lines = self.plant._lines_at(np.array([STEP_HZ]), amplitude)[0] ** 2 / 2
        rest = lines[2] + lines[3] + 10 ** (self.plant.noise_dbfs() / 10) / 2 + self._breath()
        return 10 * np.log10((lines[1] + rest) / rest)

    def _breath(self) -> float:
        """Mean square of what rustles with the tone, 200 to 4000 Hz."""
        plant: Any = self.plant
        if not hasattr(plant, "breathing_db"):
            return 0.0
        played = make_played(DEFAULT_RECIPE)
        drive = played.amplitude * 10 ** (plant.before.level_db(STEP_HZ) / 20)
        gain = abs(plant.after(np.array([STEP_HZ])))[0] * 10 ** (plant.breathing_db / 20)
        return (gain * drive) ** 2 / 2


def band_power(
    samples: Array, rate_hz: int, from_hz: float = 200.0, to_hz: float = 4000.0
) -> float:
    """Mean square in a band, from one transform of everything under a Hann window."""
    n = len(samples)
    power = np.abs(np.fft.rfft(samples * np.hanning(n))) ** 2
    at_hz = np.arange(len(power)) * rate_hz / n
    # The window's mean square is 3/8.
    return 2 * float(np.sum(power[(at_hz >= from_hz) & (at_hz < to_hz)])) / n**2 / 0.375


def round_to_16_bits(bench: Bench) -> Spoiled:
    """16 bit with 20 dB of headroom over the sweep's peak."""
    take = bench.take
    gain_db = -20.0 - 20 * np.log10(np.max(np.abs(take.samples)))
    made = np.round(take.samples * 10 ** (gain_db / 20) * 32768) / 32768
    return Spoiled(made, take.played.rate_hz, take, _Other("16 bit", size={"gain_db": gain_db}))


def wander(bench: Bench) -> Spoiled:
    """A clock that wanders by up to 2 ppm."""
    rng = np.random.default_rng([bench.seed, 77])
    made, done = record_spoiled(bench.take, "clock-wander", 0.0, rng)
    return Spoiled(made, done.rate_hz, bench.take, done)


def add_room(bench: Bench) -> Spoiled:
    """Steady noise, 3 to 15 dB over the set's own."""
    rng = np.random.default_rng([bench.seed, 78])
    take = bench.take
    dbfs = bench.plant.noise_dbfs() + rng.uniform(3.0, 15.0)
    room = Sloping(dbfs, rng.uniform(-20.0, 0.0))
    made = take.samples + make_noise(len(take.samples), take.played.rate_hz, room, rng)
    return Spoiled(made, take.played.rate_hz, take, _Other("room-noise"))
