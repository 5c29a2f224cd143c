# mypy: disable-error-code="operator,type-arg"
"""
Faults of a telephone and of its bench, made from the populations' own parts.

A telephone is a set that talks and a set that hears; a fault changes the parts they are made of
(granules, resistance, current, distance, holes, magnet, gap), puts a response before or after their
curve, or disturbs them. What no plant has (bursts, losses, wander, direct current) is stated as the
instruments would find it, from the disturbance's own law. Sizes are drawn from mild to severe
(`graded`). Numbers are PROP unless another source stands beside them; how often each fault comes is
common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from plants.drawn import DrawnSet, Gain
from plants.fixed import TALK_AMPLITUDE
from plants.plant import Chain, Plant
from plants.pop_lumped import LumpedPopulation
from plants.pop_parametric import ParametricPopulation
from plants.pop_process import ProcessPopulation
from plants.receiver import MagneticReceiver


@dataclass(frozen=True)
class LowPass:
    """Holes half closed: so many RC in a row."""

    corner_hz: float
    order: int = 1

    def __call__(self, frequency_hz: Any) -> Any:
        return (1 / (1 + 1j * np.asarray(frequency_hz, float) / self.corner_hz)) ** self.order


@dataclass(frozen=True)
class HighPass:
    """A leak of a closed volume: a sound mass beside its spring."""

    corner_hz: float
    order: int = 1

    def __call__(self, frequency_hz: Any) -> Any:
        u = 1j * np.maximum(np.asarray(frequency_hz, float), 1.0) / self.corner_hz
        return (u / (1 + u)) ** self.order


@dataclass(frozen=True)
class Cable:
    """A long thin pair: its loss in dB goes with the root of the frequency (RC line, CALC)."""

    loss_db_at_1khz: float

    def __call__(self, frequency_hz: Any) -> Any:
        root = np.sqrt(np.maximum(np.asarray(frequency_hz, float), 1.0) / 1000.0)
        return 10 ** (-self.loss_db_at_1khz * root / 20) + 0j


@dataclass(frozen=True)
class Notch:
    """A dip: something resonates beside the sound's way."""

    centre_hz: float
    depth_db: float
    q: float = 2.0

    def __call__(self, frequency_hz: Any) -> Any:
        f = np.maximum(np.asarray(frequency_hz, float), 1.0)
        detuned = 1j * self.q * (f / self.centre_hz - self.centre_hz / f)
        bottom = 10 ** (-self.depth_db / 20)
        return (detuned + bottom) / (detuned + 1)


@dataclass(frozen=True)
class Stopped(Plant):
    """Another plant's curve whose travel ends on both sides, with a little give."""

    inner: Any = None
    stop: float = 1.0

    def curve(self, x: Any) -> Any:
        reach = np.clip(x, -self.stop, self.stop)
        return self.inner.curve(reach + 0.03 * (x - reach))


@dataclass(frozen=True)
class ReceiverPopulation:
    """Magnetic receivers: level, tilt, and the second harmonic that goes with the magnet."""

    sd_db: float = 1.0
    name: str = "R"

    def draw(self, rng: Any) -> Any:
        level, magnet = self.sd_db * rng.standard_normal(2)
        nominal = MagneticReceiver()
        # Half as strong a magnet is 6 dB less and twice the second harmonic (S17, CALC).
        after = Chain((nominal.after, Gain(level + magnet)))
        plant = replace(nominal, after=after, h2_db=nominal.h2_db - 0.7 * magnet)
        return DrawnSet(plant, {"level_db": level, "magnet_db": magnet})


@dataclass
class Telephone:
    """
    What lies on the bench; faults change it in place.

    `seat_db` is the level's spread from try to try. The rest is what instruments find beside the
    curves: kurtosis, bursts a second, losses a minute, wander over a take in dB, mains lines over
    idle noise in dB, narrow lines over their neighbours in dB, loop current and resistance as
    multiples, own voice beyond what talking and hearing explain in dB, the loop-back's change in
    dB, events of a moved cord and a pressed hook a minute (None: not tried).
    """

    talk: Any
    hear: Any
    talk_population: Any
    hear_population: Any
    seat_db: float = 0.4
    kurtosis: dict = field(default_factory=lambda: {"talk": 3.0, "hear": 3.0})
    bursts_per_s: float = 0.0
    burst_share: float = 0.0
    losses: dict = field(default_factory=lambda: {"talk": 0.0, "hear": 0.0, "loop": 0.0})
    wander_db: float = 0.0
    hear_wander_db: float = 0.0
    is_unsteady: bool = False
    mains_db: dict = field(default_factory=lambda: {"talk": -30.0, "hear": -30.0})
    tonal_db: float = 2.0
    slope_db: float | None = None
    current: float = 1.0
    resistance: float = 1.0
    own_voice_db: float = 0.0
    loop_db: float = 0.0
    dead: tuple = ()
    is_overloaded: bool = False
    cord_per_min: float | None = None
    hook_per_min: float | None = None
    soak_db: float | None = None


