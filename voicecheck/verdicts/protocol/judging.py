"""What the parts that were done show, step by step, against limits that stand in the table."""

from __future__ import annotations

import dataclasses
import datetime
import math
from collections.abc import Callable, Iterable, Mapping, Sequence

from voicecheck.budgets import COVERAGE_95
from voicecheck.records.protocol import Protocol, ProtocolFinding, ProtocolPart
from voicecheck.records.terms import MarkState
from voicecheck.records.verdicts import rank_verdict
from voicecheck.units import ratio_from_db
from voicecheck.verdicts.decide import decide
from voicecheck.verdicts.outlying import find_suspects
from voicecheck.verdicts.protocol.diodes import DiodePair, foresee_tone
from voicecheck.verdicts.protocol.envelope import bound_share, is_planted
from voicecheck.verdicts.protocol.steps import (
    ENVELOPE,
    OPENED,
    StepKind,
    find_person,
    find_step,
    list_parts,
    load_steps,
)
from voicecheck.verdicts.reproducibility import analyse_crossed
from voicecheck.verdicts.variances import VarianceEstimate, VarianceTable

Judge = Callable[[Sequence[ProtocolPart], StepKind], list[ProtocolFinding]]
RESISTOR_OFF_PERCENT = 1.0
"""Of a resistor as it is bought: 95 % of them lie within."""
TOO_WIDE_SHARE = 0.25
"""What is foreseen no closer than this proves nothing by agreeing (PROP)."""
CALLED = "changed"
LEAST_HOURS, LEAST_APART_HOURS = 1.0, 8.0
"""What is called hours, and what another day (PROP); a made bench has days without waiting."""


def judge_protocol(job: int | None, parts: Iterable[ProtocolPart], version: str) -> Protocol:
    """
    Judge all that was done.

    Parameters
    ----------
    job : int or None
    parts : iterable of ProtocolPart
        Of a part done twice the newest counts; any order.
    version : str
        Of the program.

    Returns
    -------
    Protocol
    """
    newest = {one.part: one for one in sorted(parts, key=lambda one: one.taken_utc)}
    order = (*list_parts(), ENVELOPE, OPENED)
    kept = tuple(newest[name] for name in order if name in newest)
    findings = [
        finding
        for step, kind in load_steps().items()
        for finding in JUDGES[step]([one for one in kept if one.step == step], kind)
    ]
    verdicts = [one.verdict for one in findings if one.verdict != "not tested"]
    return Protocol(
        job=job,
        version=version,
        parts=kept,
        missing=tuple(name for name in list_parts() if name not in newest),
        findings=tuple(findings),
        overall=min(verdicts, key=rank_verdict, default="not tested"),
    )


def _get(part: ProtocolPart, name: str) -> tuple[float, float] | None:
    """A figure with its half-width; `None` where it is not there."""
    value = part.figures.get(name)
    return None if value is None else (value, part.uncertainty.get(name, 0.0))


def _wait(step: str, kind: StepKind, quantity: str, unit: str, said: str) -> ProtocolFinding:
    """Nothing can be said yet."""
    return ProtocolFinding(
        step=step, quantity=quantity, unit=unit, verdict="not tested", said=said,
        source=kind.source,
    )  # fmt: skip


def judge_loop_back(parts: Sequence[ProtocolPart], kind: StepKind) -> list[ProtocolFinding]:
    """Largest departure of the level from the first take, and of the clock."""
    levels = [(one, found) for one in parts if (found := _get(one, "level_1_db"))]
    if len(levels) < 2:
        said = "the bench alone: two takes are needed, some hours apart"
        return [_wait("loop-back", kind, "level", "dB", said)]
    first, (first_db, first_off_db) = levels[0]
    hours = _count_hours(first, levels[-1][0])
    if hours < LEAST_HOURS and not first.is_simulated:
        said = f"the bench alone: {len(levels)} takes within {60 * hours:.0f} minutes tell nothing"
        return [_wait("loop-back", kind, "level", "dB", f"{said} of hours")]
    worst, (worst_db, worst_off_db) = max(levels[1:], key=lambda one: abs(one[1][0] - first_db))
    moved_db = worst_db - first_db
    off_db = math.hypot(first_off_db, worst_off_db)
    limit_db = kind.limits["level_db"]
    verdict = decide(moved_db, off_db, -limit_db, limit_db)
    level = ProtocolFinding(
        step="loop-back", quantity="level", unit="dB", verdict=verdict, value=moved_db,
        uncertainty=off_db, low=-limit_db, high=limit_db, source=kind.source,
        said=f"over {hours:.1f} h and {len(levels)} takes the level moved by {moved_db:+.3f} dB "
        f"+/- {off_db:.2g} dB at most ({worst.part}); {limit_db:g} dB is allowed",
    )  # fmt: skip
    return [level, *_judge_clock(parts, kind)]


