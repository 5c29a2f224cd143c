"""Records as plain text, the same on a terminal and in a pipe."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any

from voicecheck.cli.guidance import wrap
from voicecheck.cli.numbers import list_budgets
from voicecheck.cli.screen import clean_line
from voicecheck.records import (
    Baseline,
    ClubBaseline,
    Comparison,
    Finding,
    Hint,
    Job,
    Measurement,
    Run,
    SetType,
)
from voicecheck.records.quantities import THD_AT_HZ, count_decimals, says_nothing, unit_of
from voicecheck.words import load_words
from voicecheck.workflow.wording import (
    say_chance,
    say_comparison,
    say_path,
    say_problems,
    say_quantity,
    say_residual,
    say_stage,
    say_verdict,
)

JOB_HEADS = ("job", "label", "type", "owner", "state", "stage")
TYPE_HEADS = ("type", "transmitter", "feed", "region")
FINDING_HEADS = (
    "path", "quantity", "value", "+/-", "from", "to", "unit", "at, Hz", "verdict",
)  # fmt: skip


def render_table(rows: Sequence[Sequence[str]], *, indent: str = "  ") -> str:
    """Columns side by side, as wide as they need."""
    rows = [[clean_line(cell) for cell in row] for row in rows]
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = (
        indent + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        for row in rows
    )
    return "\n".join(line.rstrip() for line in lines)


def _number(value: float | None, unit: str, digits: int = 1, *, own: float | None = None) -> str:
    if value is None or not math.isfinite(value):
        return "withheld"
    known = own is not None and math.isfinite(own)
    return f"{value:.{digits}f} +/- {own:.2g} {unit}" if known else f"{value:.{digits}f} {unit}"


def render_measurement(measurement: Measurement, *, with_numbers: bool = False) -> str:
    """The figures of one recording or of a pooled run, on wish with what each interval is of."""
    parts = [measurement.recording.file] if measurement.recording.file else []
    parts.append(render_table([*_list_figures(measurement), *_list_trust(measurement)]))
    if with_numbers:
        parts.append(render_table(list_budgets(measurement)))
    parts += [wrap(line, "  ! ", "    ") for line in say_problems(measurement.problems)]
    return "\n".join(parts)


def _own(record: Any, figure: str) -> float | None:
    """Half-width of a figure's interval."""
    own: float | None = getattr(record, f"{figure.rpartition('_')[0]}_uncertainty_db")
    return own


def _list_figures(measurement: Measurement) -> list[tuple[str, str]]:
    bands, noise, loudness = measurement.bands, measurement.noise, measurement.loudness
    unit = measurement.response.unit if measurement.response else "dB"
    rows = [
        (say_quantity(name), _number(getattr(bands, name), unit, own=_own(bands, name)))
        for name in ("at_1khz_db", "low_db", "mid_db", "high_db")
    ]
    for name in ("slr_db", "rlr_db"):
        rating_db = getattr(loudness, name)
        if rating_db is not None:
            known = _number(rating_db, "dB", own=loudness.uncertainty_db)
            told = f"{known} (weights from memory, not checked in print)"
            rows.append((say_quantity(name), told))
    rows += [*_list_distortion(measurement), *_list_residual(measurement)]
    rows += [
        (
            say_quantity("sinad_db"),
            _number(measurement.sinad_db, "dB", own=measurement.sinad_uncertainty_db),
        ),
        (
            say_quantity("psophometric_dbfs"),
            _number(noise.psophometric_dbfs, "dBFS", own=_own(noise, "psophometric_dbfs")),
        ),
        (
            say_quantity("c_message_dbfs"),
            _number(noise.c_message_dbfs, "dBFS", own=_own(noise, "c_message_dbfs")),
        ),
    ]
    if noise.psophometric_dbm is not None:
        rows.append((say_quantity("psophometric_dbm"), f"{noise.psophometric_dbm:.1f} dBm"))
    if noise.mains_hz is not None and noise.mains_dbfs is not None:
        hum = f"{noise.mains_dbfs:.1f} dBFS at {noise.mains_hz:.2f} Hz"
        rows.append((say_quantity("mains_dbfs"), hum))
    return rows


def _list_trust(measurement: Measurement) -> list[tuple[str, str]]:
    timing, response, rows = measurement.timing, measurement.response, []
    if timing is not None:
        late = f"{1000 * timing.latency_s:.2f} ms late, clocks {timing.drift_ppm:+.2f} ppm"
        rows.append(("timing", late))
    if response is not None:
        half = sorted(value for value in response.uncertainty_db.tolist() if math.isfinite(value))
        if half:
            rows.append(("uncertainty of a point", f"{half[len(half) // 2]:.3f} dB (median, 95 %)"))
    return rows


def _list_distortion(measurement: Measurement) -> list[tuple[str, str]]:
    distortion = measurement.distortion
    if distortion is None:
        return []
    rows = []
    frequencies = distortion.frequency_hz.tolist()
    for frequency_hz in THD_AT_HZ:
        if frequency_hz not in frequencies:
            continue
        at = frequencies.index(frequency_hz)
        value, below = distortion.thd_percent[at], distortion.thd_below_percent[at]
        orders = f"(orders {distortion.harmonic_order[0]} to {distortion.harmonic_order[-1]})"
        own = float(distortion.thd_uncertainty_percent[at])
        text = f"{_number(value, '%', 2, own=own)} {orders}"
        if not math.isfinite(value) and math.isfinite(below):
            text = f"less than {_number(below, '%', 2)}"
        rows.append((say_quantity(f"thd_{frequency_hz:.0f}_percent"), text))
    return rows