TALKING: tuple = (LumpedPopulation(), ParametricPopulation())
HEARING: tuple = (ParametricPopulation(), ProcessPopulation(heavy=False, other_make=0.0),
                  ReceiverPopulation())  # fmt: skip


def graded(rng: Any, mild: Any, severe: Any) -> Any:
    """A size in between, mild ones more often."""
    return mild + (severe - mild) * rng.beta(1.2, 1.6)


def either(rng: Any) -> Any:
    return 1.0 if rng.random() < 0.5 else -1.0


def shift(drawn: Any, level_db: Any = 0.0, noise_db: Any = 0.0) -> Any:
    return drawn.shifted(level_db=level_db, noise_db=noise_db)


def put_before(drawn: Any, part: Any) -> Any:
    plant = drawn.plant
    return replace(drawn, plant=replace(plant, before=Chain((plant.before, part))))


def put_after(drawn: Any, part: Any) -> Any:
    plant = drawn.plant
    return replace(drawn, plant=replace(plant, after=Chain((plant.after, part))))


def stop_at(drawn: Any, share: Any) -> Any:
    plant = drawn.plant
    stopped = Stopped(
        name=plant.name, before=plant.before, after=plant.after, noise=plant.noise,
        inner=plant, stop=share * TALK_AMPLITUDE,
    )  # fmt: skip
    return replace(drawn, plant=stopped)


def remake(t: Telephone, **factors: Any) -> None:
    """Change the parts of a talking set; one that has none of them by what they would do."""
    if isinstance(t.talk_population, LumpedPopulation):
        made = dict(t.talk.made_of)
        for name, factor in factors.items():
            made[name] *= factor
        t.talk = t.talk_population._set(made)
        return
    power = factors.get("granules", 1.0) / factors.get("distance_mm", 1.0)
    volts = factors.get("current_ma", 1.0) * factors.get("resistance_ohm", 1.0) ** 0.7
    t.talk = put_before(t.talk, Gain(20 * np.log10(power)))
    t.talk = shift(t.talk, 20 * np.log10(volts), 17 * np.log10(volts))


# Faults of the set.


def pack(t: Telephone, rng: Any) -> None:
    """Granules pressed together: they give less (S18), and resist less."""
    t.resistance = graded(rng, 0.85, 0.4)
    remake(t, granules=10 ** (-graded(rng, 3.0, 13.0) / 20), resistance_ohm=t.resistance)


def starve(t: Telephone, rng: Any) -> None:
    t.current = graded(rng, 0.65, 0.25)
    remake(t, current_ma=t.current)


def age(t: Telephone, rng: Any) -> None:
    """Damp or aged granules: hiss (S09, abstract only) and resistance."""
    t.resistance = graded(rng, 1.3, 2.6)
    remake(t, granules=graded(rng, 0.7, 0.35))
    t.talk = shift(t.talk, 0.0, graded(rng, 5.0, 13.0))


def hiss(t: Telephone, rng: Any) -> None:
    t.talk = shift(t.talk, 0.0, graded(rng, 6.0, 17.0))


def burn(t: Telephone, rng: Any) -> None:
    t.resistance = graded(rng, 0.4, 0.18)
    remake(t, granules=graded(rng, 1.0, 0.8) / t.resistance**0.7, resistance_ohm=t.resistance)


def loosen(t: Telephone, rng: Any) -> None:
    t.seat_db = graded(rng, 1.8, 4.5)


def muffle(t: Telephone, rng: Any) -> None:
    t.talk = put_before(t.talk, LowPass(graded(rng, 1600.0, 600.0), 1 + int(rng.random() < 0.4)))


def oversensitive(t: Telephone, rng: Any) -> None:
    remake(t, granules=10 ** (graded(rng, 4.0, 9.0) / 20))


def jam(t: Telephone, rng: Any) -> None:
    t.talk = stop_at(t.talk, graded(rng, 0.8, 0.25))
    t.is_overloaded = bool(rng.random() < 0.2)


