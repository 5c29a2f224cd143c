"""What is asked before a seat and told after it, in the same words wherever it is shown."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from voicecheck.bench.calibration.guides import get_guide
from voicecheck.bench.hardware import list_plugs
from voicecheck.errors import RecordingError
from voicecheck.records import BenchSetup, Measurement, Programme
from voicecheck.records.orders import SweepOrder
from voicecheck.records.terms import PathName, check_word
from voicecheck.workflow.sweeping.advice import advise, find_spread_db
from voicecheck.workflow.wording import say_path

USUAL_LOAD_OHM = 600.0
"""Of a bare sound device, whose load is not known."""

SETTLE_S = 5
"""Feed on before a carbon transmitter is conditioned (ITU-T P.75 as the design has it)."""
TURN_OVER = (
    "Turn the handset over slowly and back, then repeat that twice: three turns in all "
    "(ITU-T P.75). Touch nothing then."
)
ENOUGH_DBFS, TOO_MUCH_DBFS = -45.0, -3.0
"""Peak of the input: below the first noise withholds points, above the second steps clip (PROP)."""

CAUTION_OF = {
    "transmit": "reference-transmit",
    "sidetone": "reference-transmit",
    "both": "reference-transmit",
    "receive": "reference-receive",
    "loop": "loop-back",
}
TALKING_PATHS = {"transmit", "sidetone", "both"}


def is_fed(path: str, transmitter: str) -> bool:
    """
    Whether the set's feed is switched on for a path.

    Parameters
    ----------
    path : str
        "transmit", "sidetone", "both", "receive" or "loop".
    transmitter : str
        Kind of the set type's transmitter.
    """
    return path in TALKING_PATHS and transmitter in {"carbon", "electret"}


def needs_conditioning(path: str, transmitter: str) -> bool:
    """Whether the handset is turned over before each take (ITU-T P.75): carbon that talks."""
    return path in TALKING_PATHS and transmitter == "carbon"


def get_seat_caution(path: str) -> str:
    """
    The caution of a path: what may hurt ears, hands or the set.

    Raises
    ------
    InputError
        There is no such path.
    """
    check_word(path, CAUTION_OF, "path")
    return get_guide(CAUTION_OF[path]).caution


def list_seat_steps(
    path: str,
    transmitter: str,
    *,
    feed_ma: float,
    seat: int,
    setup: BenchSetup | None = None,
) -> tuple[str, ...]:
    """
    What to do before a seat is taken.

    Parameters
    ----------
    path : str
        "transmit", "sidetone", "both", "receive" or "loop".
    transmitter : str
        Kind of the set type's transmitter.
    feed_ma : float
        To be switched on, mA.
    seat : int
        From 1; plugs are told of before the first one only.
    setup : BenchSetup, optional
        `None` for a bare sound device, whose plugs are not known.

    Returns
    -------
    tuple of str
        Whole sentences, in their order. After them the feed settles for `SETTLE_S` where the
        set `is_fed`, then comes `TURN_OVER` where it `needs_conditioning`.

    Examples
    --------
    >>> list_seat_steps("transmit", "carbon", feed_ma=30, seat=2)[-1]
    'Then switch the feed on, 30 mA.'
    """
    steps = []
    if setup is not None and seat == 1:
        prompts = list_plugs(setup, "transmit" if path == "both" else path)
        steps += [f"{prompt[0].upper()}{prompt[1:]}." for prompt in prompts]
    if path == "loop":
        load_ohm = USUAL_LOAD_OHM if setup is None else setup.load_ohm
        pad = f"Connect line drive to line tap through the {load_ohm:.0f} ohm pad, nothing else."
        return (*steps, pad)
    again = "Clamp the handset"
    if seat > 1:
        off = "Feed off, take" if is_fed(path, transmitter) else "Take"
        again = f"{off} the handset out and clamp it again"
    steps.append(f"{again}, its receiver on the coupler, never at an ear.")
    if is_fed(path, transmitter):
        steps.append(f"Then switch the feed on, {feed_ma:g} mA.")
    return tuple(steps)


def rate_level(peak_dbfs: float) -> str:
    """In a word or two whether the input has enough level."""
    if peak_dbfs > TOO_MUCH_DBFS:
        return "too loud"
    return "good" if peak_dbfs >= ENOUGH_DBFS else "too quiet"


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatRequest:
    """What somebody is asked to do before a take; `button` says what follows."""

    title: str
    steps: tuple[str, ...]
    caution: str = ""
    button: str = "Done"


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatReport:
    """
    What a take gave.

    Parameters
    ----------
    seat, n_seats : int
    line : str
        Level, spread so far and problems, or why it is not usable.
    measurement : Measurement or None
        `None` where the recording is not usable.
    problems, advice : tuple of str
        What was found in it, and what to do before the next seat.
    """

    seat: int
    n_seats: int
    line: str
    measurement: Measurement | None = None
    problems: tuple[str, ...] = ()
    advice: tuple[str, ...] = ()


class Attendant(Protocol):
    """Whoever stands at the bench, as the command line or the page reaches them."""

    @property
    def is_asked(self) -> bool:
        """Whether there is somebody to ask; else takes follow each other."""
        ...

    def prepare(self, programme: Programme, path: PathName) -> None:
        """What will be played in every take, and along which path its level is told."""

    def follow(self, fraction: float, peak_dbfs: float) -> None:
        """How much of a take is done, and the peak of the input."""

    def note(self, line: str) -> None:
        """Something to know before the first take."""

    def ask(self, request: SeatRequest) -> None:
        """Ask, and return when it is done."""

    def settle(self, seconds: int, what: str) -> None:
        """Let time pass, and say for what."""

    def begin(self, seat: int, n_seats: int) -> None:
        """A take begins."""

    def report(self, report: SeatReport) -> bool:
        """A take is done and analysed; true where it is to be taken again."""
        ...


class SeatGuide:
    """
    What is asked and told around each seat of a sweep.

    Parameters
    ----------
    order : SweepOrder
    transmitter : str
        Kind of the set type's transmitter.
    feed_ma : float
        To be switched on, mA.
    attendant : Attendant
    setup : BenchSetup, optional
        `None` for a bare sound device.
    """

    def __init__(
        self,
        order: SweepOrder,
        transmitter: str,
        *,
        feed_ma: float,
        attendant: Attendant,
        setup: BenchSetup | None = None,
    ) -> None:
        self._order, self._transmitter, self._feed_ma = order, transmitter, feed_ma
        self._attendant, self._setup = attendant, setup
        self._n_seats = order.seats
        self._done: list[Measurement] = []

    def before_seat(self, seat: int, n_seats: int) -> None:
        """Ask for what is to be done at a real bench; then the take begins."""
        self._n_seats = n_seats
        if self._attendant.is_asked:
            self._ask(seat)
        self._attendant.begin(seat, n_seats)

    def after_seat(self, seat: int, found: Measurement | RecordingError) -> bool:
        """
        Tell what the take gave, how the seats spread so far, and what to look at.

        Returns
        -------
        bool
            Whether the seat is to be taken again in place of this take.
        """
        if isinstance(found, RecordingError):
            line = f"Seat {seat}: not usable: {found} (the recording is kept)"
            return self._attendant.report(SeatReport(seat=seat, n_seats=self._n_seats, line=line))
        self._done.append(found)
        problems = tuple(
            f"{one.kind}: {'; '.join(filter(None, (one.message, one.effect)))}"
            for one in found.problems
        )
        is_again = self._attendant.report(
            SeatReport(
                seat=seat,
                n_seats=self._n_seats,
                line=self._describe(seat, found),
                measurement=found,
                problems=problems,
                advice=advise(self._done, self._order.first_path, self._transmitter),
            )
        )
        if is_again:
            self._done.pop()
        return is_again

    def _ask(self, seat: int) -> None:
        path = self._order.path
        on = f", {self._setup.name}" if self._setup else ""
        title = f"Seat {seat} of {self._n_seats}, {say_path(path)}{on}"
        steps = list_seat_steps(
            path, self._transmitter, feed_ma=self._feed_ma, seat=seat, setup=self._setup
        )
        caution = get_seat_caution(path)
        self._attendant.ask(SeatRequest(title=title, steps=steps, caution=caution))
        if is_fed(path, self._transmitter):
            self._attendant.settle(SETTLE_S, "Feed settling")
        if needs_conditioning(path, self._transmitter):
            self._attendant.ask(
                SeatRequest(title=title, steps=(TURN_OVER,), button="Start the take")
            )

    def _describe(self, seat: int, found: Measurement) -> str:
        level = found.bands.at_1khz_db
        unit = found.response.unit if found.response else "dB"
        text = "withheld" if level is None else f"{level:.1f} {unit} at 1 kHz"
        spread_db = find_spread_db(self._done)
        spread = "" if spread_db is None else f", spread so far {spread_db:.1f} dB"
        kinds = ", ".join(sorted({problem.kind for problem in found.problems}))
        return f"Seat {seat}: {text}{spread}" + (f" ({kinds})" if kinds else "")
