"""Pool runs, build a baseline, compare, find likely causes. Pure: no bench, no job book."""

from voicecheck.benchspread import BenchSpread, estimate_bench_spread
from voicecheck.verdicts.against_baseline import compare_to_baseline, widen_baseline
from voicecheck.verdicts.baseline import build_baseline
from voicecheck.verdicts.before_after import compare_runs
from voicecheck.verdicts.elements import Identity, compare_elements, identify_element
from voicecheck.verdicts.evidence import gather_evidence
from voicecheck.verdicts.faults import load_fault_table, load_fault_table_text
from voicecheck.verdicts.hints import rank_causes, rank_hints
from voicecheck.verdicts.masks import (
    compare_to_mask,
    limits_at,
    list_masks,
    load_mask,
    load_mask_text,
)
from voicecheck.verdicts.pooling import pool_run
from voicecheck.verdicts.standin import compare_without_baseline

__all__ = [
    "BenchSpread",
    "Identity",
    "build_baseline",
    "compare_elements",
    "compare_runs",
    "compare_to_baseline",
    "compare_to_mask",
    "compare_without_baseline",
    "estimate_bench_spread",
    "gather_evidence",
    "identify_element",
    "limits_at",
    "list_masks",
    "load_fault_table",
    "load_fault_table_text",
    "load_mask",
    "load_mask_text",
    "pool_run",
    "rank_causes",
    "rank_hints",
    "widen_baseline",
]