def _list_residual(measurement: Measurement) -> list[tuple[str, str]]:
    """What is not linear in all, and what its crest says of its kind."""
    found = measurement.residual
    if found is None:
        return []
    name = say_quantity("residual_percent")
    if found.voice_percent is None:
        below = found.voice_below_percent
        return [] if below is None else [(name, f"less than {_number(below, '%', 2)}")]
    own = found.voice_uncertainty_percent
    told = f"{_number(found.voice_percent, '%', 2, own=own)} ({found.voice_db:.1f} dB)"
    return [(name, told), *((name, text) for text in say_residual(measurement))]


def say_simulated() -> str:
    """What stands over everything that rests on no real telephone."""
    return load_words().say("chart", "simulated")


def render_run(run: Run, *, with_numbers: bool = False) -> str:
    """A pooled run with its spread."""
    head = f"{run.path}, {run.stage}: {len(run.recordings)} recordings"
    if run.is_simulated:
        head = f"{say_simulated()}\n{head}"
    if run.level_sd_db is not None:
        head += f", level spread between seats {run.level_sd_db:.2f} dB"
    return head + "\n" + render_measurement(run.pooled, with_numbers=with_numbers)


def render_comparison(comparison: Comparison) -> str:
    """Every number of a comparison: findings, remarks, likely causes, what stands beside it."""
    against = comparison.against
    n = f", {against.n} sets" if against.n else ""
    parts = [
        f"{say_stage(comparison.stage)} held against {say_stage(against.name)}{n}: "
        f"{say_verdict(comparison, comparison.overall)}"
    ]
    if comparison.simulated:
        parts.insert(0, say_simulated())
    if comparison.findings:
        rows = [_finding_row(comparison, finding) for finding in comparison.findings]
        parts.append(render_table([FINDING_HEADS, *rows]))
    reasons = (
        f"{say_path(finding.path)}: {finding.reason}"
        for finding in comparison.findings
        if finding.verdict in ("doubtful", "not comparable") and finding.reason
    )
    remarks = count_alike([*reasons, *say_comparison(comparison)])
    parts += [wrap(line, "  ", "    ") for line in remarks]
    if comparison.hints:
        parts += ["likely causes:", *map(_render_hint, comparison.hints)]
    parts += [render_comparison(beside) for beside in comparison.beside]
    return "\n".join(parts)


def count_alike(lines: Iterable[str]) -> list[str]:
    """
    Each line once, with how often it was there.

    Examples
    --------
    >>> count_alike(["a", "b", "a"])
    ['a (2 times)', 'b']
    """
    counts = Counter(lines)
    return [f"{line} ({n} times)" if n > 1 else line for line, n in counts.items()]


def _render_hint(hint: Hint) -> str:
    lead, of = ("besides: ", ", for what is left") if hint.beside else ("", "")
    lines = [wrap(f"{lead}{hint.cause} ({say_chance(hint)}{of})", "  ", "    ")]
    if hint.unexplained:
        left = load_words().unexplained(hint.unexplained)
        lines.append(wrap(f"it does not explain: {left}", "    ", "    "))
    lines.append(wrap(f"its test: {hint.separate_by}", "    ", "    "))
    return "\n".join(lines)


def _finding_row(comparison: Comparison, finding: Finding) -> tuple[str, ...]:
    unit = unit_of(finding.quantity, finding.unit)
    decimals = count_decimals(finding.quantity, finding.value, unit)
    value, own, low, high = (
        "" if number is None else f"{number:.{decimals}f}"
        for number in (finding.value, finding.uncertainty, finding.low, finding.high)
    )
    if finding.low is not None and finding.high is not None:
        half = 0.5 * (finding.high - finding.low)
        if says_nothing(half, unit):
            low, high = "too few sets to say", ""
    return (
        say_path(finding.path),
        say_quantity(finding.quantity),
        value or "withheld",
        own if not says_nothing(finding.uncertainty, unit) else "too few seats to say",
        low,
        high,
        unit,
        "" if finding.worst_hz is None else f"{finding.worst_hz:.0f}",
        say_verdict(comparison, finding.verdict),
    )


def render_baseline(baseline: Baseline) -> str:
    """One baseline in a line, its warnings below."""
    head = (
        f"{baseline.type_name}, {baseline.path}: {baseline.n} sets, "
        f"curve in {baseline.unit}, {len(baseline.quantities)} quantities"
    )
    if baseline.without:
        head += f", without job {', '.join(map(str, baseline.without))}"
    if baseline.simulated:
        head = f"{head}; {say_simulated()}"
    return "\n".join([head, *(f"  ! {warning}" for warning in baseline.warnings)])


def render_club(club: ClubBaseline) -> str:
    """What a club passed on: what it is, who made it on what, and its fingerprint."""
    rows = [
        ("paths", ", ".join(f"{one.path} ({one.n} sets)" for one in club.baselines)),
        ("made by", club.made_by or "not told"),
        ("bench", (club.bench or "not told") + (" (simulated)" if club.simulated else "")),
        ("calibration", club.calibration),
        ("made", club.made_utc),
        ("fingerprint", club.fingerprint),
    ]
    return f"from a club: {club.type_name}, {club.transmitter}\n{render_table(rows)}"


def render_jobs(jobs: Sequence[Job]) -> str:
    """Jobs, one a line."""
    if not jobs:
        return "no jobs"
    rows = [
        (
            str(job.job),
            job.label,
            job.type_name,
            job.owner,
            "closed" if job.closed_utc else "open",
            say_stage(job.stage),
        )
        for job in jobs
    ]
    return render_table([JOB_HEADS, *rows], indent="")


def render_types(types: Sequence[SetType]) -> str:
    """Set types, one a line."""
    if not types:
        return "no set types"
    rows = [(one.name, one.transmitter, f"{one.feed_ma:g} mA", one.region) for one in types]
    return render_table([TYPE_HEADS, *rows], indent="")
