"""
Keypad tones and call-progress tones.

Keypad frequencies: AS/CA S002:2010 Table 5, which cites ITU-T Q.23 (PUB). Call-progress tones:
the rows of `itu_t_e180_tones.csv`, each with its source and provenance.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np

from voicecheck.bench.simulated.draws import make_generator
from voicecheck.bench.simulated.scene import Scene, SceneKind, add_noise, check_words, make_gate
from voicecheck.bench.simulated.tables import load_rows
from voicecheck.errors import InputError
from voicecheck.records.arrays import Array
from voicecheck.records.terms import check_word

LOW_HZ = (697.0, 770.0, 852.0, 941.0)
HIGH_HZ = (1209.0, 1336.0, 1477.0, 1633.0)
KEYS = ("123A", "456B", "789C", "*0#D")
TONES_TABLE = "standards/itu_t_e180_tones.csv"
LEAD_S, TAIL_S = 0.5, 0.5
KEYPADS = {
    "healthy": "all within 0.5 %, high group 2 dB louder",
    "off-frequency": "one oscillator off by 1.8 to 3 %",
    "twisted": "high group 6 dB or more louder",
    "reverse-twist": "low group 8 dB or more louder",
    "short": "tones of 35 ms",
    "faint": "20 dB weaker",
    "noisy": "15 dB signal to noise",
}
"""Words that `make_keypad` takes, joined with "+"."""
KINDS = {
    "dial-tone": ("dial",),
    "ringing": ("ringback", "ringback A"),
    "busy": ("busy", "busy (engaged)"),
    "reorder": ("reorder (congestion)", "congestion", "reorder"),
    "number-unobtainable": ("number unobtainable",),
}
"""What the tone table calls each kind."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeypadSettings:
    """
    How a keypad sends.

    Parameters
    ----------
    tone_s, pause_s : float
    low_error_percent, high_error_percent : float
        Of the two groups.
    twist_db : float
        High group less low group.
    level_dbfs : float
        Of the low group, re a full-scale sine.
    snr_db : float
        Both tones over white noise in the whole band.
    """

    tone_s: float = 0.1
    pause_s: float = 0.1
    low_error_percent: float = 0.0
    high_error_percent: float = 0.0
    twist_db: float = 2.0
    level_dbfs: float = -20.0
    snr_db: float = 40.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneEvent:
    """
    One tone.

    Parameters
    ----------
    kind : str
        "dtmf" or one of `KINDS`.
    start_s, end_s : float
    frequencies_hz : tuple of float
        As sent.
    level_dbfs : float
        RMS of the whole tone while it is on, re a full-scale sine.
    cadence_s : tuple of float
        On, off, ...; empty for a continuous tone.
    digit : str
        Keypad only, with the errors and the twist.
    """

    kind: str
    start_s: float
    end_s: float
    frequencies_hz: tuple[float, ...]
    level_dbfs: float
    cadence_s: tuple[float, ...] = ()
    digit: str = ""
    low_error_percent: float = 0.0
    high_error_percent: float = 0.0
    twist_db: float = 0.0


def make_keypad(
    text: str = "healthy", digits: str = "1590", *, seed: int = 1, rate_hz: int = 48000
) -> Scene[tuple[ToneEvent, ...]]:
    """
    Digits sent by a keypad that a text describes.

    Parameters
    ----------
    text : str
        Words of `KEYPADS`, joined with "+".
    digits : str
        Of 0 to 9, A to D, * and #.
    seed : int
    rate_hz : int

    Returns
    -------
    Scene of tuple of ToneEvent

    Raises
    ------
    InputError
        A word or a digit is not known.

    Examples
    --------
    >>> [event.digit for event in make_keypad(digits="7#").truth]
    ['7', '#']
    """
    draw = make_generator(seed, "keypad")
    error = draw.uniform(-0.5, 0.5, 2).tolist()
    size, sign = draw.uniform(size=3).tolist(), 1.0 if draw.uniform() < 0.5 else -1.0
    settings = KeypadSettings(low_error_percent=error[0], high_error_percent=error[1])
    changes: dict[str, dict[str, float]] = {
        "healthy": {},
        "off-frequency": {"low_error_percent": sign * (1.8 + 1.2 * size[0])},
        "twisted": {"twist_db": 6.0 + 2.0 * size[1]},
        "reverse-twist": {"twist_db": -8.5 - 2.0 * size[2]},
        "short": {"tone_s": 0.035},
        "faint": {"level_dbfs": -40.0},
        "noisy": {"snr_db": 15.0},
    }
    for word in check_words(text, KEYPADS, "keypad"):
        settings = replace(settings, **changes[word])
    return make_keypad_scene(digits, settings, seed=seed, rate_hz=rate_hz)


