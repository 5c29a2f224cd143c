"""
Findings in plain words, never more than they say.

Each line comes from findings alone: a number appears only where a finding has it, "louder" and
"weaker" only where a level was comparable, and better or worse only against a baseline.
"""

from __future__ import annotations

from collections.abc import Sequence

from voicecheck.records import Comparison, Finding
from voicecheck.verdicts.quantities import BY_NAME

SUBJECT = {
    "transmit": "Speech sent to the line",
    "receive": "Speech heard in the receiver",
    "sidetone": "The talker's own voice in the receiver",
    "loop": "The bench loop",
}
PLACE = {
    "transmit": "Transmit", "receive": "Receive", "sidetone": "Sidetone", "loop": "Bench loop",
}  # fmt: skip
NOT_JUDGED = "Whether a change is better or worse is not judged here: that takes a baseline."
NO_DIFFERENCE = "No difference to {when} larger than the spread between seats."
MOST_LINES = 8
PREFERRED = ("mid_db", "response", "shape", "thd_max_percent", "psophometric_dbm",
             "psophometric_dbfs", "bursts_per_s", "compression_db", "sinad_db")  # fmt: skip
"""Of several findings that say the same, the first of these speaks."""
GROUPS = {
    "mid_db": "level", "low_db": "level", "high_db": "level", "at_1khz_db": "level",
    "response": "level", "shape": "shape", "sinad_db": "distortion", "order2_db": "distortion",
    "order3_db": "distortion", "psophometric_dbm": "noise", "psophometric_dbfs": "noise",
    "bursts_per_s": "bursts", "compression_db": "compression", "mains_dbfs": "hum",
    "threshold_db": "threshold", "feed_range_db": "feed", "position_range_db": "position",
}  # fmt: skip


def summarise(comparison: Comparison) -> tuple[str, ...]:
    """
    A comparison in lines that an owner can read.

    Parameters
    ----------
    comparison : Comparison

    Returns
    -------
    tuple of str
        The whole first, then what stands out, then what could not be compared and what remains
        in doubt.
    """
    if comparison.against.kind in ("baseline", "mask"):
        return _against_reference(comparison)
    return _between_stages(comparison)


def _group(finding: Finding) -> str:
    return GROUPS.get(finding.quantity, "distortion")


def _pick(findings: Sequence[Finding]) -> list[Finding]:
    """One finding for each path and group."""
    picked: dict[tuple[str, str], Finding] = {}
    order = {name: index for index, name in enumerate(PREFERRED)}
    for finding in sorted(findings, key=lambda f: order.get(f.quantity, len(order))):
        picked.setdefault((finding.path, _group(finding)), finding)
    return list(picked.values())


def _with(comparison: Comparison, verdict: str) -> list[Finding]:
    return [finding for finding in comparison.findings if finding.verdict == verdict]


def _against_reference(comparison: Comparison) -> tuple[str, ...]:
    against = comparison.against
    usual = f"the mask {against.name}"
    if against.kind == "baseline":
        usual = f"what is usual for {against.name} ({against.n} reference sets)"
    outside, doubtful = _with(comparison, "outside"), _with(comparison, "doubtful")
    whole = {
        "within": f"Everything compared lies within {usual}.",
        "outside": f"{_count(outside)} outside {usual}.",
        "doubtful": f"Nothing is clearly outside {usual}, but {_count(doubtful).lower()} in doubt.",
        "not comparable": f"What could be compared lies within {usual}; not everything could.",
    }[comparison.overall]
    if all(finding.verdict == "not comparable" for finding in comparison.findings):
        whole = f"Nothing could be compared with {usual}."
    lines = [whole]
    lines += [_describe_against(finding) for finding in _pick(outside)]
    lines += [f"In doubt: {_lower(_describe_against(finding))}" for finding in _pick(doubtful)]
    return tuple(lines[:MOST_LINES] + _refusals(comparison))


def _count(findings: Sequence[Finding]) -> str:
    n = len(findings)
    return f"{n} quantity lies" if n == 1 else f"{n} quantities lie"


def _lower(text: str) -> str:
    return text[0].lower() + text[1:]


def _at(finding: Finding) -> str:
    if finding.worst_hz is None:
        return ""
    return f" near {finding.worst_hz:.0f} Hz" if finding.worst_hz < 1e4 else ""


def _label(finding: Finding) -> str:
    quantity = BY_NAME.get(finding.quantity)
    return quantity.label if quantity else finding.quantity.replace("_", " ")


