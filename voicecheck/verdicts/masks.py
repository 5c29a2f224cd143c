"""Masks: limits on a curve from a CSV, floating or at a fixed level."""

from __future__ import annotations

import csv
import dataclasses
import math
from collections.abc import Iterable, Mapping
from importlib import resources

import numpy as np

from voicecheck.errors import InputError
from voicecheck.records import Against, Comparison, Finding, Mask, Response, Run
from voicecheck.records.arrays import Array
from voicecheck.records.verdicts import find_gravest
from voicecheck.verdicts.comparability import UNCALIBRATED
from voicecheck.verdicts.decide import decide_curve, refuse

COLUMNS = ("frequency_hz", "lower_db", "upper_db")
YES, NO = ("yes", "true", "1"), ("no", "false", "0")


def list_masks() -> tuple[str, ...]:
    """
    Names of the masks that come with the program.

    Examples
    --------
    >>> "narrowband-handset-receive" in list_masks()
    True
    """
    folder = resources.files("voicecheck") / "data" / "masks"
    return tuple(
        sorted(item.name.removesuffix(".csv") for item in folder.iterdir() if ".csv" in item.name)
    )


def load_mask(name: str) -> Mask:
    """
    Read a mask that comes with the program.

    Raises
    ------
    InputError
        There is none of that name.
    """
    if name not in list_masks():
        message = f"mask: need one of {', '.join(list_masks())}, or a CSV file; got {name}"
        raise InputError(message)
    source = resources.files("voicecheck") / "data" / "masks" / f"{name}.csv"
    return load_mask_text(source.read_text(encoding="utf-8"), name)


def load_mask_text(text: str, name: str) -> Mask:
    """
    Read a mask from the text of a CSV file.

    Parameters
    ----------
    text : str
        Columns frequency_hz, lower_db, upper_db (more are passed over); an empty cell is no
        limit. Lines `# floating: yes|no`, `# path: transmit`, `# label:`, `# source:` and
        `# note:` before the header say the rest; floating unless it says no.
    name : str

    Returns
    -------
    Mask

    Raises
    ------
    InputError
        A column is missing, a cell is not a number, frequencies do not rise, lower is above
        upper, or there are no limits at all.
    """
    lines = text.lstrip("\ufeff").splitlines()
    about = _read_about(lines)
    rows = [line for line in lines if line.strip() and not line.lstrip().startswith("#")]
    reader = csv.DictReader(rows)
    missing = [column for column in COLUMNS if column not in (reader.fieldnames or ())]
    if missing:
        message = f"mask {name}: need the columns {', '.join(COLUMNS)}; {missing[0]} is missing"
        raise InputError(message)
    cells = [[_number(row[column], name, column) for column in COLUMNS] for row in reader]
    table = np.array(cells, dtype=np.float64).reshape(-1, len(COLUMNS))
    _check_table(table, name)
    floating = about.get("floating", "yes").lower()
    if floating not in YES + NO:
        message = f"mask {name}: floating: need yes or no, got {floating}"
        raise InputError(message)
    return Mask(
        name=name,
        frequency_hz=table[:, 0],
        lower_db=table[:, 1],
        upper_db=table[:, 2],
        floating=floating in YES,
        source=about.get("source", ""),
        path=about.get("path", ""),
        label=about.get("label", name),
        note=about.get("note", ""),
    )


def _read_about(lines: Iterable[str]) -> dict[str, str]:
    about: dict[str, str] = {}
    for line in lines:
        key, colon, value = line.lstrip("# ").partition(":")
        if line.lstrip().startswith("#") and colon:
            about.setdefault(key.strip().lower(), value.strip())
    return about


def _number(cell: str | None, name: str, column: str) -> float:
    if cell is None or not cell.strip():
        return math.nan
    try:
        return float(cell)
    except ValueError:
        message = f"mask {name}: {column}: need a number or an empty cell, got {cell.strip()}"
        raise InputError(message) from None


def _check_table(table: Array, name: str) -> None:
    frequency_hz, lower, upper = table.T
    if not np.all(np.isfinite(frequency_hz)) or np.any(np.diff(frequency_hz) <= 0.0):
        message = f"mask {name}: frequency_hz: need rising numbers in every row"
        raise InputError(message)
    if not len(table) or np.any(frequency_hz <= 0.0) or not np.any(np.isfinite(table[:, 1:])):
        message = f"mask {name}: need at least one limit at a frequency above 0"
        raise InputError(message)
    if np.any(lower > upper):
        at = float(frequency_hz[int(np.nanargmax(lower - upper))])
        message = f"mask {name}: lower_db is above upper_db at {at:g} Hz"
        raise InputError(message)


