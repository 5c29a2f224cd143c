"""
How well colours are told apart: relative luminance and contrast of WCAG 2.

Source: https://www.w3.org/TR/WCAG22/#dfn-relative-luminance and #dfn-contrast-ratio.
"""

from __future__ import annotations

from typing import Any

import numpy as np


def to_linear(colour: Any) -> Any:
    channel = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(channel <= 0.04045, channel / 12.92, ((channel + 0.055) / 1.055) ** 2.4)


def luminance(linear: Any) -> Any:
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(first: Any, second: Any) -> Any:
    high, low = sorted((luminance(first), luminance(second)), reverse=True)
    return (high + 0.05) / (low + 0.05)