def disturb(t: Telephone, rng: Any, rate: Any, length_s: Any, size_db: Any) -> None:
    """Bursts over still noise: power and fourth moment of the mixture (CALC)."""
    share = min(0.9, rate * length_s)
    more = 10 ** (size_db / 10)
    power = 1 - share + share * more
    t.talk = shift(t.talk, 0.0, 10 * np.log10(power))
    kurtosis = 3 * (1 - share + share * more**2) / power**2
    t.kurtosis = {"talk": kurtosis, "hear": 3 + (kurtosis - 3) * rng.uniform(0.2, 1.0)}
    t.bursts_per_s = rate * rng.uniform(0.3, 1.0)
    t.burst_share = min(4.0, rate * rng.uniform(0.2, 1.0))


def fry(t: Telephone, rng: Any) -> None:
    """Short sharp bursts (S18, S19): they keep their highs."""
    disturb(t, rng, graded(rng, 1.0, 20.0), 0.004, graded(rng, 16.0, 26.0))
    t.slope_db = rng.normal(-5.5, 1.5)


def dirty_hook(t: Telephone, rng: Any) -> None:
    """Steps of contact resistance: their spectrum falls by 20 dB a decade (CALC)."""
    disturb(t, rng, graded(rng, 1.0, 9.0), 0.02, graded(rng, 16.0, 34.0))
    t.slope_db = rng.normal(-16.5, 2.0)
    if rng.random() < 0.6:
        t.hook_per_min, t.cord_per_min = graded(rng, 4.0, 60.0), rng.uniform(0.0, 1.5)


def break_cord(t: Telephone, rng: Any) -> None:
    rate = np.exp(graded(rng, np.log(3.0), np.log(90.0)))
    t.losses = {"talk": rate * rng.uniform(0.4, 1.0), "hear": rate * rng.uniform(0.4, 1.0),
                "loop": 0.0}  # fmt: skip
    if rng.random() < 0.5:
        disturb(t, rng, rate / 60, 0.02, graded(rng, 10.0, 30.0))
        t.slope_db = rng.normal(-17.0, 2.0)
    if rng.random() < 0.6:
        t.cord_per_min, t.hook_per_min = graded(rng, 4.0, 80.0), rng.uniform(0.0, 1.5)


def fade(t: Telephone, rng: Any) -> None:
    t.wander_db = -graded(rng, 0.7, 4.0)
    if rng.random() < 0.6:
        t.soak_db = graded(rng, 2.0, 8.0)


def settle(t: Telephone, rng: Any) -> None:
    t.wander_db = -graded(rng, 0.5, 2.2)
    if rng.random() < 0.6:
        t.soak_db = rng.uniform(0.0, 0.8)


def roam(t: Telephone, rng: Any) -> None:
    t.seat_db = graded(rng, 0.6, 1.8)
    t.wander_db = either(rng) * rng.uniform(0.0, 0.8)
    t.is_unsteady = True


def hum(t: Telephone, rng: Any) -> None:
    size_db = graded(rng, -2.0, 22.0)
    for path in (("talk", "hear"), ("talk", "hear"), ("talk",), ("hear",))[rng.integers(4)]:
        t.mains_db[path] = size_db + rng.normal(0.0, 2.0)
        more_db = 10 * np.log10(1 + 0.5 * 10 ** (size_db / 10))
        setattr(t, path, shift(getattr(t, path), 0.0, more_db))


def kill_talk(t: Telephone, rng: Any) -> None:
    t.dead, t.resistance = ("talk",), graded(rng, 0.3, 0.03)
    t.current = rng.uniform(1.0, 1.2)


def open_talk(t: Telephone, rng: Any) -> None:
    t.dead, t.current = ("talk",), rng.uniform(0.0, 0.1)


def kill_hear(t: Telephone, rng: Any) -> None:
    t.dead = ("hear",)


def weaken(t: Telephone, rng: Any) -> None:
    """Half the magnet, half the level, twice the second harmonic (S17)."""
    loss_db = graded(rng, 3.5, 12.0)
    plant = t.hear.plant
    if isinstance(plant, MagneticReceiver):
        plant = replace(plant, h2_db=plant.h2_db + loss_db)
    elif hasattr(plant, "square"):
        plant = replace(plant, square=plant.square * 10 ** (loss_db / 20))
    else:
        plant = replace(plant, even=plant.even * 10 ** (loss_db / 20))
    t.hear = shift(replace(t.hear, plant=plant), -loss_db)


