"""
Every quantity that a finding may speak of, described once.

A new quantity is a row here and a reader of its name in `verdicts/readings.py`; its word stands in
the language file under the same name. Verdicts, sentences, tables, charts, the page and the
terminal are made from these rows, in their order.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from voicecheck.records.terms import Family, Scale, Side

OF_RESPONSE = "of the response"
"""In place of a unit: the response's own, which depends on the calibration."""
SAYS_NOTHING_DB = 30.0
"""So wide an interval comes of too few seats or sets: 30 dB down a set is silent (PROP)."""
THD_AT_HZ = (315.0, 500.0, 1000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """
    One scalar.

    Parameters
    ----------
    name : str
        Key in findings, baselines, readers and words.
    unit : str
        "" for a bare number, `OF_RESPONSE` for the response's own.
    family : str
        What kind of complaint it belongs to: which conditions must agree, whose error rate it
        shares, which phrase tells it.
    side : str
        Which deviation is a fault.
    scale : str
        "log" is judged as 20 log10 of its ratio to the mean.
    decimals : int
        Worth printing.
    is_judged : bool
        Whether it has limits of its own; else a baseline keeps it for the causes alone.
    is_compared : bool
        Whether two stages are held against each other by it.
    evidence : str
        Its name in the conditions of the fault table, without the path; "" where they do not
        speak of it. Of several with one name the first that can be had counts.
    evidence_is : str
        "deviation" from the type's mean, or the "value" itself.
    """

    name: str
    unit: str
    family: Family
    side: Side = "both"
    scale: Scale = "linear"
    decimals: int = 1
    is_judged: bool = False
    is_compared: bool = False
    evidence: str = ""
    evidence_is: Literal["deviation", "value"] = "deviation"

    def unit_beside(self, response_unit: str) -> str:
        """Its unit where the response has this one."""
        return response_unit if self.unit == OF_RESPONSE else self.unit


def _level(name: str, evidence: str = "") -> Quantity:
    return Quantity(
        name=name, unit=OF_RESPONSE, family="level", is_judged=True, is_compared=True,
        evidence=evidence,
    )  # fmt: skip


def _thd(name: str) -> Quantity:
    return Quantity(
        name=name, unit="%", family="distortion", side="upper", scale="log", is_judged=True,
        is_compared=True,
    )  # fmt: skip


def _idle_noise(name: str, unit: str) -> Quantity:
    return Quantity(
        name=name, unit=unit, family="noise", side="upper", is_judged=True, is_compared=True,
        evidence="noise",
    )  # fmt: skip


QUANTITIES: tuple[Quantity, ...] = (
    _level("mid_db", "level"),
    _level("low_db", "low"),
    _level("high_db", "high"),
    _level("at_1khz_db"),
    *(_thd(f"thd_{hz:.0f}_percent") for hz in THD_AT_HZ),
    _thd("thd_max_percent"),
    _thd("residual_percent"),
    Quantity(
        name="residual_crest_db", unit="dB", family="distortion", side="upper", evidence="crest",
        evidence_is="value",
    ),
    Quantity(
        name="sinad_db", unit="dB", family="distortion", side="lower", is_judged=True,
        is_compared=True,
    ),
    _idle_noise("psophometric_dbm", "dBm"),
    _idle_noise("psophometric_dbfs", "dBFS"),
    Quantity(
        name="compression_db", unit="dB", family="linearity", side="upper", is_judged=True,
        is_compared=True, evidence="compression",
    ),
    Quantity(
        name="threshold_db", unit="dB", family="linearity", side="upper", is_compared=True,
        evidence="threshold",
    ),
    Quantity(name="h2_500_db", unit="dB", family="distortion", side="upper", evidence="h2"),
    Quantity(name="h3_500_db", unit="dB", family="distortion", side="upper", evidence="h3"),
    Quantity(name="h5_500_db", unit="dB", family="distortion", side="upper", evidence="h5"),
    Quantity(
        name="h2_over_h3_db", unit="dB", family="distortion", evidence="h2_over_h3",
        evidence_is="value",
    ),
    Quantity(name="high_over_low_db", unit="dB", family="shape", evidence="slope"),
    Quantity(name="peak_hz", unit="Hz", family="shape", scale="log", decimals=0),
    Quantity(name="flat_dbfs", unit="dBFS", family="noise", side="upper"),
    Quantity(
        name="mains_dbfs", unit="dBFS", family="hum", side="upper", is_judged=True,
        is_compared=True,
    ),
    Quantity(
        name="bursts_per_s", unit="/s", family="crackle", side="upper", is_compared=True,
        evidence="bursts", evidence_is="value",
    ),
    Quantity(
        name="kurtosis", unit="", family="crackle", side="upper", scale="log", is_judged=True,
        evidence="kurtosis", evidence_is="value",
    ),
    Quantity(
        name="slope_db_per_decade", unit="dB/decade", family="noise", evidence="noise_slope",
        evidence_is="value",
    ),
    Quantity(name="loop_ma", unit="mA", family="feed", scale="log"),
    Quantity(name="transmitter_ohm", unit="ohm", family="feed", scale="log", decimals=0),
    Quantity(name="drift_db", unit="dB", family="linearity", evidence="fade"),
    Quantity(
        name="take_drift_db", unit="dB", family="steadiness", is_judged=True,
        evidence="take_drift",
    ),
    Quantity(
        name="losses", unit="/min", family="steadiness", side="upper", is_judged=True,
        is_compared=True, evidence="losses", evidence_is="value",
    ),
    Quantity(
        name="tonal_db", unit="dB", family="noise", side="upper", evidence="tonal",
        evidence_is="value",
    ),
    Quantity(
        name="order2_db", unit="dB", family="distortion", side="upper", is_compared=True,
        evidence="order2",
    ),
    Quantity(
        name="order3_db", unit="dB", family="distortion", side="upper", is_compared=True,
        evidence="order3",
    ),
)  # fmt: skip
"""What is read from a measurement."""

CURVES: tuple[Quantity, ...] = (
    Quantity(name="response", unit=OF_RESPONSE, family="response"),
    Quantity(name="shape", unit="dB", family="shape"),
)
"""What is judged point by point."""

DERIVED: tuple[Quantity, ...] = (Quantity(name="own_level_db", unit="dB", family="level"),)
"""What is worked out of several quantities and what is known of the type."""

RANGES: tuple[Quantity, ...] = (
    Quantity(name="feed_range_db", unit="dB", family="feed"),
    Quantity(name="position_range_db", unit="dB", family="position"),
)
"""How far a level moves over several runs."""

FLOORS: tuple[Quantity, ...] = (
    Quantity(name="hum_margin_db", unit="dB", family="hum", side="lower"),
    Quantity(name="snr_db", unit="dB", family="noise", side="lower"),
)
"""What only absolute floors speak of, for sets whose type has no baseline."""

BY_NAME = {
    quantity.name: quantity for quantity in (*QUANTITIES, *CURVES, *DERIVED, *RANGES, *FLOORS)
}


def list_evidence(evidence_is: Literal["deviation", "value"]) -> dict[str, list[Quantity]]:
    """
    Quantities behind each name of the fault table's conditions, the first to be preferred.

    Examples
    --------
    >>> [one.name for one in list_evidence("deviation")["noise"]]
    ['psophometric_dbm', 'psophometric_dbfs']
    """
    found: dict[str, list[Quantity]] = {}
    for quantity in QUANTITIES:
        if quantity.evidence and quantity.evidence_is == evidence_is:
            found.setdefault(quantity.evidence, []).append(quantity)
    return found


def says_nothing(half_width: float | None, unit: str) -> bool:
    """
    Whether an interval or a pair of limits is so wide that it would let a silent set pass.

    Examples
    --------
    >>> says_nothing(273.0, "dB"), says_nothing(3.7, "dB V/Pa"), says_nothing(273.0, "Hz")
    (True, False, False)
    """
    return half_width is not None and unit.startswith("dB") and half_width > SAYS_NOTHING_DB


def family_of(name: str) -> Family | Literal[""]:
    """
    Kind of complaint that a quantity belongs to; "" for one that this version does not know.

    Examples
    --------
    >>> family_of("kurtosis"), family_of("something_new")
    ('crackle', '')
    """
    quantity = BY_NAME.get(name)
    return quantity.family if quantity else ""


def unit_of(name: str, stated: str) -> str:
    """
    Unit to show a value in.

    Parameters
    ----------
    name : str
    stated : str
        As the record has it: right for a level; older books state one for a bare number, too.

    Examples
    --------
    >>> unit_of("kurtosis", "dB V/Pa"), unit_of("mid_db", "dB V/Pa"), unit_of("speed", "/s")
    ('', 'dB V/Pa', '/s')
    """
    quantity = BY_NAME.get(name)
    return stated if quantity is None or quantity.unit else ""


DECIMALS = {"Hz": 0, "uF": 3}
"""Worth printing of what has no row here, by its unit; one of others."""


def count_decimals(name: str, value: float | None, unit: str) -> int:
    """
    Decimals worth printing: the quantity's own, but two for a percentage below 1.

    Examples
    --------
    >>> count_decimals("thd_500_percent", 0.4, "%"), count_decimals("peak_hz", 1234.0, "Hz")
    (2, 0)
    """
    if unit == "%" and value is not None and abs(value) < 1.0:
        return 2
    quantity = BY_NAME.get(name)
    return quantity.decimals if quantity else DECIMALS.get(unit, 1)
