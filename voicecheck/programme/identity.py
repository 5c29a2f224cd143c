"""
Which programme it was: a recipe told in 48 bits, played as a burst of tones before each mark.

A bit is a tone in one of two neighbouring slots: both are compared at one frequency, so that
neither the handset's response nor the level, a delay or a clock that differs counts. 16 tones
side by side and three pairs of slots make 48 bits: what the programmes on offer differ by, a hash
of the whole recipe, and a check sum.
"""

from __future__ import annotations

import dataclasses
import hashlib
import itertools
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from voicecheck.cutting import cut_padded
from voicecheck.programme.recipes import RATES_HZ, RECIPES
from voicecheck.records import Recipe
from voicecheck.records.arrays import Array
from voicecheck.units import ratio_from_db

TONES_HZ = 140.0 * (np.arange(5, 21) + 0.5)
"""
770 to 2870 Hz. Odd halves of the spacing: harmonics and sums of two tones, which a curved element
adds, fall between the tones.
"""
N_PAIRS = 3
N_BITS = N_PAIRS * len(TONES_HZ)
FIELDS = {"kind": 2, "rate": 2, "level": 8, "n_sweeps": 4, "sweep": 6, "digest": 16}
"""Bits of each part of an identity, in their order; a check sum of 10 follows."""
CHECK_BITS, CHECK_POLYNOMIAL = 10, 0x233
"""ITU-T I.610 (MEM); any polynomial of that length would do, nothing else depends on it."""
LOWEST_LEVEL_DBFS, LEVEL_STEP_DB, SWEEP_STEP_S = -63.75, 0.25, 0.25
HIGHEST_CAP_DBFS = -0.1
"""No programme may come nearer to full scale."""
KINDS = ("default", "quick", "careful")
OTHER = 3
"""Kind or rate that none of the lists has."""
CLEAR = 0.65
"""
Least mean contrast of the slots for bits to be believed.

Measured: noise alone reaches 0.61 (300 draws, mean 0.50), a burst through carbon in noise of the
voice band 10 dB under the sweeps 0.89, 3 dB under them 0.65 (bursts of 0.2 s;
0.3 s reach more). Lower, noise may be read as a programme; higher, bursts must be louder.
"""
FLIPPED, DOUBTFUL_BITS = 2, 5
"""Up to so many of the least certain bits are tried the other way round."""
EXPECTED = 0.35
"""
Least agreement with a known identity.

Noise has a standard deviation of 0.06 where both bursts are read, and the programmes on offer are
450 at whole levels; the right one reached 0.42 in noise 3 dB under the sweeps (resonant carbon).
"""


PLAIN_SHARE = 0.9
"""
Least agreement, as a share of the best that the contrasts allow, that needs no other candidate.

Two programmes on offer differ in 6 of 48 bits at least, half of them in 20: another reaches 0.75.
"""


@dataclass(frozen=True, slots=True)
class Identity:
    """
    What the bits say of a recipe.

    `kind` is an index of `KINDS`, `rate` one of `RATES_HZ`, 3 for others; `level` and `sweep` count
    steps, `n_sweeps` is 0 above 15; `digest` is of all that shapes the sound.
    """

    kind: int
    rate: int
    level: int
    n_sweeps: int
    sweep: int
    digest: int

    def describe(self) -> str:
        """In words, for a message."""
        name = KINDS[self.kind] if self.kind < OTHER else "special"
        level_dbfs = LOWEST_LEVEL_DBFS + LEVEL_STEP_DB * self.level
        rate = f"{RATES_HZ[self.rate]} Hz" if self.rate < OTHER else "another rate"
        sweeps = f"{self.n_sweeps or 'many'} sweeps of {SWEEP_STEP_S * self.sweep:g} s"
        return f"the {name} programme at {level_dbfs:g} dBFS, {rate}, {sweeps}"