def _judge_clock(parts: Sequence[ProtocolPart], kind: StepKind) -> list[ProtocolFinding]:
    """How far the ratio of both clocks moved."""
    clocks = [found for one in parts if (found := _get(one, "drift_1_ppm"))]
    if len(clocks) < 2:
        return []
    limit_ppm = kind.limits["clock_ppm"]
    low, high = min(clocks), max(clocks)
    moved_ppm, off_ppm = high[0] - low[0], math.hypot(high[1], low[1])
    return [
        ProtocolFinding(
            step="loop-back", quantity="clock", unit="ppm", value=moved_ppm, uncertainty=off_ppm,
            low=-limit_ppm, high=limit_ppm, source=kind.source,
            verdict=decide(moved_ppm, off_ppm, -limit_ppm, limit_ppm),
            said=f"the two clocks of the bench kept their ratio within {moved_ppm:.1f} ppm +/- "
            f"{off_ppm:.2g} ppm; {limit_ppm:g} ppm is allowed",
        )
    ]  # fmt: skip


def _count_hours(first: ProtocolPart, last: ProtocolPart) -> float:
    begin, end = (datetime.datetime.fromisoformat(one.taken_utc) for one in (first, last))
    return abs((end - begin).total_seconds()) / 3600.0


def judge_resistor(parts: Sequence[ProtocolPart], kind: StepKind) -> list[ProtocolFinding]:
    """The step at the line tap against I dR R_load / (R_load + R + dR)."""
    found = _get(parts[-1], "step_v") if parts else None
    if found is None:
        said = "the switched ohm: not done, or no step could be read"
        return [_wait("resistor", kind, "step", "%", said)]
    typed, (step_v, off_v) = parts[-1].typed, found
    loop_a = 1e-3 * typed["loop_ma"]
    whole_ohm = typed["load_ohm"] + typed["resistor_ohm"] + typed["switched_ohm"]
    expected_v = loop_a * typed["switched_ohm"] * typed["load_ohm"] / whole_ohm
    scale = parts[-1].calibration.uncertainty_db if parts[-1].calibration else 0.0
    shares = (
        typed["meter_percent"],
        RESISTOR_OFF_PERCENT,
        RESISTOR_OFF_PERCENT * (whole_ohm - typed["load_ohm"]) / whole_ohm,
        100.0 * (ratio_from_db(scale) - 1.0),
    )
    off_expected_v = 0.01 * math.hypot(*shares) * expected_v
    ratio = 100.0 * (step_v / expected_v - 1.0)
    off = 100.0 * math.hypot(off_v, off_expected_v) / expected_v
    limit = kind.limits["ratio_percent"]
    return [
        ProtocolFinding(
            step="resistor", quantity="step", unit="%", value=ratio, uncertainty=off,
            expected=expected_v, expected_uncertainty=off_expected_v, low=-limit, high=limit,
            verdict=decide(ratio, off, -limit, limit), source=kind.source,
            said=f"the step of {typed['switched_ohm']:g} ohm is {1e3 * step_v:.2f} mV at the line "
            f"tap, {1e3 * expected_v:.2f} mV by Ohm's law: {ratio:+.1f} % +/- {off:.1f} %; "
            f"{limit:g} % is allowed",
        )
    ]  # fmt: skip


def judge_diodes(parts: Sequence[ProtocolPart], kind: StepKind) -> list[ProtocolFinding]:
    """THD at the loudest level and the loss of gain there, against the diode law."""
    names = ("thd_percent", "loss_db")
    found = {name: _get(parts[-1], name) for name in names} if parts else {}
    drives = [parts[-1].figures.get(name) for name in ("soft_v", "loud_v")] if parts else []
    soft_v, loud_v = drives or (None, None)
    if soft_v is None or loud_v is None or not any(found.values()):
        said = "the diodes: not done, withheld, or without volts (calibration: electrical-out)"
        return [_wait("diodes", kind, "thd", "%", said)]
    part = parts[-1]
    pair = DiodePair(**part.typed)
    off_share = part.uncertainty.get("loud_v", 0.0) / loud_v
    tone = foresee_tone(pair, soft_v, loud_v, drive_off_share=off_share)
    rows = (
        ("thd", "%", "thd_percent", tone.thd_percent, tone.thd_uncertainty_percent),
        ("loss of gain", "dB", "loss_db", tone.loss_db, tone.loss_uncertainty_db),
    )
    return [
        _agree(kind, quantity, unit, value, (expected, off))
        for quantity, unit, name, expected, off in rows
        if (value := found[name]) is not None
    ]


