"""What the figures of a part speak for, in words; what separates it is said with it."""

from __future__ import annotations

from voicecheck.records.parts import PartsCheck

DEAD_PERCENT = 8.0
"""A diaphragm that moves adds tens of percent at its resonance (Kennelly and Pierce 1912, S54)."""
ONE_SIDED_DB = 3.0
DIRTY_OHM = 1.0
LOSSY = 0.03
"""Paper in wax has 0.5 to 1 % when new; beyond 3 % it has taken up water (PROP)."""
OPEN_UF = 0.01
LEAST_BELL_UF, LEAST_BELL_H, DAMPED = 0.05, 10.0, 1.5
"""A bell's coils and condenser ring with a quality of 2 to 4; a shorted turn takes half (PROP)."""
LOW_SET_OHM, HIGH_SET_OHM, RISING = 200.0, 800.0, 1.4
"""
Sets of all kinds lie between some 300 and 900 ohm at 1 kHz (common practice, no source): what is
beyond is a cause to be looked at, not a verdict.
"""


def _read(check: PartsCheck, name: str) -> float | None:
    figure = check.figures.get(name)
    return None if figure is None else figure.value


def list_causes(check: PartsCheck) -> tuple[str, ...]:
    """
    Causes of what a part showed.

    Parameters
    ----------
    check : PartsCheck

    Returns
    -------
    tuple of str
        None where nothing speaks for one.
    """
    return tuple(_CAUSES[check.part](check)) if check.part in _CAUSES else ()


def _of_receiver(check: PartsCheck) -> list[str]:
    share = _read(check, "motional_percent")
    if share is None or share > DEAD_PERCENT:
        return []
    return [
        "weak magnet, or a diaphragm that touches or is missing: hardly any motion in the "
        "impedance; try another diaphragm first, then a magnet that is known"
    ]


def _of_capacitor(check: PartsCheck) -> list[str]:
    loss, value = _read(check, "loss_tangent"), _read(check, "capacitance_uf")
    told = []
    if value is not None and value < OPEN_UF:
        told.append("open condenser: a lead inside has come off; tap it and measure again")
    elif loss is not None and loss > LOSSY:
        told.append("lossy condenser: moisture or a bad lead; measure its leakage with a meter")
    return told


def _of_contact(check: PartsCheck) -> list[str]:
    ohm = _read(check, "resistance_ohm")
    if check.events or (ohm is not None and ohm > DIRTY_OHM):
        return ["dirty or slack contact: burnish, set its follow, and measure again while moving"]
    return []


def _of_limiter(check: PartsCheck) -> list[str]:
    onset, asymmetry_db = _read(check, "onset_dbfs"), _read(check, "asymmetry_db")
    if asymmetry_db is not None and abs(asymmetry_db) > ONE_SIDED_DB:
        return ["one side of the limiter does not act: a dead diode; measure each by itself"]
    if onset is None:
        return ["no limiter acts up to the loudest step: missing or open, or the steps too quiet"]
    return []


def _of_set(check: PartsCheck) -> list[str]:
    size = _read(check, "impedance_1khz_ohm")
    if size is None or not check.frequency_hz:
        return []
    low = abs(complex(*check.impedance_ohm[0]))
    if size < LOW_SET_OHM:
        return [
            "a shorted turn in the network or a short across it: far below what a set has; compare "
            "with a good one of its type, then measure the windings"
        ]
    if size > HIGH_SET_OHM and size > RISING * low:
        return [
            "an open condenser in the network, or its lead: the impedance rises with frequency; "
            "measure the condenser by itself"
        ]
    return []


def _of_bell(check: PartsCheck) -> list[str]:
    value, henry = _read(check, "capacitance_uf"), _read(check, "inductance_h")
    if value is not None and value < LEAST_BELL_UF:
        return ["the bell's condenser is open, or its lead: measure it by itself"]
    quality = _read(check, "quality")
    if (henry is not None and henry < LEAST_BELL_H) or (quality is not None and quality < DAMPED):
        return [
            "little inductance for its loss: a shorted turn in a coil, or one coil strapped out; "
            "measure each coil by itself"
        ]
    return []


_CAUSES = {
    "set": _of_set,
    "bell": _of_bell,
    "receiver": _of_receiver,
    "capacitor": _of_capacitor,
    "contact": _of_contact,
    "limiter": _of_limiter,
}
