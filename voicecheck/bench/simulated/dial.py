"""
Dial pulses on a loop: a quiet tone switched by the pulse contact, or the clicks alone.

What a real loop adds is here too: bounce when the contact closes, the spark when it opens, the
ringing of the line transformer, a dial that slows down or has one odd pulse. Sizes are common
practice, no source, except where a row of the dial tables is named.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from voicecheck.bench.simulated.draws import make_generator
from voicecheck.bench.simulated.scene import Scene, SceneKind, add_noise, check_words, make_gate
from voicecheck.errors import InputError
from voicecheck.records.arrays import Array

TONE_DBFS = -20.0
LEAD_S, TAIL_S = 1.0, 1.0
DIALS = {
    "healthy": "10 pulses per second, 61 % break",
    "british": "10 pulses per second, 66.7 % break",
    "slow": "old lubricant: under 8.5 pulses per second",
    "fast": "governor open: over 11.5 pulses per second",
    "long-break": "break ratio above 70 %",
    "short-break": "break ratio near 52 %",
    "bouncing": "the contact bounces for milliseconds when it closes",
    "slowing": "the speed falls by more than one pulse per second within a digit",
    "odd-last": "the last break of each digit is far too short",
    "missing-pulse": "one pulse of each long digit is not made",
    "clicks": "no tone: an AC-coupled recording of the clicks alone",
    "noisy": "20 dB signal to noise",
}
"""Words that `make_dial` takes, joined with "+"."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DialSettings:
    """
    How a dial pulses.

    Parameters
    ----------
    pulses_per_s, break_percent : float
    drift_pps : float
        Speed of the last pulse less that of the first, in a digit of ten.
    bounce_ms : float
        From the first closure to the last, at every make.
    last_break_ratio : float
        Length of a digit's last break re the others.
    is_missing : bool
        Digits of five or more lose one pulse in the middle.
    pause_s : float
        Closed time between digits (800 ms: S67, TRADE).
    jitter_percent : float
        Standard deviation of each period and each break.
    has_tone : bool
        False: only the clicks are heard.
    tone_hz, leak_db : float
        The tone, and what passes the open contact.
    ringing : float
        Spark and transformer ringing re the tone.
    snr_db : float
        Tone over white noise in the whole band.
    """

    pulses_per_s: float = 10.0
    break_percent: float = 61.0
    drift_pps: float = 0.0
    bounce_ms: float = 0.4
    last_break_ratio: float = 1.0
    is_missing: bool = False
    pause_s: float = 0.8
    jitter_percent: float = 0.4
    has_tone: bool = True
    tone_hz: float = 1000.0
    leak_db: float = -35.0
    ringing: float = 1.0
    snr_db: float = 45.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DialledDigit:
    """
    One digit as it was dialled.

    Parameters
    ----------
    digit : str
        What was meant.
    break_start_s, break_end_s : tuple of float
        First opening and first closure of every break.
    bounce_ms : float
        From the first closure to the last.
    pause_before_s : float or None
        From the end of the last break before.
    """

    digit: str
    break_start_s: tuple[float, ...]
    break_end_s: tuple[float, ...]
    bounce_ms: float
    pause_before_s: float | None = None

    @property
    def n_pulses(self) -> int:
        """Breaks made."""
        return len(self.break_start_s)

    @property
    def break_ms(self) -> Array:
        """Length of every break, shape (n_pulses,)."""
        return np.asarray(1e3 * (np.array(self.break_end_s) - np.array(self.break_start_s)))

    @property
    def make_ms(self) -> Array:
        """Length of every make between two breaks, shape (n_pulses - 1,)."""
        return np.asarray(
            1e3 * (np.array(self.break_start_s[1:]) - np.array(self.break_end_s[:-1]))
        )

    @property
    def pulses_per_s(self) -> float | None:
        """Mean speed; `None` for a single pulse, which has no period."""
        if self.n_pulses < 2:
            return None
        return (self.n_pulses - 1) / (self.break_start_s[-1] - self.break_start_s[0])

    @property
    def break_percent(self) -> float | None:
        """Break over period, of the pulses that are followed by another."""
        if self.n_pulses < 2:
            return None
        period_ms = 1e3 * (self.break_start_s[-1] - self.break_start_s[0])
        return float(100.0 * np.sum(self.break_ms[:-1]) / period_ms)