def make_keypad_scene(
    digits: str,
    settings: KeypadSettings | None = None,
    *,
    seed: int = 1,
    rate_hz: int = 48000,
) -> Scene[tuple[ToneEvent, ...]]:
    """
    Digits sent with given settings.

    Parameters
    ----------
    digits : str
    settings : KeypadSettings, optional
    seed : int
    rate_hz : int

    Returns
    -------
    Scene of tuple of ToneEvent

    Raises
    ------
    InputError
        A digit is not on the keypad.
    """
    settings = settings or KeypadSettings()
    step_s = settings.tone_s + settings.pause_s
    events = [
        _plan_digit(digit, LEAD_S + index * step_s, settings)
        for index, digit in enumerate(digits.upper())
    ]
    low = 10.0 ** (settings.level_dbfs / 20.0)
    sizes = (low, low * 10.0 ** (settings.twist_db / 20.0))
    n_samples = round((LEAD_S + TAIL_S + len(digits) * step_s) * rate_hz)
    time_s = np.arange(n_samples) / rate_hz
    samples = np.zeros(n_samples)
    for event in events:
        gate = make_gate(n_samples, rate_hz, [(event.start_s, event.end_s)])
        for size, sent_hz in zip(sizes, event.frequencies_hz, strict=True):
            samples += gate * size * np.sin(2.0 * np.pi * sent_hz * time_s)
    samples = add_noise(
        samples,
        make_generator(seed, "keypad", "noise"),
        signal_rms=float(np.sqrt(0.5 * (sizes[0] ** 2 + sizes[1] ** 2))),
        snr_db=settings.snr_db,
    )
    return Scene(samples=samples, rate_hz=rate_hz, truth=tuple(events))


def _plan_digit(digit: str, start_s: float, settings: KeypadSettings) -> ToneEvent:
    row = next((k for k, keys in enumerate(KEYS) if digit in keys), None)
    if row is None:
        message = f"digits: need 0 to 9, A to D, * or #, got {digit!r}"
        raise InputError(message)
    high_over_low = 10.0 ** (settings.twist_db / 10.0)
    return ToneEvent(
        kind="dtmf",
        start_s=start_s,
        end_s=start_s + settings.tone_s,
        frequencies_hz=(
            LOW_HZ[row] * (1.0 + 0.01 * settings.low_error_percent),
            HIGH_HZ[KEYS[row].index(digit)] * (1.0 + 0.01 * settings.high_error_percent),
        ),
        level_dbfs=float(settings.level_dbfs + 10.0 * np.log10(1.0 + high_over_low)),
        digit=digit,
        low_error_percent=settings.low_error_percent,
        high_error_percent=settings.high_error_percent,
        twist_db=settings.twist_db,
    )


def list_regions() -> tuple[str, ...]:
    """Regions of the tone table that have a dial tone or a busy tone."""
    used = {name for names in KINDS.values() for name in names}
    regions = (row["region"] for row in load_rows(TONES_TABLE) if row["tone"] in used)
    return tuple(dict.fromkeys(region for region in regions if not region.startswith("any")))


