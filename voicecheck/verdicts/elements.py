"""
Two transmitter elements on one set: carbon against an electronic one, and which kind is fitted.

Beside what every comparison of two stages holds, an element has a sensitivity to feed current and
to position; both are judged where runs at several currents or angles exist.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from voicecheck.benchspread import BenchSpread
from voicecheck.errors import InputError
from voicecheck.records import Against, Comparison, Conditions, Finding, Run
from voicecheck.records.quantities import BY_NAME
from voicecheck.records.terms import Verdict
from voicecheck.records.verdicts import find_gravest
from voicecheck.verdicts.before_after import compare_runs
from voicecheck.verdicts.differences import FLOOR, REAL_RATE, TOLD_RATE, Part, expand
from voicecheck.verdicts.quantities import read_spread
from voicecheck.verdicts.readings import READERS
from voicecheck.verdicts.stagepair import UNKNOWN_SPREAD

RANGE_SHARE = 0.1
"""
Part of a comparison's error rate that its two ranges have, beside that of the rest.

They are judged as every difference is (`differences`), and only where both elements were measured
over several currents or angles; then a whole comparison has a tenth more.
"""
FEED = "feed_range_db"
POSITION = "position_range_db"
SENSITIVITIES: Mapping[str, tuple[str, Callable[[Conditions], float | None], str]] = {
    FEED: ("feed_ma", lambda c: c.feed_ma, "mA"),
    POSITION: ("angle_deg", lambda c: c.angle_deg, "degrees"),
}
LEVEL = BY_NAME["mid_db"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelRange:
    """
    How far an element's level moves over a condition.

    `range_db` is the largest level minus the smallest; `variance` is that of one seat, pooled over
    all points with `dof` degrees of freedom, `share` how much of it is in the range; `lowest` and
    `highest` are the ends of the condition.
    """

    range_db: float
    variance: float
    dof: int
    share: float
    lowest: float
    highest: float


def measure_range(base: Run, series: Sequence[Run], quantity: str) -> LevelRange | None:
    """
    Range of the transmit level over feed currents or angles.

    Parameters
    ----------
    base : Run
        Transmit, at the usual current and position.
    series : sequence of Run
        Transmit at others; those that differ from `base` in the other condition as well, or are
        of another path, are passed over.
    quantity : str
        "feed_range_db" or "position_range_db".

    Returns
    -------
    LevelRange or None
        `None` with fewer than two different currents or angles.
    """
    (other,) = (name for name in SENSITIVITIES if name != quantity)
    _, read, _ = SENSITIVITIES[quantity]
    _, read_other, _ = SENSITIVITIES[other]
    usual = read_other(base.pooled.conditions)
    points = []
    for run in (base, *series):
        conditions, spread = run.pooled.conditions, read_spread(run, LEVEL)
        at = read(conditions)
        if at is None or run.path != "transmit" or read_other(conditions) != usual:
            continue
        if spread.n:
            points.append((at, spread.mean, spread.sd**2, spread.n))
    if len({at for at, *_ in points}) < 2:
        return None
    top, bottom = max(points, key=lambda p: p[1]), min(points, key=lambda p: p[1])
    ends = sorted(at for at, *_ in points)
    dof = sum(n - 1 for *_, n in points)
    squares = sum(variance * (n - 1) for *_, variance, n in points if n > 1)
    return LevelRange(
        range_db=top[1] - bottom[1],
        variance=squares / max(dof, 1),
        dof=dof,
        share=1.0 / top[3] + 1.0 / bottom[3],
        lowest=ends[0],
        highest=ends[-1],
    )


def compare_elements(
    fitted: Mapping[str, Run],
    former: Mapping[str, Run],
    *,
    job: int | None,
    fitted_name: str,
    former_name: str,
    fitted_series: Sequence[Run] = (),
    former_series: Sequence[Run] = (),
    bench: Mapping[str, BenchSpread] | None = None,
) -> Comparison:
    """
    Hold one transmitter element against another on the same set.

    Parameters
    ----------
    fitted, former : mapping of str to Run
        By path, at the same feed current and position.
    job : int or None
    fitted_name, former_name : str
        As the owner reads them, as "the new electret".
    fitted_series, former_series : sequence of Run
        Transmit runs at other feed currents or angles; both elements over the same ones.
    bench : mapping of str to BenchSpread, optional
        As for `compare_runs`.

    Returns
    -------
    Comparison
        Differences, `fitted` minus `former`, by the rule of `compare_runs`. "feed_range_db" and
        "position_range_db" compare how far the level moves.

    Raises
    ------
    InputError
        No path has a run on both sides.
    """
    against = Against(kind="element", name=former_name)
    comparison = compare_runs(
        fitted, former, job=job, stage=fitted_name, against=against, bench=bench
    )
    findings = list(comparison.findings)
    for quantity in SENSITIVITIES:
        ranges = [
            measure_range(runs["transmit"], series, quantity)
            for series, runs in ((fitted_series, fitted), (former_series, former))
            if "transmit" in runs
        ]
        found = [item for item in ranges if item is not None]
        if len(found) == 2:
            findings.append(_judge_ranges(quantity, found[0], found[1], former_name))
    overall = find_gravest(finding.verdict for finding in findings)
    return replace(comparison, findings=tuple(findings), overall=overall)


def _judge_ranges(
    quantity: str, fitted: LevelRange, former: LevelRange, former_name: str
) -> Finding:
    field, _, unit = SENSITIVITIES[quantity]
    source = f"difference to {former_name}"
    same = math.isclose(fitted.lowest, former.lowest) and math.isclose(
        fitted.highest, former.highest
    )
    if not same:
        reason = (
            f"{field} {fitted.lowest:g} to {fitted.highest:g} {unit} here, {former.lowest:g} to "
            f"{former.highest:g} {unit} there: measure both over the same"
        )
        return Finding(
            path="transmit", quantity=quantity, value=None, unit="dB", uncertainty=None, low=None,
            high=None, verdict="not comparable", reason=reason, source=source,
        )  # fmt: skip
    difference = fitted.range_db - former.range_db
    real_db, doubt_db = _reach_of_ranges(fitted, former)
    known = math.isfinite(real_db)
    verdict: Verdict = "doubtful"
    if known:
        size = abs(difference)
        verdict = "outside" if size > real_db else "doubtful" if size > doubt_db else "within"
    span = f"over {fitted.lowest:g} to {fitted.highest:g} {unit}"
    return Finding(
        path="transmit",
        quantity=quantity,
        value=difference,
        unit="dB",
        uncertainty=real_db if known else None,
        low=-doubt_db if known else None,
        high=doubt_db if known else None,
        verdict=verdict,
        reason=span if known else f"{span}; {UNKNOWN_SPREAD}",
        source=source,
        reference=former.range_db,
    )


def _reach_of_ranges(fitted: LevelRange, former: LevelRange) -> tuple[float, float]:
    """Beyond which a difference of ranges is real, and doubtful; infinite where no seat tells."""
    dof = fitted.dof + former.dof
    if not dof:
        return math.inf, math.inf
    pooled = (fitted.variance * fitted.dof + former.variance * former.dof) / dof
    spread = max(math.sqrt(pooled), FLOOR["level"])
    standard = np.array([spread * math.sqrt(fitted.share + former.share)])
    parts = [Part(name="seats", standard=standard, dof=float(dof))]
    tail = RANGE_SHARE / 2.0 / len(SENSITIVITIES)
    real, doubt = (float(expand(parts, rate * tail)[0]) for rate in (REAL_RATE, TOLD_RATE))
    return real, doubt


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """
    Which kind of element the measurements speak for.

    `kind` is "carbon", "electronic" or "not clear"; `reasons` what each sign said.
    """

    kind: str
    confidence: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sign:
    """
    Up to `electronic` a value speaks for an electronic element, from `carbon` on for carbon.

    `weight` is large for what a packed or aged carbon element keeps, small for what it loses.
    """

    text: str
    unit: str
    electronic: float
    carbon: float
    weight: float = 1.0


SIGNS: Mapping[str, _Sign] = {
    # Ranges of the trade's parameter table (MEM, CALC): electret THD 0.3 to 3 %, carbon H2 -28 to
    # -16 dB (4 to 16 %); electret position dependence 0 to 0.2 dB, carbon 0.4 to 1.5 dB between
    # conditionings; carbon compresses 0.5 to 4 dB at high level.
    # A carbon element loses 1 to 8 dB at low level and hisses along -8 to -12 dB per decade.
    "thd": _Sign(text="distortion", unit="%", electronic=1.5, carbon=4.0),
    "compression": _Sign(
        text="compression at +6 dB", unit="dB", electronic=0.15, carbon=0.5, weight=0.5
    ),
    "threshold": _Sign(
        text="loss of gain at -20 dB", unit="dB", electronic=0.3, carbon=1.0, weight=2.0
    ),
    "hiss": _Sign(
        text="fall of the hiss by decade", unit="dB", electronic=3.0, carbon=7.0, weight=1.0
    ),
    "seats": _Sign(
        text="spread between conditionings", unit="dB", electronic=0.15, carbon=0.4, weight=0.5
    ),
    "position": _Sign(text="change of level with position", unit="dB", electronic=0.2, carbon=0.6),
    "feed": _Sign(
        text="change of level with feed current", unit="dB", electronic=0.7, carbon=2.0, weight=2.0
    ),
}


def identify_element(run: Run, series: Sequence[Run] = ()) -> Identity:
    """
    Say which kind of transmitter element is fitted.

    Parameters
    ----------
    run : Run
        Transmit, several conditionings.
    series : sequence of Run
        Transmit at other feed currents or angles, where there are any.

    Returns
    -------
    Identity
        "not clear" unless the signs agree by two thirds; high confidence takes four signs, the
        position or the current among them.

    Raises
    ------
    InputError
        The run is not of the transmit path.

    Notes
    -----
    The limits of the signs come from ranges remembered, not seen in print (MEM): an indication
    for the person at the bench, not a statement to an owner.
    """
    if run.path != "transmit":
        message = f"identify: need a run of the transmit path, got {run.path}"
        raise InputError(message)
    values = _read_signs(run, series)
    votes, weights, reasons = [], [], []
    for name, value in values.items():
        sign = SIGNS[name]
        vote = float(np.interp(value, (sign.electronic, sign.carbon), (-1.0, 1.0)))
        votes.append(vote)
        weights.append(sign.weight)
        side = "carbon" if vote > 0.3 else "an electronic element" if vote < -0.3 else "neither"
        reasons.append(f"{sign.text} {value:.2f} {sign.unit}: speaks for {side}")
    mean = float(np.average(votes, weights=weights)) if votes else 0.0
    kind = "not clear" if abs(mean) < 1.0 / 3.0 else "carbon" if mean > 0.0 else "electronic"
    confidence = "low"
    if kind != "not clear" and len(votes) >= 3 and abs(mean) >= 0.6:
        is_full = len(votes) >= 4 and bool({"position", "feed"} & values.keys())
        confidence = "high" if is_full else "medium"
    return Identity(kind=kind, confidence=confidence, reasons=tuple(reasons))


def _read_signs(run: Run, series: Sequence[Run]) -> dict[str, float]:
    values: dict[str, float] = {}
    thd = READERS["thd_500_percent"](run.pooled)
    compression = READERS["compression_db"](run.pooled)
    threshold = READERS["threshold_db"](run.pooled)
    slope = run.pooled.noise.slope_db_per_decade
    hiss = None if slope is None else -slope
    found_values = {
        "thd": thd, "compression": compression, "threshold": threshold, "hiss": hiss,
        "seats": run.level_sd_db,
    }  # fmt: skip
    for name, value in found_values.items():
        if value is not None and math.isfinite(value):
            values[name] = value
    for name, quantity in (("position", POSITION), ("feed", FEED)):
        found = measure_range(run, series, quantity)
        if found is not None:
            values[name] = found.range_db
    return values
