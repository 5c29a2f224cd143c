"""Pool runs, build a baseline, compare, find likely causes. Pure: no bench, no job book."""

from voicecheck.verdicts.against_baseline import compare_to_baseline, widen_baseline
from voicecheck.verdicts.baseline import build_baseline
from voicecheck.verdicts.before_after import compare_runs
from voicecheck.verdicts.masks import (
    compare_to_mask,
    limits_at,
    list_masks,
    load_mask,
    load_mask_text,
)
from voicecheck.verdicts.pooling import pool_run

__all__ = [
    "build_baseline",
    "compare_runs",
    "compare_to_baseline",
    "compare_to_mask",
    "limits_at",
    "list_masks",
    "load_mask",
    "load_mask_text",
    "pool_run",
    "widen_baseline",
]
