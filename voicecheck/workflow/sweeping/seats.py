"""What is told before a seat and about the level, in the same words wherever it is shown."""

from __future__ import annotations

from typing import TYPE_CHECKING

from voicecheck.errors import InputError

if TYPE_CHECKING:
    from voicecheck.records.benches import BenchSetup

SETTLE_S = 5
"""Feed on before a carbon transmitter is conditioned (ITU-T P.75 as the design has it)."""
TURN_OVER = (
    "Turn the handset over slowly, twice, and bring it back as it was (ITU-T P.75). "
    "Touch nothing then."
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
    from voicecheck.bench.calibration.guides import get_guide

    if path not in CAUTION_OF:
        raise InputError(f"path: need one of {', '.join(CAUTION_OF)}, got {path!r}")
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
    from voicecheck.workflow.benches.store import list_plug_prompts

    steps = []
    if setup is not None and seat == 1:
        prompts = list_plug_prompts(setup, "transmit" if path == "both" else path)
        steps += [f"{prompt[0].upper()}{prompt[1:]}." for prompt in prompts]
    if path == "loop":
        return (*steps, "Connect line drive to line tap through the 600 ohm pad, nothing else.")
    again = "Clamp the handset"
    if seat > 1:
        off = "Feed off, take" if is_fed(path, transmitter) else "Take"
        again = f"{off} the handset out and clamp it again"
    steps.append(f"{again}, its receiver on the coupler, never at an ear.")
    if is_fed(path, transmitter):
        steps.append(f"Then switch the feed on, {feed_ma:g} mA.")
    return tuple(steps)


def rate_level(peak_dbfs: float) -> str:
    """In two words whether the input has enough level."""
    if peak_dbfs > TOO_MUCH_DBFS:
        return "too much"
    return "enough" if peak_dbfs >= ENOUGH_DBFS else "too little"
