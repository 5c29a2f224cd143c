"""Harmonics and THD, level steps, four-tone products, SINAD."""

from voicecheck.distortion.fourtone import limit_products, measure_intermodulation
from voicecheck.distortion.harmonics import (
    HIGHEST_SHARE,
    ORDERS,
    STANDARD_LADDER_HZ,
    compute_distortion,
    mark_floor,
)
from voicecheck.distortion.steps import limit_steps, measure_linearity, measure_sinad

__all__ = [
    "HIGHEST_SHARE",
    "ORDERS",
    "STANDARD_LADDER_HZ",
    "compute_distortion",
    "limit_products",
    "limit_steps",
    "mark_floor",
    "measure_intermodulation",
    "measure_linearity",
    "measure_sinad",
]
