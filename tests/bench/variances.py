"""
How often intervals of variances hold the truth: `python tests/bench/variances.py [draws]`.

Prints the table of variances.md: three designs, standard deviations that are known, the interval
that the program states and, for comparison, Satterthwaite's.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from scipy.stats import chi2

from voicecheck.verdicts.reproducibility import analyse_crossed, analyse_groups, analyse_nested
from voicecheck.verdicts.variances import VarianceEstimate, VarianceTable

Draw = Callable[[np.random.Generator, Sequence[float]], VarianceTable]
MIXTURES = ((0.3, 0.3, 0.3, 0.3), (0.0, 0.0, 0.0, 0.3), (0.05, 0.1, 0.0, 0.3), (0.3, 1.0, 0.3, 0.1))
"""Standard deviations of persons, days, persons on days, and seats, dB."""


def draw_crossed(rng: np.random.Generator, sds: Sequence[float]) -> VarianceTable:
    """Two persons on two days, ten seats each."""
    cells: Any = rng.normal(0.0, sds[0], (2, 1, 1)) + rng.normal(0.0, sds[1], (1, 2, 1))
    cells = cells + rng.normal(0.0, sds[2], (2, 2, 1)) + rng.normal(0.0, sds[3], (2, 2, 10))
    return analyse_crossed(cells.tolist())


def draw_nested(rng: np.random.Generator, sds: Sequence[float]) -> VarianceTable:
    """Five days, another two persons on each, four seats each."""
    cells: Any = rng.normal(0.0, sds[1], (5, 1, 1)) + rng.normal(0.0, sds[0], (5, 2, 1))
    return analyse_nested((cells + rng.normal(0.0, sds[3], (5, 2, 4))).tolist())


def draw_groups(rng: np.random.Generator, sds: Sequence[float]) -> VarianceTable:
    """Six days of 2, 3, 3, 4, 5 and 8 seats."""
    groups = [
        (rng.normal(0.0, sds[1]) + rng.normal(0.0, sds[3], n)).tolist() for n in (2, 3, 3, 4, 5, 8)
    ]
    return analyse_groups(groups, between="day", within="seat")


DESIGNS: dict[str, tuple[Draw, tuple[str, ...]]] = {
    "2 persons x 2 days x 10 seats": (draw_crossed, ("person", "day", "person:day", "seat")),
    "5 days, 2 others on each, 4 seats": (draw_nested, ("person", "day", "", "seat")),
    "6 days, 2 to 8 seats": (draw_groups, ("", "day", "", "seat")),
}


def is_inside(found: VarianceEstimate, truth: float) -> bool:
    """Whether the interval that is stated holds it, but for rounding."""
    return found.low <= truth * (1.0 + 1e-9) and truth <= found.high * (1.0 + 1e-9)


def is_inside_by_dof(found: VarianceEstimate, truth: float) -> bool:
    """The same by chi squared with Satterthwaite's degrees of freedom."""
    if found.dof <= 0.0:
        return False
    low, high = (float(chi2.ppf(side, found.dof)) for side in (0.025, 0.975))
    return low * truth <= found.dof * found.variance <= high * truth


def main() -> None:
    """Print the table."""
    n_draws = int([*sys.argv[1:], "2000"][0])
    lines = ["| design | sds, dB | part | held | by Satterthwaite |", "|---|---|---|---|---|"]
    for design, (draw, names) in DESIGNS.items():
        for sds in MIXTURES:
            truth = {name: sd**2 for name, sd in zip(names, sds, strict=True) if name}
            rng = np.random.default_rng(20)
            tables = [draw(rng, sds) for _ in range(n_draws)]
            for parts in (("day",), ("day", "seat"), ("seat",), tuple(truth)):
                estimates = [table.estimate(*parts) for table in tables]
                true = sum(truth[part] for part in parts)
                held = np.mean([is_inside(one, true) for one in estimates])
                other = np.mean([is_inside_by_dof(one, true) for one in estimates])
                shown = ", ".join(f"{sd:g}" for sd, name in zip(sds, names, strict=True) if name)
                which = " + ".join(parts) if len(parts) < 3 else "all"
                lines.append(
                    f"| {design} | {shown} | {which} | {100 * held:.1f} | {100 * other:.1f} |"
                )
    sys.stdout.write("\n".join(dict.fromkeys(lines)) + "\n")


if __name__ == "__main__":
    main()
