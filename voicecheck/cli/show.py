"""Records as plain text, the same on a terminal and in a pipe."""

from __future__ import annotations

from collections.abc import Sequence

from voicecheck.records import Baseline, Comparison, Finding, Job, Measurement, Run, SetType

LADDER_HZ = (315.0, 500.0, 1000.0)
VERDICT_MARKS = {"within": "ok", "doubtful": "?", "outside": "OUT", "not comparable": "--"}


def render_table(rows: Sequence[Sequence[str]], *, indent: str = "  ") -> str:
    """Columns side by side, as wide as they need."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = (
        indent + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        for row in rows
    )
    return "\n".join(line.rstrip() for line in lines)


def _number(value: float | None, unit: str, digits: int = 1) -> str:
    return "withheld" if value is None or value != value else f"{value:.{digits}f} {unit}"  # noqa: PLR0124


def render_measurement(measurement: Measurement) -> str:
    """The figures of one recording or of a pooled run."""
    bands, noise, response = measurement.bands, measurement.noise, measurement.response
    unit = response.unit if response else "dB"
    rows = [
        ("level at 1 kHz", _number(bands.at_1khz_db, unit)),
        ("low 200-500 Hz", _number(bands.low_db, unit)),
        ("mid 500-2000 Hz", _number(bands.mid_db, unit)),
        ("high 2000-3400 Hz", _number(bands.high_db, unit)),
    ]
    for name, rating in (
        ("SLR", measurement.loudness.slr_db),
        ("RLR", measurement.loudness.rlr_db),
    ):
        if rating is not None:
            rows.append((name, f"{rating:.1f} dB (weights from memory, not checked in print)"))
    rows += _list_distortion(measurement)
    rows += [
        ("SINAD at 1 kHz", _number(measurement.sinad_db, "dB")),
        ("noise, psophometric", _number(noise.psophometric_dbfs, "dBFS")),
        ("noise, C-message", _number(noise.c_message_dbfs, "dBFS")),
    ]
    if noise.psophometric_dbm is not None:
        rows.append(("noise on the line", f"{noise.psophometric_dbm:.1f} dBm psophometric"))
    if noise.mains_hz is not None and noise.mains_dbfs is not None:
        rows.append(("mains hum", f"{noise.mains_dbfs:.1f} dBFS at {noise.mains_hz:.2f} Hz"))
    if measurement.timing is not None:
        timing = measurement.timing
        rows.append(
            ("timing", f"{1000 * timing.latency_s:.2f} ms late, clocks {timing.drift_ppm:+.2f} ppm")
        )
    if response is not None:
        half = sorted(value for value in response.uncertainty_db.tolist() if value == value)  # noqa: PLR0124
        if half:
            rows.append(("uncertainty of a point", f"{half[len(half) // 2]:.3f} dB (median, 95 %)"))
    name = measurement.recording.file or ""
    parts = [name] if name else []
    parts.append(render_table(rows))
    parts += [f"  ! {_problem_line(problem)}" for problem in measurement.problems]
    return "\n".join(parts)


def _problem_line(problem: object) -> str:
    at_s = getattr(problem, "at_s", None)
    when = f" at {at_s:.2f} s" if at_s is not None else ""
    return f"{problem.kind}{when}: {problem.message}; {problem.effect}"  # type: ignore[attr-defined]


def _list_distortion(measurement: Measurement) -> list[tuple[str, str]]:
    distortion = measurement.distortion
    if distortion is None:
        return []
    rows = []
    frequencies = distortion.frequency_hz.tolist()
    for frequency_hz in LADDER_HZ:
        if frequency_hz not in frequencies:
            continue
        at = frequencies.index(frequency_hz)
        value, below = distortion.thd_percent[at], distortion.thd_below_percent[at]
        text = f"{value:.2f} %" if value == value else _number_below(below)  # noqa: PLR0124
        rows.append((f"THD at {frequency_hz:.0f} Hz", text))
    return rows


def _number_below(below: float) -> str:
    return f"less than {below:.2f} %" if below == below else "withheld"  # noqa: PLR0124


def render_run(run: Run) -> str:
    """A pooled run with its spread."""
    head = f"{run.path}, {run.stage}: {len(run.recordings)} recordings"
    if run.level_sd_db is not None:
        head += f", level spread between seats {run.level_sd_db:.2f} dB"
    return head + "\n" + render_measurement(run.pooled)


def render_comparison(comparison: Comparison) -> str:
    """Findings, overall verdict, likely causes."""
    against = comparison.against
    n = f" of {against.n} sets" if against.n else ""
    lines = [f"{comparison.stage} against {against.kind} {against.name}{n}: {comparison.overall}"]
    if comparison.findings:
        lines.append(render_table([_finding_row(finding) for finding in comparison.findings]))
    for finding in comparison.findings:
        if finding.verdict in ("doubtful", "not comparable") and finding.reason:
            lines.append(f"  {finding.path} {finding.quantity}: {finding.reason}")
    lines += [f"  {line}" for line in comparison.summary]
    for hint in comparison.hints:
        lines.append(f"  {hint.code} ({hint.confidence}): {hint.cause}; next: {hint.separate_by}")
    return "\n".join(lines)


def _finding_row(finding: Finding) -> tuple[str, ...]:
    unit = finding.unit
    value = "-" if finding.value is None else f"{finding.value:.1f} {unit}"
    own = "" if finding.uncertainty is None else f"+/- {finding.uncertainty:.1f}"
    low = "" if finding.low is None else f"{finding.low:.1f}"
    high = "" if finding.high is None else f"{finding.high:.1f}"
    limits = f"[{low} .. {high}]" if low or high else ""
    worst = "" if finding.worst_hz is None else f"at {finding.worst_hz:.0f} Hz"
    mark = VERDICT_MARKS.get(finding.verdict, finding.verdict)
    return (mark, finding.path, finding.quantity, value, own, limits, worst)


def render_baseline(baseline: Baseline) -> str:
    """One baseline in a line, its warnings below."""
    head = (
        f"{baseline.type_name}, {baseline.path}: {baseline.n} sets, "
        f"curve in {baseline.unit}, {len(baseline.quantities)} quantities"
    )
    return "\n".join([head, *(f"  ! {warning}" for warning in baseline.warnings)])


def render_jobs(jobs: Sequence[Job]) -> str:
    """Jobs, one a line."""
    if not jobs:
        return "no jobs"
    rows = [
        (str(job.job), job.label, job.type_name, job.owner, "closed" if job.closed_utc else "open")
        for job in jobs
    ]
    return render_table(rows, indent="")


def render_types(types: Sequence[SetType]) -> str:
    """Set types, one a line."""
    if not types:
        return "no set types"
    rows = [(one.name, one.transmitter, f"{one.feed_ma:g} mA", one.region) for one in types]
    return render_table(rows, indent="")