def identify(recipe: Recipe) -> Identity:
    """
    Identity of a recipe.

    Parameters
    ----------
    recipe : Recipe

    Returns
    -------
    Identity
        Equal for recipes that make the same sound, whatever their cap.

    Examples
    --------
    >>> identify(RECIPES["default"]).describe()
    'the default programme at -12 dBFS, 48000 Hz, 3 sweeps of 3 s'
    """
    kind = OTHER
    for index, name in enumerate(KINDS):
        if digest_recipe(_vary(RECIPES[name], recipe)) == digest_recipe(recipe):
            kind = index
    steps = round((recipe.level_dbfs - LOWEST_LEVEL_DBFS) / LEVEL_STEP_DB)
    return Identity(
        kind=kind,
        rate=RATES_HZ.index(recipe.rate_hz) if recipe.rate_hz in RATES_HZ else OTHER,
        level=min(max(steps, 0), 255),
        n_sweeps=recipe.n_sweeps if recipe.n_sweeps < 16 else 0,
        sweep=min(round(recipe.sweep_s / SWEEP_STEP_S), 63),
        digest=digest_recipe(recipe),
    )


def _vary(base: Recipe, like: Recipe) -> Recipe:
    return dataclasses.replace(
        base,
        rate_hz=like.rate_hz,
        level_dbfs=like.level_dbfs,
        n_sweeps=like.n_sweeps,
        sweep_s=like.sweep_s,
        cap_dbfs=like.cap_dbfs,
    )


@lru_cache(maxsize=64)
def digest_recipe(recipe: Recipe) -> int:
    """16 bits of a hash of all that shapes the sound; fields that came later change none."""
    base = Recipe()
    told = [
        f"{one.name}={getattr(recipe, one.name)!r}"
        for one in dataclasses.fields(Recipe)
        if one.name != "cap_dbfs" and getattr(recipe, one.name) != getattr(base, one.name)
    ]
    return int.from_bytes(hashlib.sha256(";".join(sorted(told)).encode()).digest()[:2], "big")


def find_recipe(identity: Identity, known: Iterable[Recipe] = ()) -> Recipe | None:
    """
    The recipe that an identity belongs to.

    Parameters
    ----------
    identity : Identity
    known : iterable of Recipe
        Looked at first; the programmes on offer are rebuilt from the identity itself, at levels
        of 0.01 dB and with sweeps of 0.05 s.

    Returns
    -------
    Recipe or None
        `None` where none has that identity.
    """
    for recipe in known:
        if identify(recipe) == identity:
            return recipe
    if not _is_on_offer(identity):
        return None
    rebuilt = _rebuild(identity)
    for level_dbfs, sweep_s in itertools.product(
        _list_near(rebuilt.level_dbfs, 0.01), _list_near(rebuilt.sweep_s, 0.05)
    ):
        recipe = dataclasses.replace(rebuilt, level_dbfs=level_dbfs, sweep_s=sweep_s)
        if identify(recipe) == identity:
            return recipe
    return None


def guess_recipe(identity: Identity) -> tuple[Recipe, float] | None:
    """
    A recipe like the one of an identity, but for what its level may differ by.

    Parameters
    ----------
    identity : Identity
        Of a programme that `find_recipe` does not find.

    Returns
    -------
    recipe, level_doubt_db : Recipe and float, or None
        An identity tells levels in steps; of all else but the length of the sweeps, which the
        marks show, it says that it is as in the programmes on offer. `None` where it does not.

    Examples
    --------
    >>> odd = dataclasses.replace(RECIPES["quick"], level_dbfs=-20.1234)
    >>> recipe, level_doubt_db = guess_recipe(identify(odd))
    >>> recipe.level_dbfs, level_doubt_db
    (-20.0, 0.125)
    """
    if not _is_on_offer(identity) or not 0 < identity.level < 255:
        return None
    return _rebuild(identity), 0.5 * LEVEL_STEP_DB


def _is_on_offer(identity: Identity) -> bool:
    return identity.kind < OTHER and identity.rate < OTHER and identity.n_sweeps > 0