def _describe_against(finding: Finding) -> str:
    subject, place = (names.get(finding.path, finding.path) for names in (SUBJECT, PLACE))
    value, reference = finding.value, finding.reference
    if value is None:
        return f"{place}: {_label(finding)} is not known."
    group = _group(finding)
    if reference is None:
        low, high = _show(finding.low), _show(finding.high)
        return (
            f"{place}: {_label(finding)} is {value:.1f} {finding.unit}{_at(finding)}, "
            f"limits {low} to {high}."
        )
    change = value - reference
    if group in ("level", "shape"):
        word = "weaker" if change < 0.0 else "louder"
        where = _at(finding) or (f" ({_label(finding)})" if finding.quantity != "mid_db" else "")
        if group == "shape":
            where += ", apart from its level,"
        limit = finding.low if change < 0.0 else finding.high
        room = f"; up to {abs(limit - reference):.1f} dB is usual" if limit is not None else ""
        return f"{subject}{where} is {abs(change):.1f} dB {word} than the type's mean{room}."
    limit = finding.high if finding.high is not None else finding.low
    return (
        f"{place}: {_label(finding)} is {value:.1f} {finding.unit}, "
        f"the type's mean {reference:.1f}, the limit {_show(limit)}."
    )


def _show(value: float | None) -> str:
    return "none" if value is None else f"{value:.1f}"


def _between_stages(comparison: Comparison) -> tuple[str, ...]:
    against = comparison.against
    name = against.name or against.kind
    when = {"before": "before", "element": f"with {name}"}.get(against.kind, f"in {name}")
    real, doubtful = _with(comparison, "outside"), _with(comparison, "doubtful")
    lines = [_describe_change(finding, when) for finding in _pick(real)]
    spoken = {(finding.path, _group(finding)) for finding in real}
    unsure = [
        finding
        for finding in _pick(doubtful)
        # A difference that would be told as 0.0 tells nothing.
        if (finding.path, _group(finding)) not in spoken and abs(finding.value or 0.0) >= 0.05
    ]
    lines += [f"Not certain: {_lower(_describe_change(finding, when))}" for finding in unsure]
    if not lines and _with(comparison, "within"):
        return (NO_DIFFERENCE.format(when=when), *_refusals(comparison))
    lines = lines[:MOST_LINES]
    return (*lines, *((NOT_JUDGED,) if lines else ()), *_refusals(comparison))


def _interval(finding: Finding, digits: int = 1) -> str:
    if finding.value is None or finding.uncertainty is None:
        return ""
    return f" (give or take {finding.uncertainty:.{digits}f})"


def _describe_change(finding: Finding, when: str) -> str:
    value = finding.value if finding.value is not None else 0.0
    group, place = _group(finding), PLACE.get(finding.path, finding.path)
    if group in ("level", "shape"):
        subject = SUBJECT.get(finding.path, finding.path)
        word = "louder" if value > 0.0 else "weaker"
        where = _at(finding) or (f" ({_label(finding)})" if finding.quantity != "mid_db" else "")
        if group == "shape":
            where += ", apart from its level,"
        return f"{subject}{where} is {abs(value):.1f} dB{_interval(finding)} {word} than {when}."
    if finding.reference is None:
        return f"{place}: {_label(finding)} changed by {value:+.1f} {finding.unit} from {when}."
    past, now = finding.reference, finding.reference + value
    if group in ("feed", "position"):
        what = "the feed current" if group == "feed" else "the handset's position"
        return (
            f"{place}: the level moves by {now:.1f} dB with {what} ({finding.reason}), "
            f"by {past:.1f} dB {when}."
        )
    if group == "bursts":
        return _describe_bursts(place, past, now, when)
    if group == "noise":
        word = "higher" if value > 0.0 else "lower"
        return (
            f"{place}: idle noise is {abs(value):.1f} dB{_interval(finding)} {word} than {when} "
            f"({now:.1f} {finding.unit})."
        )
    return (
        f"{place}: {_label(finding)} is {now:.1f} {finding.unit}{_interval(finding)}, "
        f"{past:.1f} {when}."
    )


def _describe_bursts(place: str, past: float, now: float, when: str) -> str:
    if now <= 0.05:
        return f"{place}: the crackle ({past:.1f} bursts/s {when}) is gone in the pauses."
    return f"{place}: {now:.1f} bursts/s in the pauses, {past:.1f} {when}."


def _refusals(comparison: Comparison) -> list[str]:
    reasons: dict[str, list[str]] = {}
    for finding in _with(comparison, "not comparable"):
        reasons.setdefault(finding.reason, []).append(f"{finding.path} {_label(finding)}")
    return [f"Not compared ({', '.join(names)}): {why}." for why, names in reasons.items()]