@dataclass(frozen=True, slots=True, kw_only=True)
class DialTruth:
    """Settings and digits of a dial scene."""

    number: str
    settings: DialSettings
    digits: tuple[DialledDigit, ...] = field(default_factory=tuple)


def count_pulses(digit: str, convention: str = "0 is ten") -> int:
    """
    Pulses of a digit.

    Parameters
    ----------
    digit : str
        "0" to "9".
    convention : str
        "0 is ten", "n plus 1" (Sweden) or "10 minus n" (New Zealand); the dial table, PUB-2ND.

    Returns
    -------
    int

    Examples
    --------
    >>> [count_pulses("0", c) for c in ("0 is ten", "n plus 1", "10 minus n")]
    [10, 1, 10]
    """
    value = int(digit)
    if convention == "n plus 1":
        return value + 1
    if convention == "10 minus n":
        return 10 - value
    return value or 10


def make_dial(
    text: str = "healthy", number: str = "3708", *, seed: int = 1, rate_hz: int = 48000
) -> Scene[DialTruth]:
    """
    A number dialled on a dial that a text describes.

    Parameters
    ----------
    text : str
        Words of `DIALS`, joined with "+".
    number : str
        Digits.
    seed : int
    rate_hz : int

    Returns
    -------
    Scene of DialTruth

    Raises
    ------
    InputError
        A word is not known, or the number holds something else than digits.

    Examples
    --------
    >>> [digit.n_pulses for digit in make_dial(number="310").truth.digits]
    [3, 1, 10]
    """
    settings = DialSettings()
    draw = make_generator(seed, "dial")
    shares = draw.uniform(size=8).tolist()
    for word in check_words(text, DIALS, "dial"):
        changes: dict[str, dict[str, float | bool]] = {
            "healthy": {},
            "british": {"break_percent": 66.7},
            "slow": {"pulses_per_s": 7.5 + 0.9 * shares[0]},
            "fast": {"pulses_per_s": 11.6 + 0.9 * shares[1]},
            "long-break": {"break_percent": 70.5 + 3.0 * shares[2]},
            "short-break": {"break_percent": 51.0 + 3.0 * shares[3]},
            "bouncing": {"bounce_ms": 5.5 + 3.0 * shares[4]},
            "slowing": {"drift_pps": -1.1 - 0.8 * shares[5]},
            "odd-last": {"last_break_ratio": 0.5 + 0.15 * shares[6]},
            "missing-pulse": {"is_missing": True},
            "clicks": {"has_tone": False},
            "noisy": {"snr_db": 20.0},
        }
        settings = replace(settings, **changes[word])  # type: ignore[arg-type]
    return make_dial_scene(number, settings, seed=seed, rate_hz=rate_hz)


def make_dial_scene(
    number: str,
    settings: DialSettings | None = None,
    *,
    seed: int = 1,
    rate_hz: int = 48000,
    convention: str = "0 is ten",
) -> Scene[DialTruth]:
    """
    A number dialled with given settings.

    Parameters
    ----------
    number : str
        Digits.
    settings : DialSettings, optional
    seed : int
    rate_hz : int
    convention : str
        As `count_pulses` takes it.

    Returns
    -------
    Scene of DialTruth

    Raises
    ------
    InputError
        The number holds something else than digits.
    """
    if not number.isdecimal() or not number.isascii():
        message = f"number: need digits 0 to 9, got {number!r}"
        raise InputError(message)
    settings = settings or DialSettings()
    digits = _dial_digits(number, settings, make_generator(seed, "dial", "pulses"), convention)
    end_s = digits[-1].break_end_s[-1] + TAIL_S
    n_samples = int(np.ceil(end_s * rate_hz))
    openings, closings = _list_edges(digits, make_generator(seed, "dial", "bounce"))
    closed = 1.0 - make_gate(n_samples, rate_hz, list(zip(openings, closings, strict=True)))
    size = 10.0 ** (TONE_DBFS / 20.0)
    samples = np.zeros(n_samples)
    if settings.has_tone:
        leak = 10.0 ** (settings.leak_db / 20.0)
        phase = 2.0 * np.pi * settings.tone_hz * np.arange(n_samples) / rate_hz
        samples += size * (leak + (1.0 - leak) * closed) * np.sin(phase)
    clicks = _make_clicks(n_samples, rate_hz, openings, closings, make_generator(seed, "spark"))
    samples += size * settings.ringing * clicks
    noise = make_generator(seed, "dial", "noise")
    rms = size / np.sqrt(2.0)
    return Scene(
        samples=add_noise(samples, noise, signal_rms=rms, snr_db=settings.snr_db),
        rate_hz=rate_hz,
        truth=DialTruth(number=number, settings=settings, digits=tuple(digits)),
    )