def make_call(
    region: str,
    kinds: tuple[str, ...] = ("dial-tone", "busy"),
    *,
    seed: int = 1,
    rate_hz: int = 48000,
    length_s: float = 6.0,
    level_dbfs: float = -20.0,
    snr_db: float = 40.0,
    error_percent: float = 0.0,
) -> Scene[tuple[ToneEvent, ...]]:
    """
    Call-progress tones of a region, one after another.

    Parameters
    ----------
    region : str
        As `list_regions` names it.
    kinds : tuple of str
        Of `KINDS`.
    seed : int
    rate_hz : int
    length_s : float
        Of each tone with its cadence; whole cadences, at least one.
    level_dbfs : float
        Of each single frequency, re a full-scale sine.
    snr_db : float
        One frequency over white noise in the whole band.
    error_percent : float
        All frequencies off by this much.

    Returns
    -------
    Scene of tuple of ToneEvent

    Raises
    ------
    InputError
        The table has no such tone for the region.

    Examples
    --------
    >>> make_call("Germany", ("busy",), rate_hz=8000).truth[0].cadence_s
    (0.48, 0.48)
    """
    size, now_s = 10.0 ** (level_dbfs / 20.0), LEAD_S
    planned: list[tuple[ToneEvent, list[tuple[float, float]], str]] = []
    for kind in kinds:
        row = _find_tone(region, kind)
        cadence_s = read_cadence(row["cadence_on_off_s"])
        spans, end_s = _list_spans(cadence_s, now_s, length_s)
        texts = row["frequency_hz"].split(" then ")
        parts = [part for text in texts for part in _read_parts(text, error_percent)]
        event = ToneEvent(
            kind=kind,
            start_s=now_s,
            end_s=spans[-1][1],
            frequencies_hz=tuple(dict.fromkeys(hz for hz, _ in parts)),
            level_dbfs=level_dbfs + _crest_db(_read_parts(texts[0], error_percent)),
            cadence_s=cadence_s,
        )
        planned += [(event, spans[at :: len(texts)], text) for at, text in enumerate(texts)]
        now_s = end_s + 0.5
    n_samples = round((now_s + TAIL_S) * rate_hz)
    samples = np.zeros(n_samples)
    time_s = np.arange(n_samples) / rate_hz
    for _, spans, text in planned:
        gate = make_gate(n_samples, rate_hz, spans)
        samples += size * gate * _sound(_read_parts(text, error_percent), time_s)
    noise = make_generator(seed, "call", "noise")
    rms = size / np.sqrt(2.0)
    return Scene(
        samples=add_noise(samples, noise, signal_rms=rms, snr_db=snr_db),
        rate_hz=rate_hz,
        truth=tuple(dict.fromkeys(event for event, _, _ in planned)),
    )


def read_cadence(text: str) -> tuple[float, ...]:
    """
    Cadence in seconds on, off, on, off; empty for a continuous tone.

    Examples
    --------
    >>> read_cadence("0.4 on 0.2 off 0.4 on 2 off")
    (0.4, 0.2, 0.4, 2.0)
    """
    return tuple(float(value) for value in re.findall(r"([0-9.]+) o(?:n|ff)", text))


def _find_tone(region: str, kind: str) -> dict[str, str]:
    check_word(kind, KINDS, "tones")
    for row in load_rows(TONES_TABLE):
        if row["region"] == region and row["tone"] in KINDS[kind]:
            return row
    message = f"tones: no {kind} known for {region!r}; regions: {', '.join(list_regions())}"
    raise InputError(message)


def _read_parts(text: str, error_percent: float) -> list[tuple[float, float]]:
    """Frequencies with their modulation frequency: "350+440" added, "425*25" modulated."""
    off = 1.0 + 0.01 * error_percent
    parts = []
    for term in text.split("+"):
        carrier, _, modulation = term.partition("*")
        parts.append((off * float(carrier), float(modulation or 0.0)))
    return parts


def _sound(parts: list[tuple[float, float]], time_s: Array) -> Array:
    total = np.zeros_like(time_s)
    for carrier_hz, modulation_hz in parts:
        wave = np.sin(2.0 * np.pi * carrier_hz * time_s)
        if modulation_hz:
            wave *= 0.5 * (1.0 + 0.95 * np.sin(2.0 * np.pi * modulation_hz * time_s))
        total += wave
    return total


def _crest_db(parts: list[tuple[float, float]]) -> float:
    """Level of the sum re one plain frequency: 95 % modulation has (1 + 0.95^2 / 2) / 4."""
    powers = [0.25 * (1.0 + 0.5 * 0.95**2) if modulation else 1.0 for _, modulation in parts]
    return float(10.0 * np.log10(sum(powers)))


def _list_spans(
    cadence_s: tuple[float, ...], start_s: float, length_s: float
) -> tuple[list[tuple[float, float]], float]:
    """On-times of whole cadences that fill about `length_s`, and their end."""
    if not cadence_s:
        return [(start_s, start_s + length_s)], start_s + length_s
    spans, now_s = [], start_s
    for _ in range(max(1, round(length_s / sum(cadence_s)))):
        for index, part_s in enumerate(cadence_s):
            if index % 2 == 0:
                spans.append((now_s, now_s + part_s))
            now_s += part_s
    return spans, now_s


def _make(words: str, more: str, seed: int) -> Scene[tuple[ToneEvent, ...]]:
    """Call-progress tones with their region; else keypad words with digits."""
    kinds = tuple(word.strip() for word in words.split("+"))
    if set(kinds) <= set(KINDS):
        return make_call(more or "North America", kinds, seed=seed)
    return make_keypad(words, more or "1590", seed=seed)


SCENE = SceneKind(
    words=KEYPADS | dict.fromkeys(KINDS, "call-progress tone; a region may follow after :"),
    make=_make,
    takes_more=True,
    example="noisy:1590",
)