def _rebuild(identity: Identity) -> Recipe:
    """The programme on offer, at the level and with the sweeps that the identity tells in steps."""
    return dataclasses.replace(
        RECIPES[KINDS[identity.kind]],
        rate_hz=RATES_HZ[identity.rate],
        level_dbfs=LOWEST_LEVEL_DBFS + LEVEL_STEP_DB * identity.level,
        n_sweeps=identity.n_sweeps,
        sweep_s=SWEEP_STEP_S * identity.sweep,
        # It was played, so its cap allowed it.
        cap_dbfs=HIGHEST_CAP_DBFS,
    )


def _list_near(value: float, step: float) -> list[float]:
    """A value told in quarters, and the round ones that are told as the same, nearest first."""
    digits = 2
    around = [round(value + step * place, digits) for place in range(-20, 21)]
    near = [one for one in around if abs(one - value) <= 0.5 * LEVEL_STEP_DB]
    return sorted({value, *near}, key=lambda one: abs(one - value))


def encode_identity(identity: Identity) -> tuple[int, ...]:
    """Bits of an identity with their check sum, shape (48,)."""
    bits = [
        (getattr(identity, name) >> place) & 1
        for name, width in FIELDS.items()
        for place in reversed(range(width))
    ]
    return (*bits, *_check(bits))


def _check(bits: Iterable[int]) -> tuple[int, ...]:
    register = (1 << CHECK_BITS) - 1
    for bit in bits:
        top = (register >> (CHECK_BITS - 1)) ^ bit
        register = (register << 1) & ((1 << CHECK_BITS) - 1)
        if top & 1:
            register ^= CHECK_POLYNOMIAL
    return tuple((register >> place) & 1 for place in reversed(range(CHECK_BITS)))


def make_burst(recipe: Recipe, time_s: Array) -> Array:
    """
    The burst at any instants.

    Parameters
    ----------
    recipe : Recipe
    time_s : ndarray, shape (n,)
        Seconds from the start of the burst, on the player's clock.

    Returns
    -------
    ndarray, shape (n,)
        Full-scale units, 0 outside the burst; its peak is the recipe's level.
    """
    bits = encode_identity(identify(recipe))
    peak = _find_peak(bits, recipe.identity_s)
    return np.asarray(ratio_from_db(recipe.level_dbfs) / peak * _sum_tones(bits, recipe, time_s))


