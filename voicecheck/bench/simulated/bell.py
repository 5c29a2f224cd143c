"""
A telephone bell before a microphone: two gongs, struck in turn at twice the ringing frequency.

A gong is a set of damped partials; frequencies, decays and their ratios are common practice, no
source. The clapper adds a knock. Ringing itself (volts, cadence) is not simulated: only what is
heard.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from voicecheck.bench.simulated.draws import make_generator
from voicecheck.bench.simulated.scene import Scene, SceneKind, check_words
from voicecheck.records.arrays import Array

PARTIALS = ((1.0, 1.0, 1.0), (2.41, 0.35, 0.5), (4.07, 0.15, 0.25))
"""Frequency, amplitude and decay of a gong's partials re its first."""
LEAD_S, TAIL_S = 1.0, 3.0
BELLS = {
    "healthy": "two gongs, 20 Hz ringing, 2 s on and 4 s off",
    "british": "two gongs, 25 Hz ringing, 0.4 s on, 0.2 s off, 0.4 s on, 2 s off",
    "weak": "8 dB or more below the healthy bell",
    "one-gong": "the clapper reaches only one gong",
    "dull": "gongs that touch something: they die away ten times as fast",
    "taps": "no ringing: taps of the clapper while a digit 0 is dialled",
    "silent": "nothing but the room",
}
"""Words that `make_bell` takes, joined with "+"."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BellSettings:
    """
    How a bell rings.

    Parameters
    ----------
    ringing_hz : float
        Of the ringing current; the clapper strikes twice per period.
    cadence_s : tuple of float
        On, off, on, off, ...
    n_cycles : int
        Times that the cadence is gone through.
    gongs_hz : tuple of float
        First partial of each gong.
    gap_share : float
        Part of a ringing period from a blow on the first gong to that on the second; 0.5 is even.
    second_db : float
        Blows on the second gong re those on the first.
    decay_s : float
        Time in which a gong's first partial falls by 60 dB.
    level_dbfs : float
        Of the first strike's first partial.
    noise_dbfs : float
        Room, RMS re a full-scale sine.
    is_one_sided, is_silent, is_tapping : bool
    """

    ringing_hz: float = 20.0
    cadence_s: tuple[float, ...] = (2.0, 4.0)
    n_cycles: int = 2
    gongs_hz: tuple[float, float] = (1290.0, 1560.0)
    gap_share: float = 0.5
    second_db: float = 0.0
    decay_s: float = 1.4
    level_dbfs: float = -26.0
    noise_dbfs: float = -65.0
    is_one_sided: bool = False
    is_silent: bool = False
    is_tapping: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class BellTruth:
    """
    What a bell scene holds.

    Parameters
    ----------
    settings : BellSettings
    strikes_s : tuple of float
        Every strike.
    strikes_per_s : float or None
        Mean rate while it rings; `None` without ringing.
    rings : tuple of (start_s, end_s)
        First and last strike of each burst of ringing.
    level_dbfs : float or None
        RMS re a full-scale sine from the first to the last strike of the bursts, room left out.
    gongs_hz : tuple of float
        Those that are struck.
    """

    settings: BellSettings
    strikes_s: tuple[float, ...]
    strikes_per_s: float | None
    rings: tuple[tuple[float, float], ...]
    level_dbfs: float | None
    gongs_hz: tuple[float, ...]


def make_bell(text: str = "healthy", *, seed: int = 1, rate_hz: int = 48000) -> Scene[BellTruth]:
    """
    A bell that a text describes.

    Parameters
    ----------
    text : str
        Words of `BELLS`, joined with "+".
    seed : int
        Draws gongs and sizes.
    rate_hz : int

    Returns
    -------
    Scene of BellTruth

    Raises
    ------
    InputError
        A word is not known.

    Examples
    --------
    >>> truth = make_bell("healthy+weak").truth
    >>> round(truth.strikes_per_s), len(truth.rings)
    (40, 2)
    """
    draw = make_generator(seed, "bell")
    low_hz = float(1290.0 * (1.0 + 0.06 * draw.uniform(-1.0, 1.0)))
    settings = BellSettings(
        gongs_hz=(low_hz, low_hz * float(draw.uniform(1.12, 1.26))),
        decay_s=float(draw.uniform(1.1, 1.8)),
        level_dbfs=float(-26.0 + draw.uniform(-1.5, 1.5)),
    )
    loss_db = float(draw.uniform(8.0, 14.0))
    # A bias spring and gongs set by hand: nobody sets them even.
    settings = replace(
        settings,
        gap_share=float(draw.uniform(0.38, 0.62)),
        second_db=float(draw.uniform(-5.0, 5.0)),
    )
    for word in check_words(text, BELLS, "bell"):
        if word == "british":
            settings = replace(settings, ringing_hz=25.0, cadence_s=(0.4, 0.2, 0.4, 2.0))
        elif word == "weak":
            settings = replace(settings, level_dbfs=settings.level_dbfs - loss_db)
        elif word == "one-gong":
            settings = replace(settings, is_one_sided=True)
        elif word == "dull":
            settings = replace(settings, decay_s=0.1 * settings.decay_s)
        elif word == "taps":
            # The clapper hardly moves: how far the gongs are set apart is not heard.
            settings = replace(settings, is_tapping=True, gap_share=0.5, second_db=0.0)
        elif word == "silent":
            settings = replace(settings, is_silent=True)
    return make_bell_scene(settings, seed=seed, rate_hz=rate_hz)


def make_bell_scene(
    settings: BellSettings, *, seed: int = 1, rate_hz: int = 48000
) -> Scene[BellTruth]:
    """
    A bell with given settings.

    Parameters
    ----------
    settings : BellSettings
    seed : int
    rate_hz : int

    Returns
    -------
    Scene of BellTruth
    """
    draw = make_generator(seed, "bell", "strikes")
    bursts, end_s = _list_bursts(settings, draw)
    if settings.is_one_sided:
        # The far stroke is made, but meets nothing.
        bursts = [burst[::2] for burst in bursts]
    strikes = [strike_s for burst in bursts for strike_s in burst]
    n_gongs = 0 if settings.is_silent else 1 if settings.is_one_sided else 2
    n_samples = int(np.ceil((end_s + TAIL_S) * rate_hz))
    sound = _sound_gongs(settings, strikes, n_samples, rate_hz, draw)
    rings = tuple((burst[0], burst[-1]) for burst in bursts)
    is_ringing = bool(rings) and not settings.is_tapping
    truth = BellTruth(
        settings=settings,
        strikes_s=tuple(strikes),
        strikes_per_s=n_gongs * settings.ringing_hz if is_ringing else None,
        rings=rings if is_ringing else (),
        level_dbfs=_level_dbfs(sound, rate_hz, rings) if is_ringing else None,
        gongs_hz=settings.gongs_hz[:n_gongs],
    )
    room = make_generator(seed, "bell", "room").standard_normal(n_samples)
    sound += room * 10.0 ** (settings.noise_dbfs / 20.0) / np.sqrt(2.0)
    return Scene(samples=np.clip(sound, -1.0, 1.0), rate_hz=rate_hz, truth=truth)


def _sound_gongs(
    settings: BellSettings,
    strikes: list[float],
    n_samples: int,
    rate_hz: int,
    draw: np.random.Generator,
) -> Array:
    """Gongs struck in turn and the clapper's knocks, without the room, shape (n_samples,)."""
    gongs_hz = settings.gongs_hz[:1] if settings.is_one_sided else settings.gongs_hz
    size = 10.0 ** (settings.level_dbfs / 20.0) * (0.15 if settings.is_tapping else 1.0)
    sound = np.zeros(n_samples)
    force = 10.0 ** (draw.normal(0.0, 1.0, len(strikes)) / 20.0)
    for side, gong_hz in enumerate(gongs_hz):
        hits = slice(side, None, len(gongs_hz))
        blows = list(zip(strikes[hits], force[hits].tolist(), strict=True))
        share = 10.0 ** (settings.second_db / 20.0) if side else 1.0
        sound += share * _ring_gong(n_samples, rate_hz, blows, gong_hz, settings.decay_s)
    return np.asarray(size * (sound + _knock(n_samples, rate_hz, strikes, draw)))


