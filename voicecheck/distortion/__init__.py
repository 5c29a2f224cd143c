"""Harmonics and THD, level steps, four-tone products, SINAD."""

from voicecheck.distortion.fourtone import limit_products, measure_intermodulation
from voicecheck.distortion.harmonics import (
    HIGHEST_SHARE,
    ORDERS,
    STANDARD_LADDER_HZ,
    compute_distortion,
    mark_floor,
)
from voicecheck.distortion.leftover import LEFTOVER_HZ, compute_leftover, list_leftover_bins_hz
from voicecheck.distortion.residual import limit_residual, measure_residual
from voicecheck.distortion.steps import (
    SINAD_HZ,
    judge_source,
    limit_steps,
    measure_linearity,
    measure_sinad,
)

__all__ = [
    "HIGHEST_SHARE",
    "LEFTOVER_HZ",
    "ORDERS",
    "SINAD_HZ",
    "STANDARD_LADDER_HZ",
    "compute_distortion",
    "compute_leftover",
    "judge_source",
    "limit_products",
    "limit_residual",
    "limit_steps",
    "list_leftover_bins_hz",
    "mark_floor",
    "measure_intermodulation",
    "measure_linearity",
    "measure_residual",
    "measure_sinad",
]