def _dial_digits(
    number: str, settings: DialSettings, draw: np.random.Generator, convention: str
) -> list[DialledDigit]:
    digits: list[DialledDigit] = []
    now_s, last_end_s = LEAD_S, None
    for digit in number:
        n_pulses = count_pulses(digit, convention)
        # The governor settles in the course of the return: the drift is that of ten pulses.
        place = np.arange(n_pulses) / 9.0 - 0.5 * (n_pulses - 1) / 9.0
        speed = settings.pulses_per_s + settings.drift_pps * place
        spread = 1.0 + 0.01 * settings.jitter_percent * draw.standard_normal((2, n_pulses))
        period_s = spread[0] / speed
        break_s = 0.01 * settings.break_percent / speed * spread[1]
        break_s[-1] *= settings.last_break_ratio
        start_s = now_s + np.concatenate([[0.0], np.cumsum(period_s[:-1])])
        end_s = start_s + break_s
        kept = np.ones(n_pulses, dtype=bool)
        if settings.is_missing and n_pulses >= 5:
            kept[int(draw.integers(1, n_pulses - 1))] = False
        digits.append(
            DialledDigit(
                digit=digit,
                break_start_s=tuple(start_s[kept].tolist()),
                break_end_s=tuple(end_s[kept].tolist()),
                bounce_ms=settings.bounce_ms,
                pause_before_s=None if last_end_s is None else float(start_s[0] - last_end_s),
            )
        )
        last_end_s = float(end_s[-1])
        now_s = last_end_s + settings.pause_s * (1.0 + 0.05 * draw.standard_normal())
    return digits


def _list_edges(
    digits: list[DialledDigit], draw: np.random.Generator
) -> tuple[list[float], list[float]]:
    """Every opening with the closing that follows it, bounce included."""
    openings: list[float] = []
    closings: list[float] = []
    for digit in digits:
        bounce_s = 1e-3 * digit.bounce_ms
        for start_s, end_s in zip(digit.break_start_s, digit.break_end_s, strict=True):
            openings.append(start_s)
            closings.append(end_s)
            if bounce_s < 0.2e-3:
                continue
            n_hops = int(np.clip(round(bounce_s / 1.5e-3), 1, 4))
            edges = end_s + bounce_s * np.sort(draw.uniform(0.15, 0.9, 2 * n_hops - 1))
            for index in range(n_hops):
                is_last = index == n_hops - 1
                openings.append(float(edges[2 * index]))
                closings.append(end_s + bounce_s if is_last else float(edges[2 * index + 1]))
    return openings, closings


def _make_clicks(
    n_samples: int,
    rate_hz: int,
    openings: list[float],
    closings: list[float],
    draw: np.random.Generator,
) -> Array:
    """Spark and transformer ringing at each opening, a smaller thump at each closing."""
    total = np.zeros(n_samples + rate_hz // 10)
    length = int(0.03 * rate_hz)
    fading = np.linspace(1.0, 0.0, int(0.6e-3 * rate_hz))
    for opened_s, closed_s in zip(openings, closings, strict=True):
        # A hop of a bouncing contact has no time to build up the current that rings.
        share = min(1.0, (closed_s - opened_s) / 5e-3)
        first = int(np.ceil(opened_s * rate_hz))
        time_s = np.arange(first, first + length) / rate_hz - opened_s
        ring = np.exp(-time_s / 4e-3) * np.sin(2.0 * np.pi * 420.0 * time_s)
        total[first : first + length] += 1.5 * share * ring
        sparks = fading * draw.standard_normal(len(fading))
        total[first : first + len(fading)] += 0.6 * share * sparks
        first = int(np.ceil(closed_s * rate_hz))
        time_s = np.arange(first, first + length) / rate_hz - closed_s
        thump = np.exp(-time_s / 3e-3) * np.cos(2.0 * np.pi * 260.0 * time_s)
        total[first : first + length] -= 0.8 * share * thump
    return total[:n_samples]


def _make(words: str, number: str, seed: int) -> Scene[DialTruth]:
    return make_dial(words, number or "1234567890", seed=seed)


SCENE = SceneKind(words=DIALS, make=_make, takes_more=True, example="slow+bouncing:370")
