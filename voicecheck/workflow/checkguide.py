"""What each check is for, what may hurt, and what to do at the bench: the words of page and CLI."""

from __future__ import annotations

from dataclasses import dataclass

from voicecheck.errors import InputError
from voicecheck.workflow.scenes import TRIM_S, get_take_length

RINGING_CAUTION = (
    "Ringing voltage, commonly 60 to 105 V and up to 150 V, can injure. Disconnect "
    "before touching anything; use an isolated, current-limited ring source; local codes and "
    "licensed practice decide what may be connected to a line."
)
HEARING_CAUTION = "A tone plays. Keep the receiver on its coupler or on the bench, never at an ear."
LINE_CAUTION = (
    "Line battery and ringing can shock. Readings on a public line only where local "
    "rules allow and by whoever is licensed to; this program gives no approval."
)
SPEAK_NOW = "Speak now: count to six at your usual voice, with pauses."
ON_BENCH = "Put the set into the loop, its handset off the hook and its receiver on the coupler."


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckGuide:
    """
    About one check.

    Parameters
    ----------
    title, purpose : str
    caution : str
        To be read before anything else; "" where nothing may hurt.
    seconds : float
        How long a sound device usually records for it.
    """

    title: str
    purpose: str
    caution: str = ""
    seconds: float = 0.0


GUIDES = {
    "dial": CheckGuide(
        title="Dial",
        purpose="Count, speed, break, drift and bounce of each digit that is dialled.",
        caution=HEARING_CAUTION,
        seconds=30.0,
    ),
    "tones": CheckGuide(
        title="Tones",
        purpose="Keypad digits, and dial, busy and ringing tone of the line, by frequency, level "
        "and cadence.",
        caution=LINE_CAUTION,
        seconds=20.0,
    ),
    "flex": CheckGuide(
        title="Cord, hook, handset",
        purpose="A steady tone is watched for dropouts, level steps and crackle while something "
        "is moved to a beat.",
        caution=HEARING_CAUTION,
        seconds=30.0,
    ),
    "bell": CheckGuide(
        title="Bell",
        purpose="Strike rate, the two gongs, level, decay and cadence, heard by a microphone.",
        caution=RINGING_CAUTION,
        seconds=15.0,
    ),
    "speak": CheckGuide(
        title="Speech",
        purpose="Count to six: active speech level (ITU-T P.56), crest factor, noise in the "
        "pauses, and a recording for the owner.",
        seconds=12.0,
    ),
    "line": CheckGuide(
        title="Line",
        purpose="Readings of a meter on the line or the bench feed, typed in.",
        caution=LINE_CAUTION,
    ),
}


def list_check_steps(kind: str, *, plays: bool, moved: str = "cord") -> tuple[str, ...]:
    """
    What to do at a sound device before and while a check is recorded.

    Parameters
    ----------
    kind : str
        "dial", "tones", "flex", "bell" or "speak".
    plays : bool
        Whether a tone or speech goes out meanwhile.
    moved : str
        "cord", "hook" or "handset", of a flex check.

    Raises
    ------
    InputError
        There is no such check.

    Examples
    --------
    >>> list_check_steps("dial", plays=False)[-1]
    'Begin, then dial the digits one after another.'
    """
    steps = {
        "dial": ("Begin, then dial the digits one after another.",),
        "tones": ("Begin, then press the keys, or let the tones of the line come in.",),
        "flex": (ON_BENCH, f"Begin, then move the {moved} once at each beat that is shown."),
        "bell": (
            "Microphone at the distance you always use, gain untouched.",
            "Begin, then let the bell ring.",
        ),
        "speak": ("Begin, then count to six at your usual voice, with pauses.",),
    }
    if kind not in steps:
        raise InputError(f"check: need one of {', '.join(steps)}, got {kind[:40]!r}")
    playing = {
        "dial": (ON_BENCH, "Begin, wait for the tone, then dial the digits one after another."),
        "speak": ("Receiver on its coupler.", "Begin, and let the speech play to its end."),
    }
    return playing.get(kind, steps[kind]) if plays else steps[kind]


def get_check_caution(kind: str, *, plays: bool) -> str:
    """
    The caution of a check at a sound device; "" where nothing may hurt.

    Examples
    --------
    >>> get_check_caution("dial", plays=False)
    ''
    >>> get_check_caution("speak", plays=True) == HEARING_CAUTION
    True
    """
    if kind in {"dial", "flex", "speak"}:
        return HEARING_CAUTION if plays else ""
    return GUIDES[kind].caution


@dataclass(frozen=True, slots=True, kw_only=True)
class Beat:
    """When to move: the number of the movement, and where along the cord."""

    number: int
    moved: str
    place: str = ""

    def __str__(self) -> str:
        """As it is told."""
        where = f" ({self.place})" if self.place else ""
        return f"{self.number}: move the {self.moved} now{where}"


class Metronome:
    """
    Finds each beat as it is due; the sound device tells how far the take is.

    Beats are counted from the start of what is analysed, as `measure_flex` counts movements.

    Parameters
    ----------
    seconds, beat_s : float
    moved : str
    places : tuple of str
        Where along the cord, for equal shares of the time.
    plays : bool
        Whether a tone goes out; a take with one has a lead before it.

    Examples
    --------
    >>> metronome = Metronome(10.0, 1.0, moved="cord", places=("plug", "end"), plays=False)
    >>> [str(metronome.find_beat(fraction)) for fraction in (0.05, 0.1, 0.15, 0.61)]
    ['None', '1: move the cord now (plug)', 'None', '6: move the cord now (end)']
    """

    def __init__(
        self, seconds: float, beat_s: float, *, moved: str, places: tuple[str, ...], plays: bool
    ) -> None:
        self._beat_s, self._moved, self._places = beat_s, moved, places
        self._seconds, self._begins_s, self._whole_s = seconds, 0.0, seconds
        if plays:
            lead_s, self._whole_s = get_take_length(seconds)
            self._begins_s, self._seconds = lead_s + TRIM_S, seconds - 2.0 * TRIM_S
        self._last, self._was_s = 0, 0.0

    def find_beat(self, fraction: float) -> Beat | None:
        """
        The beat that has become due since the last call.

        Parameters
        ----------
        fraction : float
            How much of the take is done.
        """
        now_s = fraction * self._whole_s - self._begins_s
        if now_s < self._was_s:
            # A take that lost frames is taken again from its beginning.
            self._last = 0
        self._was_s = now_s
        number = int(now_s / self._beat_s + 1e-9)
        if number <= self._last or now_s > self._seconds:
            return None
        self._last = number
        at = min(int(now_s / self._seconds * len(self._places)), len(self._places) - 1)
        place = self._places[at] if self._places else ""
        return Beat(number=number, moved=self._moved, place=place)