def _sum_tones(bits: tuple[int, ...], recipe: Recipe, time_s: Array) -> Array:
    slot_s = recipe.identity_s / (2 * N_PAIRS)
    slots = np.floor(time_s / slot_s).astype(int)
    total = np.zeros_like(time_s)
    # Quadratic phases keep the peak of many tones low.
    phases = np.pi * np.arange(len(TONES_HZ)) ** 2 / len(TONES_HZ)
    table = np.array(bits).reshape(N_PAIRS, len(TONES_HZ))
    for slot in range(2 * N_PAIRS):
        here = slots == slot
        on = table[slot // 2] == (slot + 1) % 2
        angle = 2.0 * np.pi * TONES_HZ[on, None] * time_s[here] + phases[on, None]
        shape = np.sin(np.pi * (time_s[here] / slot_s - slot)) ** 2
        total[here] = shape * np.sum(np.sin(angle), axis=0)
    return total


@lru_cache(maxsize=64)
def _find_peak(bits: tuple[int, ...], identity_s: float) -> float:
    grid_s = np.arange(round(identity_s * 96000)) / 96000.0
    # The true peak lies up to half a percent above that of the grid.
    tones = _sum_tones(bits, Recipe(identity_s=identity_s), grid_s)
    return 1.005 * float(np.max(np.abs(tones), initial=1e-9))


def read_burst(samples: Array, rate_hz: int, start_s: float, length_s: float) -> Array:
    """
    Contrast of the two slots of each bit.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
        The recording.
    rate_hz : int
    start_s, length_s : float
        The burst, seconds of the recording.

    Returns
    -------
    ndarray, shape (48,)
        From -1 (a zero) to 1 (a one); near 0 nothing can be said.
    """
    count = round(length_s / (2 * N_PAIRS) * rate_hz)
    firsts = [
        round((start_s + slot * length_s / (2 * N_PAIRS)) * rate_hz) for slot in range(2 * N_PAIRS)
    ]
    cuts = np.array([cut_padded(samples, first, count) for first in firsts])
    real, imag = _make_detectors(rate_hz, count)
    energy = (cuts @ real) ** 2 + (cuts @ imag) ** 2
    first, second = energy[0::2], energy[1::2]
    return np.asarray((first - second) / np.maximum(first + second, 1e-30)).ravel()


@lru_cache(maxsize=4)
def _make_detectors(rate_hz: int, count: int) -> tuple[Array, Array]:
    window = np.sin(np.pi * (np.arange(count) + 0.5) / count) ** 2
    angle = 2.0 * np.pi * np.outer(np.arange(count) / rate_hz, TONES_HZ)
    return window[:, None] * np.cos(angle), window[:, None] * np.sin(angle)


def decode_identity(contrast: Array, known: Iterable[Recipe] = ()) -> Identity | None:
    """
    The identity that some contrasts tell, if they tell one.

    Parameters
    ----------
    contrast : ndarray, shape (48,)
        As `read_burst`, or the mean of several.
    known : iterable of Recipe
        Programmes that it may be, beside those on offer at whole levels: one of these is found in
        more noise than one that has to be read bit by bit.

    Returns
    -------
    Identity or None
        `None` where neither the check sum fits nor a programme that is known.
    """
    likely = (*map(identify, known), *_list_common())
    agreement = np.array([_get_signs(one) for one in likely]) @ contrast / N_BITS
    best = int(np.argmax(agreement))
    if _is_plain(float(agreement[best]), contrast):
        return likely[best]
    read = _decode_bits(contrast)
    if read is not None:
        return read
    return likely[best] if agreement[best] >= EXPECTED else None


def _is_plain(agreement: float, contrast: Array) -> bool:
    return agreement >= max(EXPECTED, PLAIN_SHARE * float(np.mean(np.abs(contrast))))


@lru_cache(maxsize=1)
def _list_common() -> tuple[Identity, ...]:
    """The programmes on offer at every whole level and rate."""
    return tuple(
        identify(dataclasses.replace(recipe, rate_hz=rate_hz, level_dbfs=float(level_dbfs)))
        for recipe in RECIPES.values()
        for rate_hz in RATES_HZ
        for level_dbfs in range(-50, 0)
    )


@lru_cache(maxsize=1024)
def _get_signs(identity: Identity) -> Array:
    return 2.0 * np.array(encode_identity(identity)) - 1.0


def _decode_bits(contrast: Array) -> Identity | None:
    if float(np.mean(np.abs(contrast))) < CLEAR:
        return None
    bits = (contrast > 0.0).astype(int)
    weakest = np.argsort(np.abs(contrast))[:DOUBTFUL_BITS]
    for n_flipped in range(FLIPPED + 1):
        for turned in itertools.combinations(weakest, n_flipped):
            tried = bits.copy()
            tried[list(turned)] ^= 1
            found = tried.tolist()
            if _check(found[:-CHECK_BITS]) == tuple(found[-CHECK_BITS:]):
                return _unpack(found)
    return None


def _unpack(bits: list[int]) -> Identity:
    values, at = [], 0
    for width in FIELDS.values():
        values.append(int("".join(map(str, bits[at : at + width])), 2))
        at += width
    return Identity(*values)


def has_identity(contrast: Array, recipe: Recipe) -> bool:
    """
    Whether some contrasts are plainly those of one recipe.

    Parameters
    ----------
    contrast : ndarray, shape (48,)
    recipe : Recipe

    Returns
    -------
    bool
        False in much noise, too, where `decode_identity` may still tell.
    """
    return _is_plain(float(np.mean(contrast * _get_signs(identify(recipe)))), contrast)
