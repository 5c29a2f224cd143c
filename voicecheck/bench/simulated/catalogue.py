"""Handset texts: "carbon+packed+weak-magnet" in, a model out; what is known, for the help text."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

from voicecheck.bench.simulated.draws import make_generator
from voicecheck.bench.simulated.faults import CHANGES, list_fault_rows
from voicecheck.bench.simulated.handset import NOMINAL_TRANSMITTERS, HandsetModel, draw_model
from voicecheck.errors import InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultCase:
    """
    A handset whose cause is known.

    Parameters
    ----------
    handset : str
        Text for the bench.
    row : str
        Row of the fault table, as "F13".
    path : str
        Path that shows it best.
    options : dict
        Keyword arguments of the bench that it takes to show it.
    """

    handset: str
    row: str
    path: str
    options: dict[str, float | str]


KINDS = {
    "carbon": "carbon transmitter, ring-armature receiver, network with sidetone",
    "electret": "the same set with an electret replacement transmitter",
    "moving-coil": "the same set with a moving-coil replacement transmitter",
}


def list_handsets() -> dict[str, str]:
    """
    Transmitter kinds that a handset's text starts with.

    Returns
    -------
    dict
        Name to a line of description.
    """
    return dict(KINDS)


def list_faults() -> dict[str, str]:
    """
    Faults and parts that may follow, joined with "+".

    Returns
    -------
    dict
        Name to a line of description.
    """
    return {row["name"]: row["text"] for row in list_fault_rows()}


def list_fault_causes() -> dict[str, str]:
    """
    The row of the fault table that each fault is the cause of.

    Returns
    -------
    dict
        Fault name to row id, as "packed" to "F01"; parts and "healthy" are left out.
    """
    return {row["name"]: row["row"] for row in list_fault_rows() if row["row"]}


def list_fault_cases() -> tuple[FaultCase, ...]:
    """
    One telephone for each row of the fault table that can be simulated.

    Returns
    -------
    tuple of FaultCase
    """
    return tuple(
        FaultCase(
            handset=row["example"],
            row=row["row"],
            path=row["path"],
            options=_read_options(row["options"]),
        )
        for row in list_fault_rows()
        if row["row"]
    )


def _read_options(text: str) -> dict[str, float | str]:
    """Read "name=value" pairs apart; numbers become numbers."""
    pairs = (part.split("=") for part in text.split())
    return {name: float(value) if value[-1].isdigit() else value for name, value in pairs}


def check_handset(text: str) -> tuple[str, tuple[str, ...]]:
    """
    Take a handset's text apart.

    Parameters
    ----------
    text : str
        Transmitter kind, then faults and parts, as "carbon+packed+weak-magnet".

    Returns
    -------
    kind : str
    faults : tuple of str
        In the order given, each once.

    Raises
    ------
    InputError
        A word is not known, or a fault does not go with the transmitter.

    Examples
    --------
    >>> check_handset("carbon+packed+hum")
    ('carbon', ('packed', 'hum'))
    """
    kind, *faults = (word.strip() for word in text.lower().split("+"))
    if kind not in NOMINAL_TRANSMITTERS:
        message = (
            f"handset: need one of {', '.join(NOMINAL_TRANSMITTERS)} first, got {kind!r}; "
            f'faults follow with "+", as carbon+packed'
        )
        raise InputError(message)
    needs = {row["name"]: row["needs"].split() for row in list_fault_rows()}
    for fault in faults:
        if fault not in CHANGES:
            message = f"handset: {fault!r} is not known; known: {', '.join(CHANGES)}"
            raise InputError(message)
        if needs[fault] and kind not in needs[fault]:
            message = (
                f"handset: {fault!r} needs a transmitter of kind {' or '.join(needs[fault])}, "
                f"got {kind}"
            )
            raise InputError(message)
    return kind, tuple(dict.fromkeys(faults))


def make_model(text: str, seed: int, specimen: int = 1, mains_hz: float = 50.0) -> HandsetModel:
    """
    The telephone that a text and a seed describe, before it is seated.

    Parameters
    ----------
    text : str
    seed : int
    specimen : int
        Which element of that kind is fitted.
    mains_hz : float
        Mains frequency of the place, for faults that name none.

    Returns
    -------
    HandsetModel

    Raises
    ------
    InputError
        As `check_handset`, or an impossible seed.
    """
    kind, faults = check_handset(text)
    model = draw_model(kind, seed, specimen)
    for fault in faults:
        model = CHANGES[fault](model, make_generator(seed, "fault", fault))
    if model.disturbances.mains_v and not model.disturbances.mains_hz:
        hum = dataclasses.replace(model.disturbances, mains_hz=mains_hz)
        model = dataclasses.replace(model, disturbances=hum)
    return model