def _list_bursts(
    settings: BellSettings, draw: np.random.Generator
) -> tuple[list[list[float]], float]:
    """Strike times of each burst, and the end of the last cadence."""
    if settings.is_silent:
        return [], LEAD_S + 2.0
    if settings.is_tapping:
        # One tap at the opening and one at the closing of each of ten pulses.
        opened_s = LEAD_S + 0.1 * np.arange(10)
        taps = np.sort(np.concatenate([opened_s, opened_s + 0.061]))
        return [taps.tolist()], float(taps[-1])
    period_s = 0.5 / settings.ringing_hz
    bursts, now_s = [], LEAD_S
    for _ in range(settings.n_cycles):
        for index, length_s in enumerate(settings.cadence_s):
            if index % 2 == 0:
                count = int(np.floor(length_s / period_s))
                jitter = 0.01 * period_s * draw.standard_normal(count)
                at_s = period_s * np.arange(count)
                at_s[1::2] += (2.0 * settings.gap_share - 1.0) * period_s
                bursts.append((now_s + at_s + jitter).tolist())
            now_s += length_s
    return bursts, now_s


def _ring_gong(
    n_samples: int,
    rate_hz: int,
    blows: list[tuple[float, float]],
    gong_hz: float,
    decay_s: float,
) -> Array:
    """Sum of the damped partials of a gong, `blows` its (instant, force), shape (n_samples,)."""
    total = np.zeros(n_samples)
    first = [int(np.ceil(at_s * rate_hz)) for at_s, _ in blows]
    last = [*first[1:], n_samples]
    for ratio, size, lasting in PARTIALS:
        rate = -np.log(1e3) / (decay_s * lasting) + 2j * np.pi * gong_hz * ratio
        state, since_s = 0j, 0.0
        for k, (at_s, force) in enumerate(blows):
            # What still rings from before, turned and damped to now, and the new blow on top.
            state = state * np.exp(rate * (at_s - since_s)) + size * force
            since_s = at_s
            time_s = np.arange(first[k], last[k]) / rate_hz - at_s
            total[first[k] : last[k]] += np.imag(state * np.exp(rate * time_s))
    return total


def _knock(n_samples: int, rate_hz: int, strikes: list[float], draw: np.random.Generator) -> Array:
    """The clapper's own knock at each strike, shape (n_samples,)."""
    length = int(2e-3 * rate_hz)
    total = np.zeros(n_samples + length)
    fading = np.exp(-np.arange(length) / (0.4e-3 * rate_hz))
    for strike_s in strikes:
        first = int(np.ceil(strike_s * rate_hz))
        total[first : first + length] += 0.3 * fading * draw.standard_normal(length)
    return total[:n_samples]


def _level_dbfs(sound: Array, rate_hz: int, rings: tuple[tuple[float, float], ...]) -> float | None:
    parts = [sound[int(start_s * rate_hz) : int(end_s * rate_hz)] for start_s, end_s in rings]
    ringing = np.concatenate(parts)
    return float(10.0 * np.log10(2.0 * np.mean(ringing**2))) if len(ringing) else None


def _make(words: str, _more: str, seed: int) -> Scene[BellTruth]:
    return make_bell(words, seed=seed)


SCENE = SceneKind(words=BELLS, make=_make)