def limits_at(mask: Mask, frequency_hz: Array) -> tuple[Array, Array]:
    """
    Limits of a mask at given frequencies, in straight lines over log frequency.

    Parameters
    ----------
    mask : Mask
    frequency_hz : ndarray, shape (n_points,)

    Returns
    -------
    lower_db, upper_db : ndarray, shape (n_points,)
        NaN outside the range of frequencies that have a limit.
    """
    wanted = np.log(frequency_hz)
    limits = []
    for limit in (mask.lower_db, mask.upper_db):
        there = np.isfinite(limit)
        if not np.any(there):
            limits.append(np.full(len(wanted), np.nan))
            continue
        known = np.log(mask.frequency_hz[there])
        line = np.interp(wanted, known, limit[there])
        inside = (wanted >= known[0] - 1e-9) & (wanted <= known[-1] + 1e-9)
        limits.append(np.where(inside, line, np.nan))
    return limits[0], limits[1]


def fit_shift_db(level_db: Array, lower_db: Array, upper_db: Array) -> float:
    """
    Shift of a floating mask that leaves the curve the largest margin on its worst side.

    Parameters
    ----------
    level_db, lower_db, upper_db : ndarray, shape (n_points,)

    Returns
    -------
    float
        dB to add to both limits; 0 where nothing can be fitted.

    Examples
    --------
    >>> level = np.array([3.0, 5.0])
    >>> fit_shift_db(level, np.array([-1.0, -1.0]), np.array([1.0, 1.0]))
    4.0
    """
    over, under = level_db - upper_db, level_db - lower_db
    has_upper, has_lower = bool(np.any(np.isfinite(over))), bool(np.any(np.isfinite(under)))
    if has_upper and has_lower:
        return 0.5 * (float(np.nanmax(over)) + float(np.nanmin(under)))
    if has_upper:
        return float(np.nanmax(over))
    return float(np.nanmin(under)) if has_lower else 0.0


def compare_to_mask(
    runs: Mapping[str, Run], mask: Mask, *, job: int | None, stage: str
) -> Comparison:
    """
    Hold the curves of one stage against a mask.

    Parameters
    ----------
    runs : mapping of str to Run
        By path; only the mask's own path is judged where it names one.
    mask : Mask
    job : int or None
    stage : str

    Returns
    -------
    Comparison
        One finding a path, with the point that decides it; `reason` gives the shift used.

    Raises
    ------
    InputError
        No run of the mask's path.
    """
    paths = [path for path in runs if mask.path in ("", path)]
    if not paths:
        message = f"mask {mask.name} is for the path {mask.path}; got runs of {', '.join(runs)}"
        raise InputError(message)
    findings = tuple(_judge(runs[path], mask) for path in paths)
    return Comparison(
        job=job,
        stage=stage,
        against=Against(kind="mask", name=mask.name),
        findings=findings,
        overall=find_gravest(finding.verdict for finding in findings),
    )


def _judge(run: Run, mask: Mask) -> Finding:
    response = run.pooled.response
    source = "; ".join(text for text in (mask.source, mask.note) if text)
    quantity = "shape" if mask.floating else "response"
    unit = response.unit if response is not None else "dB"
    if response is None or (not mask.floating and unit == UNCALIBRATED):
        reason = "a mask at a fixed level needs a calibrated curve; calibrate, or let it float"
        return refuse(run.path, quantity, unit, reason=reason, source=source)
    found = _judge_response(run.path, quantity, response, mask, source)
    # A mask is absolute: all of the calibration is in the interval.
    reasons = (found.reason, *run.pooled.conditions.calibration_notes)
    return dataclasses.replace(found, reason="; ".join(filter(None, reasons)))


def _judge_response(
    path: str, quantity: str, response: Response, mask: Mask, source: str
) -> Finding:
    lower, upper = limits_at(mask, response.frequency_hz)
    shift = fit_shift_db(response.level_db, lower, upper) if mask.floating else 0.0
    lower, upper = lower + shift, upper + shift
    own = np.nan_to_num(response.uncertainty_db)
    result = decide_curve(response.level_db, own, lower, upper)
    unit = response.unit
    if result.worst is None:
        reason = "no point of the curve lies where the mask has a limit"
        return refuse(path, quantity, unit, reason=reason, source=source)
    at = result.worst
    return Finding(
        path=path,
        quantity=quantity,
        value=float(response.level_db[at]),
        unit=unit,
        uncertainty=float(own[at]),
        low=float(lower[at]) if np.isfinite(lower[at]) else None,
        high=float(upper[at]) if np.isfinite(upper[at]) else None,
        verdict=result.verdict,
        worst_hz=float(response.frequency_hz[at]),
        reason=f"mask shifted by {shift:+.1f} dB" if mask.floating else "",
        source=source,
    )
