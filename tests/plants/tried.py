# mypy: disable-error-code="operator,type-arg"
"""
Telephones that are tried: what each take of a trial gives, from laws of their own.

Nothing here is the program's or the simulated bench's: the sizes are drawn anew, the current's law
is flattened by varistors, a rap frees a share that differs each time, a slow fade follows its own
time constant. All numbers are PROP unless another source stands beside them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from plants.faulty import graded

CURRENTS_MA = (20.0, 30.0, 40.0, 60.0, 80.0)
MINUTES = (0.0, 1.0, 2.0, 4.0, 6.0, 8.0, 10.0)
SPAN_S = 10.0
TYPICAL = {"level_db": -12.0, "noise_db": -70.0, "tilt_db": 2.0, "thd_db": 18.0, "loop_db": 32.0}
SPREADS = {"level_db": 1.7, "noise_db": 2.0, "tilt_db": 1.1, "thd_db": 1.8}
"""Standard deviations of sound ones, element and set together."""


@dataclass
class Tried:
    """
    A telephone as trials see it.

    `of_element` and `of_set` are departures from a known one in dB, by figure; `packed_db` is what
    a rap can give back, `ratio` the current over what was set, `balance` how much of its network's
    balance is left, `stiff` the diaphragm's stiffness over a sound one's, `fry_per_s` bursts of the
    element, `shaken_per_s` those under sound, `contact_per_s` those of cord, hook and springs.
    """

    of_element: dict = field(default_factory=dict)
    of_set: dict = field(default_factory=dict)
    seat_db: float = 0.5
    packed_db: float = 0.0
    ratio: float = 1.0
    law: str = "carbon"
    threshold_ma: float = 0.0
    balance: float = 1.0
    stiff: float = 1.0
    is_deaf: bool = False
    is_dead: bool = False
    fry_per_s: float = 0.0
    shaken_per_s: float = 0.0
    contact_per_s: float = 0.0
    fade_db: float = 0.0
    settle_db: float = 0.0
    sag: float = 0.0


def draw_sound(rng: Any) -> Tried:
    """A sound one: elements of a type differ by 1 to 3 dB (MEM), seats by 0.3 to 1.1 dB (MEM)."""
    element = {
        "level_db": 1.6 * rng.standard_normal(), "noise_db": 1.8 * rng.standard_normal(),
        "tilt_db": 1.0 * rng.standard_normal(), "thd_db": 1.8 * rng.standard_normal(),
        "loop_db": 0.35 * rng.standard_normal(),
    }  # fmt: skip
    of_set = {"level_db": 0.6 * rng.standard_normal(), "noise_db": 0.8 * rng.standard_normal(),
              "tilt_db": 0.4 * rng.standard_normal()}  # fmt: skip
    return Tried(of_element=element, of_set=of_set, seat_db=rng.uniform(0.3, 1.1))


def add(t: Tried, part: str, **changes: Any) -> None:
    of = t.of_element if part == "element" else t.of_set
    for name, value in changes.items():
        of[name] = of.get(name, 0.0) + value


def pack(t: Tried, rng: Any) -> None:
    t.packed_db = graded(rng, 4.0, 15.0)
    add(t, "element", level_db=-t.packed_db, thd_db=-0.9 * t.packed_db, noise_db=-0.5 * t.packed_db)


def starve(t: Tried, rng: Any) -> None:
    t.ratio = graded(rng, 0.6, 0.25)
    loss = 20 * np.log10(t.ratio)
    add(t, "set", level_db=rng.uniform(0.6, 1.0) * loss, noise_db=rng.uniform(0.8, 1.3) * loss,
        loop_db=loss)  # fmt: skip


def loosen(t: Tried, rng: Any) -> None:
    t.seat_db = graded(rng, 1.8, 4.5)


def age(t: Tried, rng: Any) -> None:
    t.ratio = rng.uniform(0.75, 0.95)
    add(t, "element", loop_db=20 * np.log10(t.ratio))
    add(t, "element", level_db=-graded(rng, 2.0, 8.0), noise_db=graded(rng, 5.0, 13.0))


def burn(t: Tried, rng: Any) -> None:
    t.ratio = rng.uniform(1.03, 1.2)
    add(t, "element", loop_db=20 * np.log10(t.ratio))
    add(t, "element", noise_db=-graded(rng, 7.0, 16.0), level_db=-rng.uniform(0.0, 4.0))


def muffle(t: Tried, rng: Any) -> None:
    add(t, "element", tilt_db=-graded(rng, 5.0, 12.0), level_db=-graded(rng, 2.0, 10.0))


def jam(t: Tried, rng: Any) -> None:
    add(t, "element", thd_db=graded(rng, 8.0, 18.0), level_db=-graded(rng, 1.0, 8.0))


def fry(t: Tried, rng: Any) -> None:
    t.fry_per_s = np.exp(graded(rng, np.log(1.0), np.log(20.0)))
    add(t, "element", noise_db=4.0 * np.log10(1 + t.fry_per_s))


def shake(t: Tried, rng: Any) -> None:
    t.shaken_per_s = np.exp(graded(rng, np.log(0.8), np.log(10.0)))


def break_contact(t: Tried, rng: Any) -> None:
    t.contact_per_s = np.exp(graded(rng, np.log(0.6), np.log(9.0)))


def fade(t: Tried, rng: Any) -> None:
    t.fade_db = graded(rng, 2.5, 9.0)


def settle(t: Tried, rng: Any) -> None:
    t.settle_db = graded(rng, 1.4, 2.4)


def sag(t: Tried, rng: Any) -> None:
    t.sag = graded(rng, 0.2, 0.5)


def unbalance(t: Tried, rng: Any) -> None:
    t.balance = graded(rng, 0.2, 0.0)


def bend(t: Tried, rng: Any) -> None:
    t.stiff = graded(rng, 1.5, 3.0)


def deafen(t: Tried, rng: Any) -> None:
    del rng
    t.is_deaf = True


def keep(t: Tried, rng: Any) -> None:
    del t, rng


def fit_electronic(t: Tried, rng: Any) -> None:
    t.law = "electronic"
    add(t, "element", level_db=graded(rng, 1.0, 8.0), thd_db=-graded(rng, 4.0, 14.0))


def mute(t: Tried, rng: Any) -> None:
    t.law, t.threshold_ma = "electronic", rng.uniform(19.5, 23.0)


FAULTS = {
    "sound": keep, "packed": pack, "starved": starve, "loose": loosen, "aged": age, "burnt": burn,
    "muffled": muffle, "jammed": jam, "frying": fry, "shaken": shake, "contact": break_contact,
    "fading": fade, "settling": settle, "sagging": sag, "unbalanced": unbalance, "bent": bend,
    "weak-magnet": keep, "hear-open": deafen, "electronic": fit_electronic, "mutes": mute,
}  # fmt: skip


def draw(name: str, rng: Any) -> Tried:
    """A telephone with a fault."""
    t = draw_sound(rng)
    FAULTS[name](t, rng)
    return t


ELEMENTS = (
    "packed", "aged", "hissing", "burnt", "loose", "muffled", "over-sensitive", "jammed", "frying",
    "fading", "settling", "roaming", "other-type",
)  # fmt: skip
SETS = ("starved", "hook", "cord", "winding", "hum", "talk-short", "talk-open", "unbalanced")
"""What goes with the element and what stays with the set; the rest is the bench's or the line's."""
SILENT = 0.15
"""Share of telephones that do not crackle while they are tried."""


def follow(name: str, telephone: Any, departs: dict, rng: Any) -> Tried:
    """
    What trials would find of a telephone of `faulty.py`.

    `departs` are its departures from usual in dB, by figure; what that telephone does not state
    (how stiff a bent diaphragm is, how a fade goes on) is drawn here.
    """
    t = draw_sound(rng)
    if name in ELEMENTS:
        t.of_element |= departs
    elif name in SETS:
        t.of_set |= departs
    t.seat_db, t.ratio = telephone.seat_db, telephone.current
    t.is_deaf, t.is_dead = "hear" in telephone.dead, "talk" in telephone.dead
    add(t, "element" if name in ELEMENTS else "set", loop_db=20 * np.log10(max(t.ratio, 0.02)))
    crackles = rng.random() > SILENT
    losses = max(telephone.losses["talk"], telephone.losses["hear"]) / 60
    if name == "frying":
        t.fry_per_s = telephone.bursts_per_s * crackles
    elif name in ("hook", "cord"):
        t.contact_per_s = max(telephone.bursts_per_s, losses) * crackles
    elif name == "roaming":
        t.shaken_per_s = rng.uniform(0.0, 1.0)
    elif name == "lost-samples":
        t.contact_per_s = losses
    elif name == "packed":
        t.packed_db = max(0.0, -departs.get("level_db", 0.0))
    elif name == "fading":
        t.fade_db = telephone.soak_db or graded(rng, 2.0, 8.0)
    elif name == "settling":
        t.settle_db = -telephone.wander_db
    elif name == "unbalanced":
        t.balance = 10 ** (-telephone.own_voice_db / 12)
    elif name == "bent":
        t.stiff = graded(rng, 1.5, 3.0)
    return t


def play(trial: str, t: Tried, rng: Any) -> list[dict[str, float | None]]:
    """Figures of each take of a trial."""
    return PLAYS[trial](t, rng)


def talk_db(t: Tried, rng: Any) -> float:
    if t.is_dead:
        return -60.0
    own = t.of_element.get("level_db", 0.0) + t.of_set.get("level_db", 0.0)
    return float(TYPICAL["level_db"] + own + 0.1 * rng.standard_normal())


def play_rap(t: Tried, rng: Any) -> list[dict[str, float | None]]:
    back = rng.uniform(0.55, 1.0) * t.packed_db + rng.normal(0.0, 0.2)
    return [{"level_db": talk_db(t, rng) + t.seat_db * rng.standard_normal() + back * (k >= 3)}
            for k in range(6)]  # fmt: skip


def play_crackle(t: Tried, rng: Any) -> list[dict[str, float | None]]:
    stray = 0.02
    quiet = rng.poisson(SPAN_S * (stray + t.fry_per_s + t.contact_per_s))
    sounding = rng.poisson(SPAN_S * (stray + t.fry_per_s + t.contact_per_s + t.shaken_per_s))
    left = rng.poisson(SPAN_S * (stray + t.contact_per_s * rng.uniform(0.7, 1.2)))
    return [{"quiet_events": float(quiet), "sounding_events": float(sounding)},
            {"quiet_events": float(left), "sounding_events": float(left)}]  # fmt: skip


def play_current(t: Tried, rng: Any) -> list[dict[str, float | None]]:
    law, knee_ma, flat = rng.uniform(0.75, 1.1), rng.uniform(35.0, 70.0), rng.uniform(0.3, 0.9)
    found: list[dict[str, float | None]] = []
    for set_ma in CURRENTS_MA:
        ma = set_ma * t.ratio
        if t.law == "carbon":
            # Varistors of an equaliser take some of it off above a knee.
            gain = law * (20 * np.log10(min(ma, knee_ma) / 40.0))
            gain += law * flat * 20 * np.log10(max(ma, knee_ma) / knee_ma)
        else:
            gain = -20 * np.log10(1 + np.exp((t.threshold_ma - ma) / 1.0))
        level = talk_db(t, rng) + gain
        read_ma = ma * (1 + 0.015 * rng.standard_normal())
        thd = 8.0 * 10 ** (0.03 * rng.standard_normal())
        found.append({"level_db": level, "feed_ma": set_ma, "loop_ma": read_ma, "thd_percent": thd})
    return found


def play_termination(t: Tried, rng: Any) -> list[dict[str, float | None]]:
    change = rng.uniform(3.4, 7.5) * t.balance
    own = rng.normal(0.0, 2.0)
    return [{"level_db": own + change * (k % 2) + 0.15 * rng.standard_normal()} for k in range(4)]


def play_swap(t: Tried, rng: Any) -> list[dict[str, float | None]]:
    known = {name: 0.7 * rng.standard_normal() for name in TYPICAL}
    known_set = {name: 0.6 * rng.standard_normal() for name in TYPICAL}
    known["loop_db"], known_set["loop_db"] = 0.3 * rng.standard_normal(2)
    found: list[dict[str, float | None]] = []
    for element, of_set in ((t.of_element, t.of_set), (known, t.of_set),
                            (t.of_element, known_set), (known, known_set)):  # fmt: skip
        seat = {"level_db": t.seat_db, "noise_db": 0.7, "tilt_db": 0.3, "thd_db": 0.7,
                "loop_db": 0.25}  # fmt: skip
        figures = {
            name: typical + element.get(name, 0.0) + of_set.get(name, 0.0)
            + seat[name] * rng.standard_normal() for name, typical in TYPICAL.items()
        }  # fmt: skip
        figures["thd_percent"] = 10 ** (figures.pop("thd_db") / 20)
        figures["loop_ma"] = 10 ** (figures.pop("loop_db") / 20)
        found.append(figures)
    return found


def play_ten_minutes(t: Tried, rng: Any) -> list[dict[str, float | None]]:
    tau, soon = rng.uniform(1.0, 5.0), rng.uniform(0.2, 0.8)
    mild = 0.15 * rng.standard_normal()
    found: list[dict[str, float | None]] = []
    for minute in MINUTES:
        gone, settled = 1 - np.exp(-minute / tau), 1 - np.exp(-minute / soon)
        current = 1 - t.sag * gone
        level = talk_db(t, rng) - t.fade_db * gone - (t.settle_db + mild) * settled
        level += rng.uniform(0.7, 1.0) * 20 * np.log10(current)
        found.append({"level_db": level, "loop_ma": 40 * current * (1 + 0.01 * rng.normal())})
    return found


def play_finger(t: Tried, rng: Any) -> list[dict[str, float | None]]:
    level = -45.0 if t.is_deaf else 16.0 + rng.normal(0.0, 1.5) - 20 * np.log10(t.stiff)
    tip, found = rng.uniform(1.1, 1.4), list[dict[str, float | None]]()
    for k in range(4):
        pressed = tip * np.exp(0.12 * rng.standard_normal()) / t.stiff
        loss = 20 * np.log10(1 + pressed) * (k % 2)
        found.append({"level_db": level - loss + 0.2 * rng.standard_normal()})
    return found


PLAYS = {
    "rap": play_rap, "crackle": play_crackle, "current": play_current,
    "termination": play_termination, "swap": play_swap, "ten-minutes": play_ten_minutes,
    "finger": play_finger,
}  # fmt: skip