def _agree(
    kind: StepKind, quantity: str, unit: str, value: tuple[float, float], law: tuple[float, float]
) -> ProtocolFinding:
    """Whether two values agree within the root sum square of their intervals."""
    off = math.hypot(value[1], law[1])
    is_wide = off > TOO_WIDE_SHARE * abs(law[0])
    is_near = abs(value[0] - law[0]) <= off
    verdict: MarkState = ("doubtful" if is_wide else "within") if is_near else "outside"
    wide = "; foreseen too widely to prove anything" if is_wide else ""
    return ProtocolFinding(
        step="diodes", quantity=quantity, unit=unit, value=value[0], uncertainty=value[1],
        expected=law[0], expected_uncertainty=law[1], low=law[0] - off, high=law[0] + off,
        verdict=verdict, source=kind.source,
        said=f"{quantity} is {value[0]:.2f} {unit} +/- {value[1]:.2g} {unit}, by the diode law "
        f"{law[0]:.2f} {unit} +/- {law[1]:.2g} {unit}{wide}",
    )  # fmt: skip


def judge_rounds(parts: Sequence[ProtocolPart], kind: StepKind) -> list[ProtocolFinding]:
    """Hits and false alarms, once the envelope is open; rounds from before it do not count."""
    by_part = {one.part: one for one in parts}
    envelope, opened = by_part.get(ENVELOPE), by_part.get(OPENED)
    names = [name for name in list_parts() if find_step(name) == "round"]
    if envelope is None or opened is None:
        said = "the hidden faults: the envelope is not open yet"
        return [_wait("round", kind, "hits", "", said)]
    told = [
        (is_planted(plant), by_part[name].answer == CALLED)
        for name, plant in zip(names, opened.plants, strict=True)
        if name in by_part and envelope.taken_utc <= by_part[name].taken_utc <= opened.taken_utc
    ]
    hits = [is_called for is_there, is_called in told if is_there]
    alarms = [is_called for is_there, is_called in told if not is_there]
    return [
        _count(kind, "hits", hits, "changes that were made were called"),
        _count(kind, "false alarms", alarms, "rounds in which nothing was done were called"),
    ]


def _count(kind: StepKind, quantity: str, called: Sequence[bool], words: str) -> ProtocolFinding:
    """
    A share with its exact interval.

    Ten rounds are few: "within" says that the count agrees with the limit, the interval how little
    it shows. Hits are outside where none was called or their interval lies below the limit, false
    alarms where their interval lies above it.
    """
    n, n_called = len(called), sum(called)
    if n == 0:
        return _wait("round", kind, quantity, "", f"{quantity}: no round of that kind")
    low, high = bound_share(n_called, n)
    is_hit = quantity == "hits"
    limit = kind.limits["hit" if is_hit else "false_alarm"]
    verdict: MarkState = "within"
    if is_hit and n_called < limit * n:
        verdict = "doubtful" if n_called and high >= limit else "outside"
    elif not is_hit and low > limit:
        verdict = "outside"
    return ProtocolFinding(
        step="round", quantity=quantity, unit="", value=n_called / n,
        uncertainty=0.5 * (high - low), low=limit if is_hit else 0.0,
        high=1.0 if is_hit else limit, verdict=verdict, source=kind.source,
        said=f"{quantity}: {n_called} of {n} {words}; the true share is {100 * low:.0f} to "
        f"{100 * high:.0f} in 100",
    )  # fmt: skip


def judge_dial(parts: Sequence[ProtocolPart], kind: StepKind) -> list[ProtocolFinding]:
    """Speed and break against what somebody read off an oscilloscope."""
    if not parts:
        return [_wait("dial", kind, "speed", "%", "the dial: not done yet")]
    part, typed = parts[-1], parts[-1].typed
    off_share = 0.01 * typed["scope_off_percent"]
    findings = []
    speed = _get(part, "speed_pps")
    if speed is not None:
        scope = typed["scope_pps"]
        off = 100.0 * math.hypot(speed[1] / scope, off_share)
        findings.append(_beside(kind, "speed", "%", 100.0 * (speed[0] / scope - 1.0), off))
    share = _get(part, "break_percent")
    if share is not None:
        scope = typed["scope_break_percent"]
        off = math.hypot(share[1], off_share * scope)
        findings.append(_beside(kind, "break", "points", share[0] - scope, off))
    return findings or [_wait("dial", kind, "speed", "%", "the dial: no pulses could be read")]


