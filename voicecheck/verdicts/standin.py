"""What can be said of a set whose type has no baseline yet: floors, kindred types, one set."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from voicecheck.records import Against, Baseline, Comparison, Finding, Run
from voicecheck.records.verdicts import find_gravest
from voicecheck.verdicts.floors import judge_floors
from voicecheck.verdicts.kinguide import KINDRED, judge_by_kin
from voicecheck.verdicts.oneset import compare_to_one

KIND = "stand-in"
WIDE = "these limits are wide: a set that is weak for its type may well lie within them"
BETTER = {
    0: "two good sets of the type, swept at stage reference, make a baseline; five make it narrow",
    1: "one more good set of the type makes a baseline; five make it narrow",
}
"""What would make it surer, by the reference sets that are there."""
NO_KIN = (
    "no kindred type has a baseline in this book: one that a club shares would help "
    "(`voicecheck baseline import FILE`)"
)


def compare_without_baseline(
    runs: Mapping[str, Run],
    *,
    job: int | None,
    stage: str,
    type_name: str,
    transmitter: str | None,
    references: Mapping[str, Run],
    kindred: Sequence[Baseline] = (),
) -> Comparison:
    """
    Hold one stage of a set against what stands in for a baseline.

    Parameters
    ----------
    runs : mapping of str to Run
        By path.
    job : int or None
    stage, type_name : str
    transmitter : str or None
        Kind of transmitter.
    references : mapping of str to Run
        By path, the only reference set of the type, where there is one.
    kindred : sequence of Baseline
        The newest of each other type with the same kind of transmitter.

    Returns
    -------
    Comparison
        Against kind "stand-in". Floors for any set may say `outside`; a reference set alone, or
        without one the spread of kindred types, `doubtful` at most. `notes` say on what it rests
        and what would make it surer.
    """
    findings: list[Finding] = []
    for path, run in runs.items():
        findings += judge_floors(run, transmitter)
        if path not in references:
            findings += judge_by_kin(run, kindred)
    findings += compare_to_one(runs, references, type_name=type_name, stage=stage, kindred=kindred)
    has_one = bool(references.keys() & runs.keys())
    return Comparison(
        job=job,
        stage=stage,
        against=Against(kind=KIND, name=type_name, n=int(has_one)),
        findings=tuple(findings),
        overall=find_gravest(finding.verdict for finding in findings),
        notes=(*_tell_guides(findings), *_explain(runs, references, kindred)),
    )


def _tell_guides(findings: Sequence[Finding]) -> tuple[str, ...]:
    """How far kindred types reach, of each path once."""
    told: dict[str, str] = {}
    for one in findings:
        if one.source.startswith(KINDRED):
            told.setdefault(one.path, f"{one.path}: {one.reason}")
    return tuple(told.values())


def _explain(
    runs: Mapping[str, Run], references: Mapping[str, Run], kindred: Sequence[Baseline]
) -> tuple[str, ...]:
    notes = []
    for n, paths in enumerate(
        ([p for p in runs if p not in references], [p for p in runs if p in references])
    ):
        if paths:
            sets = ("no reference set", "one reference set")[n]
            notes.append(f"{', '.join(paths)}: {sets} of this type; {BETTER[n]}")
    is_kin_there = any(one.path in runs for one in kindred)
    return (*notes, WIDE) if is_kin_there else (*notes, WIDE, NO_KIN)