def bend(t: Telephone, rng: Any) -> None:
    """A stiffer diaphragm: weaker below its resonance, which moves up, and leaky at its rim."""
    stiffer = graded(rng, 1.5, 3.0)
    t.hear = put_after(shift(t.hear, -20 * np.log10(stiffer)), HighPass(graded(rng, 250.0, 600.0)))
    # The resonance's new place lifts the highs.
    t.hear = put_after(t.hear, Notch(2900.0 * np.sqrt(stiffer / 2.0), -graded(rng, 4.0, 9.0), 2.0))


def touch(t: Telephone, rng: Any) -> None:
    if not isinstance(t.hear.plant, MagneticReceiver):
        t.hear, t.hear_population = ReceiverPopulation().draw(rng), ReceiverPopulation()
    plant = replace(t.hear.plant, gap=graded(rng, 1.0, 0.4) * TALK_AMPLITUDE, blow=0.03)
    t.hear = replace(t.hear, plant=plant)


def limit(t: Telephone, rng: Any) -> None:
    if isinstance(t.hear.plant, MagneticReceiver):
        t.hear, t.hear_population = HEARING[0].draw(rng), HEARING[0]
    t.hear = stop_at(t.hear, graded(rng, 0.9, 0.4))


def mistake(t: Telephone, rng: Any) -> None:
    """An element of another type."""
    if rng.random() < 0.5:
        t.talk = put_before(t.talk, Notch(graded(rng, 700.0, 1400.0), -graded(rng, 6.0, 14.0), 1.2))
        t.talk = put_after(t.talk, Gain(rng.normal(-4.0, 4.0)))
    else:
        t.hear = put_after(t.hear, Notch(graded(rng, 700.0, 1400.0), -graded(rng, 6.0, 14.0), 1.2))
        t.hear = put_after(t.hear, Gain(rng.normal(-4.0, 4.0)))


def unbalance(t: Telephone, rng: Any) -> None:
    t.own_voice_db = graded(rng, 4.0, 16.0)


def open_winding(t: Telephone, rng: Any) -> None:
    t.own_voice_db = -graded(rng, 4.0, 12.0)
    t.talk, t.hear = shift(t.talk, -graded(rng, 4.0, 9.0)), shift(t.hear, -graded(rng, 6.0, 12.0))


def lengthen(t: Telephone, rng: Any) -> None:
    loss_db = graded(rng, 2.5, 8.0)
    t.talk = put_after(t.talk, Cable(loss_db))
    t.hear = put_after(t.hear, Cable(loss_db * rng.uniform(0.85, 1.15)))
    t.own_voice_db = graded(rng, 0.5, 1.5) * loss_db


# Faults of the bench.


def leak(t: Telephone, rng: Any) -> None:
    t.hear = put_after(t.hear, HighPass(graded(rng, 260.0, 700.0), 1 + int(rng.random() < 0.3)))


def misplace(t: Telephone, rng: Any) -> None:
    """Too far from the mouth: 1 / r from the lips (CALC), differently each time."""
    remake(t, distance_mm=graded(rng, 1.25, 2.0))
    t.seat_db = graded(rng, 0.7, 1.8)


def move_recorder(t: Telephone, rng: Any) -> None:
    gain_db = either(rng) * graded(rng, 0.8, 6.0)
    t.loop_db, t.own_voice_db = gain_db, -gain_db
    t.talk, t.hear = shift(t.talk, gain_db, 2 * gain_db), shift(t.hear, gain_db, 2 * gain_db)


def move_mouth(t: Telephone, rng: Any) -> None:
    t.talk = put_before(t.talk, Gain(either(rng) * graded(rng, 2.0, 7.0)))


def move_ear(t: Telephone, rng: Any) -> None:
    gain_db = either(rng) * graded(rng, 2.0, 7.0)
    t.hear = shift(t.hear, gain_db, 2 * gain_db)


def outdate(t: Telephone, rng: Any) -> None:
    t.talk = put_before(t.talk, Gain(either(rng) * graded(rng, 1.5, 4.5)))
    t.hear = shift(t.hear, either(rng) * graded(rng, 1.5, 4.5))


def lose_samples(t: Telephone, rng: Any) -> None:
    rate = np.exp(graded(rng, np.log(3.0), np.log(60.0)))
    t.losses = {path: rate * rng.uniform(0.5, 1.5) for path in ("talk", "hear", "loop")}