def _beside(kind: StepKind, quantity: str, unit: str, value: float, off: float) -> ProtocolFinding:
    limit = kind.limits["speed_percent" if quantity == "speed" else "break_points"]
    return ProtocolFinding(
        step="dial", quantity=quantity, unit=unit, value=value, uncertainty=off, low=-limit,
        high=limit, verdict=decide(value, off, -limit, limit), source=kind.source,
        said=f"{quantity} of the dial: {value:+.2f} {unit} +/- {off:.2f} {unit} beside the "
        f"oscilloscope; {limit:g} {unit} is allowed",
    )  # fmt: skip


def analyse_seats(parts: Sequence[ProtocolPart]) -> VarianceTable | None:
    """
    Persons by days by seats, of the mid-band level.

    Parameters
    ----------
    parts : sequence of ProtocolPart
        Of the step "seats".

    Returns
    -------
    VarianceTable or None
        `None` while a person or a day is missing, or a part has fewer than two levels.
    """
    levels = {one.part: _list_levels(one) for one in parts}
    persons = sorted({find_person(name) for name in list_parts()} - {""})
    cells = [[levels.get(f"seats {day}{who}", []) for day in (1, 2)] for who in persons]
    if any(len(cell) < 2 for row in cells for cell in row):
        return None
    return analyse_crossed(cells)


def _list_levels(part: ProtocolPart) -> list[float]:
    levels = [part.figures.get(f"mid_{number}_db") for number in range(1, len(part.sounds) + 1)]
    return [one for one in levels if one is not None]


def judge_seats(parts: Sequence[ProtocolPart], kind: StepKind) -> list[ProtocolFinding]:
    """Repeatability and reproducibility of one handset, as what 95 of 100 seats keep within."""
    table = analyse_seats(parts)
    if table is None:
        said = "the seats: two persons on two days are needed"
        return [_wait("seats", kind, "reproducibility", "dB", said)]
    evenings = {one.part: one for one in parts}
    apart_hours = _count_hours(evenings["seats 1A"], evenings["seats 2A"])
    if apart_hours < LEAST_APART_HOURS and not parts[0].is_simulated:
        said = "the seats: both evenings lie on one day; take those of the second on another"
        return [_wait("seats", kind, "reproducibility", "dB", said)]
    rows = {name: table.estimate(name).sd for name in ("person", "day", "person:day")}
    told = ", ".join(f"{name.replace(':', ' and ')} {sd:.2f} dB" for name, sd in rows.items())
    repeatability = _keep_within(
        kind, "repeatability", table.repeatability,
        "one person on one day lays a handset in with a scatter of",
    )  # fmt: skip
    return [
        dataclasses.replace(repeatability, said=repeatability.said + _name_uneven(evenings)),
        _keep_within(
            kind, "reproducibility", table.reproducibility,
            f"whoever lays it in, on whatever day (of that {told}; two days tell little):",
        ),
    ]  # fmt: skip


def _name_uneven(evenings: Mapping[str, ProtocolPart]) -> str:
    """Words on a part whose seats scatter more than chance allows beside the others'."""
    suspects = find_suspects([_list_levels(one) for one in evenings.values()])
    # Their means may differ: that is what two persons and two days are asked for.
    uneven = [one for one in suspects if one.test == "cochran" and one.is_outlier]
    if not uneven:
        return ""
    return (
        f"; {list(evenings)[uneven[0].group]} scatter more than the others, and not by chance: "
        "look at how the handset lay"
    )


def _keep_within(
    kind: StepKind, quantity: str, found: VarianceEstimate, words: str
) -> ProtocolFinding:
    """Outside where even the interval's lower end is; a first value is not held to its upper."""
    value, (low, high) = COVERAGE_95 * found.sd, (COVERAGE_95 * end for end in found.sd_interval)
    limit = kind.limits[f"{quantity}_db"]
    verdict: MarkState = "outside" if low > limit else "doubtful" if value > limit else "within"
    return ProtocolFinding(
        step="seats", quantity=quantity, unit="dB", verdict=verdict, value=value,
        uncertainty=0.5 * (high - low), low=0.0, high=limit, source=kind.source,
        said=f"{words} +/- {value:.2f} dB (95 of 100 seats; {low:.2f} to {high:.2f} dB); "
        f"{limit:g} dB is allowed",
    )  # fmt: skip


JUDGES: Mapping[str, Judge] = {
    "loop-back": judge_loop_back,
    "resistor": judge_resistor,
    "diodes": judge_diodes,
    "seats": judge_seats,
    "round": judge_rounds,
    "dial": judge_dial,
}
