"""
Absolute floors: what is a fault in any set, so that it can be said before a baseline is there.

The floors stand in `data/floors.csv`, each with its source. They are wide: what lies within them
may still be weak for its type. A floor from memory calls nothing outside.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np

from voicecheck.budgets import student_95
from voicecheck.records import Finding, Measurement, Run
from voicecheck.records.arrays import Array
from voicecheck.records.quantities import BY_NAME
from voicecheck.records.terms import Verdict
from voicecheck.records.verdicts import TELLING
from voicecheck.verdicts.decide import decide
from voicecheck.verdicts.quantities import from_scale, to_scale
from voicecheck.verdicts.readings import READERS, Read

SPEECH_DBPA = -4.7
"""Speech at the mouth reference point (ITU-T P.64 as cited in a secondary source, PUB-2ND)."""
SPEECH_ON_LINE_DBV = -20.0
"""Speech that arrives from the line (common practice, no source)."""
PASCAL_DBSPL = 94.0
DBV_OF_DBM = 10.0 * math.log10(0.6)
"""0 dBm in 600 ohm in dB re 1 V."""
HUM = "hum_margin_db"
USUAL_HUM_MARGIN_DB = 50.0
"""Speech above the hum of a sound set (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Floor:
    """One row of the table; `path` and `transmitter` may be "any"."""

    quantity: str
    path: str
    transmitter: str
    low: float | None
    high: float | None
    gravest: str
    what: str
    source: str
    provenance: str

    def fits(self, path: str, transmitter: str | None) -> bool:
        """Whether it speaks of this path of such a set."""
        return self.path in ("any", path) and self.transmitter in ("any", transmitter)


@cache
def load_floors() -> tuple[Floor, ...]:
    """
    The table of floors.

    Examples
    --------
    >>> all(one.gravest == "doubtful" for one in load_floors() if one.provenance == "MEM")
    True
    """
    source = resources.files("voicecheck") / "data" / "floors.csv"
    lines = source.read_text(encoding="utf-8").splitlines()
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    return tuple(
        Floor(
            **{name: row[name] for name in row if name not in ("low", "high")},
            low=float(row["low"]) if row["low"] else None,
            high=float(row["high"]) if row["high"] else None,
        )
        for row in rows
    )


def judge_floors(run: Run, transmitter: str | None) -> tuple[Finding, ...]:
    """
    Hold a run against the floors of its path.

    Parameters
    ----------
    run : Run
    transmitter : str or None
        Kind of transmitter of the set.

    Returns
    -------
    tuple of Finding
        One for each floor whose quantity could be read.
    """
    found = [_judge(run, floor) for floor in load_floors() if floor.fits(run.path, transmitter)]
    return tuple(finding for finding in found if finding is not None)


def _judge(run: Run, floor: Floor) -> Finding | None:
    quantity, read = BY_NAME[floor.quantity], FLOOR_READERS[floor.quantity]
    seats = [to_scale(quantity, read(one)) for one in run.recordings or (run.pooled,)]
    values = np.array([value for value in seats if math.isfinite(value)])
    if not len(values):
        return None
    mean, guard = float(np.mean(values)), _guard(values)
    low, high = (
        None if limit is None else to_scale(quantity, limit) for limit in (floor.low, floor.high)
    )
    verdict: Verdict = decide(mean, guard, low, high)
    if verdict == "outside" and floor.gravest != "outside":
        verdict = "doubtful"
    shown = from_scale(quantity, mean)
    mark = f" [{floor.provenance}]"
    return Finding(
        path=run.path,
        quantity=floor.quantity,
        value=shown,
        unit=quantity.unit,
        uncertainty=shown - from_scale(quantity, mean - guard),
        low=floor.low,
        high=floor.high,
        verdict=verdict,
        reason=floor.what,
        source=f"floor for any set: {floor.source}{mark}",
    )


def read_floor_evidence(findings: Iterable[Finding]) -> dict[str, float]:
    """
    What floors say to the causes in place of a deviation from the type.

    Parameters
    ----------
    findings : iterable of Finding

    Returns
    -------
    dict of str to float
        "transmit.mains" and the like, dB: how much louder than usual a hum is that was told of.

    Examples
    --------
    >>> read_floor_evidence([])
    {}
    """
    return {
        f"{one.path}.mains": USUAL_HUM_MARGIN_DB - one.value
        for one in findings
        if one.quantity == HUM and one.verdict in TELLING and one.value is not None
    }


def _guard(values: Array) -> float:
    """95 % half-width of the mean over the seats; 0 of a single one, whose spread is not known."""
    if len(values) < 2:
        return 0.0
    spread = float(np.std(values, ddof=1)) / math.sqrt(len(values))
    return float(student_95(len(values) - 1)) * spread


def read_snr(measurement: Measurement) -> float | None:
    """Median over the band of how far the sweep stands above the idle noise, dB."""
    part = measurement.response
    if part is None or not np.any(np.isfinite(part.snr_db)):
        return None
    return float(np.nanmedian(part.snr_db))


def read_hum_margin(measurement: Measurement) -> float | None:
    """
    How far speech stands above the mains hum, dB; `None` where either is not known.

    Uncalibrated, the level of the test signal stands for speech.
    """
    response, noise, level_db = measurement.response, measurement.noise, measurement.bands.mid_db
    if response is None or noise.mains_dbfs is None or level_db is None:
        return None
    if response.unit == "dB V/Pa" and noise.flat_dbm is not None and noise.flat_dbfs is not None:
        hum_dbm = noise.mains_dbfs + noise.flat_dbm - noise.flat_dbfs
        return level_db + SPEECH_DBPA - (hum_dbm + DBV_OF_DBM)
    if response.unit == "dB Pa/V" and noise.flat_dbspl is not None and noise.flat_dbfs is not None:
        hum_dbspl = noise.mains_dbfs + noise.flat_dbspl - noise.flat_dbfs
        return level_db + SPEECH_ON_LINE_DBV + PASCAL_DBSPL - hum_dbspl
    drive_dbfs = measurement.conditions.level_dbfs
    if response.unit != "dB relative" or drive_dbfs is None:
        return None
    return drive_dbfs + level_db - noise.mains_dbfs


FLOOR_READERS: Mapping[str, Read] = {
    **READERS, "snr_db": read_snr, "hum_margin_db": read_hum_margin,
}  # fmt: skip
"""How the quantity of each floor is read."""
