"""The beat that something is moved to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from voicecheck.workflow.checks.kinds import CheckKind
from voicecheck.workflow.checks.source import Source
from voicecheck.workflow.checks.take import TRIM_S, get_take_length


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


def make_metronome(kind: CheckKind, source: Source, options: Any) -> Metronome | None:
    """The metronome of a check at a sound device; `None` where nothing is moved to a beat."""
    if not kind.is_paced:
        return None
    return Metronome(
        source.seconds,
        options.beat_s,
        moved=options.moved,
        places=options.places,
        plays=source.plays,
    )