def let_in_the_room(t: Telephone, rng: Any) -> None:
    """Room noise falls steeply with frequency."""
    t.talk = shift(t.talk, 0.0, graded(rng, 5.0, 17.0))
    t.slope_db = rng.normal(-17.0, 2.5)


# Faults that nobody has listed.


def dig(t: Telephone, rng: Any) -> None:
    part = Notch(graded(rng, 500.0, 2500.0), graded(rng, 8.0, 20.0), rng.uniform(1.0, 4.0))
    if rng.random() < 0.5:
        t.talk = put_after(t.talk, part)
    else:
        t.hear = put_after(t.hear, part)


def shout(t: Telephone, rng: Any) -> None:
    """Hearing too loud, and bent to one side as if the magnet were another."""
    plant, loud_db = t.hear.plant, graded(rng, 3.0, 9.0)
    bent = 10 ** (graded(rng, 6.0, 14.0) / 20)
    if isinstance(plant, MagneticReceiver):
        plant = replace(plant, h2_db=plant.h2_db + 20 * np.log10(bent))
    else:
        name = "square" if hasattr(plant, "square") else "even"
        plant = replace(plant, **{name: getattr(plant, name) * bent})
    t.hear = shift(replace(t.hear, plant=plant), loud_db, loud_db)


def sharpen(t: Telephone, rng: Any) -> None:
    """Lows lost in talking, with noise."""
    t.talk = shift(put_after(t.talk, HighPass(graded(rng, 600.0, 1500.0), 2)), 4.0,
                   graded(rng, 0.0, 8.0))  # fmt: skip


def rush(t: Telephone, rng: Any) -> None:
    """Noise that rises in hearing alone, and hearing that wanders with it."""
    t.hear = shift(t.hear, 0.0, graded(rng, 10.0, 25.0))
    t.hear_wander_db = either(rng) * graded(rng, 0.4, 2.0)


@dataclass(frozen=True)
class Kind:
    """A fault, and of a thousand sets that come how many have it."""

    make: Any
    per_thousand: float
    is_bench: bool = False


KINDS: dict[str, Kind] = {
    "packed": Kind(pack, 70), "starved": Kind(starve, 40), "aged": Kind(age, 30),
    "hissing": Kind(hiss, 30), "burnt": Kind(burn, 20), "loose": Kind(loosen, 50),
    "muffled": Kind(muffle, 40), "over-sensitive": Kind(oversensitive, 15), "jammed": Kind(jam, 20),
    "frying": Kind(fry, 40), "hook": Kind(dirty_hook, 80), "cord": Kind(break_cord, 80),
    "fading": Kind(fade, 20), "settling": Kind(settle, 25), "roaming": Kind(roam, 20),
    "hum": Kind(hum, 60), "talk-short": Kind(kill_talk, 15), "talk-open": Kind(open_talk, 25),
    "hear-open": Kind(kill_hear, 35), "weak-magnet": Kind(weaken, 45), "bent": Kind(bend, 25),
    "touching": Kind(touch, 25), "limiting": Kind(limit, 20), "other-type": Kind(mistake, 25),
    "unbalanced": Kind(unbalance, 30), "winding": Kind(open_winding, 10),
    "long-line": Kind(lengthen, 25),
    "seal": Kind(leak, 60, True), "distance": Kind(misplace, 30, True),
    "recorder": Kind(move_recorder, 30, True), "mouth": Kind(move_mouth, 20, True),
    "ear": Kind(move_ear, 25, True), "outdated": Kind(outdate, 15, True),
    "lost-samples": Kind(lose_samples, 15, True), "room": Kind(let_in_the_room, 30, True),
    "dip": Kind(dig, 20), "shouting": Kind(shout, 15), "sharp": Kind(sharpen, 15),
    "rushing": Kind(rush, 15),
}  # fmt: skip
UNLISTED = ("dip", "shouting", "sharp", "rushing")


def draw_telephone(rng: Any, talking: Any, hearing: Any) -> Telephone:
    """A usual one of its type."""
    return Telephone(
        talk=talking.draw(rng), hear=hearing.draw(rng),
        talk_population=talking, hear_population=hearing,
    )  # fmt: skip


def draw_kinds(rng: Any, n: int) -> list[str]:
    """Names of faults as often as they come."""
    shares = np.array([kind.per_thousand for kind in KINDS.values()], float)
    return [str(name) for name in rng.choice(list(KINDS), n, p=shares / shares.sum())]
