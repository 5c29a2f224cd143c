"""
Worked examples of JCGM 100:2008, annex H, through the program's uncertainty code.

What H.1, H.2 and H.5 start from is as public copies have it (PUB-2ND); so are the means and the
ratio of H.5. The other printed results are remembered (MEM), and each is what the formulas give.
H.3 and H.4 have no counterpart: nothing here fits a straight line with an interval, or counts
decays.
"""

from __future__ import annotations

import csv

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from strd import FILES, count_right_digits

from voicecheck import budgets
from voicecheck.budgets import combine_rows, student_95
from voicecheck.checkout.parts.terminals import Impedance, spread
from voicecheck.records.budgets import BudgetRow
from voicecheck.verdicts.reproducibility import analyse_groups

END_GAUGE = {
    "calibration": (25.0, 18.0),
    "repeated observations": (5.8, 24.0),
    "random effects of comparator": (3.9, 5.0),
    "systematic effects of comparator": (6.7, 8.0),
    "difference in expansion": (2.9, 50.0),
    "difference in temperature": (16.6, 2.0),
}
"""H.1, table H.1 (PUB-2ND): standard uncertainty in nm and degrees of freedom by part."""
ZENER = {
    10.000172: 60, 10.000116: 77, 10.000013: 111, 10.000144: 101, 10.000106: 67,
    10.000031: 93, 10.000060: 80, 10.000125: 73, 10.000163: 88, 10.000041: 86,
}  # fmt: skip
"""H.5, table H.9 (PUB-2ND): mean of a day's five observations in V, standard deviation in uV."""


def test_h1_the_end_gauge() -> None:
    """Printed: u_c = 32 nm, 16 degrees of freedom, U = 93 nm at 99 % (2.92 times 32)."""
    rows = tuple(
        BudgetRow(name="bench", half_width=u_nm * float(student_95(dof)), dof=dof)
        for u_nm, dof in END_GAUGE.values()
    )
    half_widths = np.array([row.half_width for row in rows])
    standard_nm, dof = budgets._add_up(half_widths, [row.dof for row in rows])
    assert standard_nm == pytest.approx(32.0, abs=0.5)
    assert int(dof) == 16
    assert stats.t.ppf(0.995, 16) * 32.0 == pytest.approx(93.0, abs=0.5)
    # The program states 95 %: 2.12 times 31.7.
    assert combine_rows(rows) == pytest.approx(stats.t.ppf(0.975, dof) * standard_nm, rel=1e-6)


def read_impedance() -> NDArray[np.float64]:
    """V, A, rad; shape (5, 3)."""
    with (FILES.parent / "jcgm_100_examples.csv").open(encoding="utf-8") as lines:
        values = [float(row["value"]) for row in csv.DictReader(lines) if row["example"] == "H.2"]
    return np.array(values).reshape(5, 3) * [1.0, 1e-3, 1.0]


def test_h2_resistance_and_reactance_from_inputs_that_go_together() -> None:
    """
    Printed: R 127.732 (71), X 219.847 (295), Z 254.260 (236) ohm.

    Each way in which volt, ampere and angle move together is moved by itself, as the electrical
    check moves its inputs: what one does to resistance and reactance keeps its sign. From the
    table itself the reactance comes out at 0.2956: the example goes on with correlations that it
    rounded to two digits.
    """
    seen = read_impedance()
    covariance = np.cov(seen.T) / len(seen)
    together = np.linalg.cholesky(covariance).T

    def solve(volt: float, ampere: float, radian: float) -> NDArray[np.complex128]:
        return np.array([volt / ampere * np.exp(1j * radian)])

    ohm = solve(*seen.mean(axis=0))
    impedance = Impedance(
        frequency_hz=np.array([50.0]),
        ohm=ohm,
        moved={f"way {n}": (solve(*(seen.mean(axis=0) + way)),) for n, way in enumerate(together)},
        draws=np.tile(ohm, (2, 1)),
    )
    for figure, value, standard in (
        (np.real, 127.732, 0.071),
        (np.imag, 219.847, 0.295),
        (np.abs, 254.260, 0.236),
    ):
        rows = spread(impedance, figure)
        assert figure(ohm)[0] == pytest.approx(value, abs=0.0006)
        assert np.sqrt(sum(row[0] ** 2 for row in rows.values())) == pytest.approx(
            standard, abs=0.001
        )


def test_h5_days_and_observations_of_a_voltage() -> None:
    """Printed: s_a 128 uV from 57 uV between means, s_b 85 uV, F 2.25, between days 43 uV."""
    shape = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) / np.sqrt(2.5)
    days = [volt + uv * 1e-6 * shape for volt, uv in ZENER.items()]
    table = analyse_groups([day.tolist() for day in days], between="day", within="observation")
    between, within = table.rows
    assert (between.dof, within.dof) == (9, 40)
    assert table.mean == pytest.approx(10.000097, abs=5e-7)
    assert np.sqrt(between.value) * 1e6 == pytest.approx(128.0, abs=0.5)
    assert np.sqrt(within.value) * 1e6 == pytest.approx(85.0, abs=0.5)
    assert between.value / within.value == pytest.approx(2.25, abs=0.03)
    assert table.estimate("day").sd * 1e6 == pytest.approx(43.0, abs=0.5)


@pytest.mark.parametrize(
    ("name", "mean", "values", "digits"),
    [
        ("NumAcc1", 10000002.0, [10000001.0, 10000003.0, 10000002.0], 14.0),
        ("NumAcc2", 1.2, [1.2, *[1.1, 1.3] * 500], 14.0),
        ("NumAcc3", 1000000.2, [1000000.2, *[1000000.1, 1000000.3] * 500], 9.0),
        ("NumAcc4", 10000000.2, [10000000.2, *[10000000.1, 10000000.3] * 500], 8.0),
    ],
)
def test_means_and_deviations_of_leading_digits_that_never_change(
    name: str, mean: float, values: list[float], digits: float
) -> None:
    """
    NIST StRD, univariate: certified deviations 1 (NumAcc1) and 0.1, exact by construction.

    In double the data hold 9 and 8 digits of what is after the seven that do not change.
    """
    table = analyse_groups([values, values])
    assert count_right_digits(table.mean, mean) >= 14.0
    certified = 1.0 if name == "NumAcc1" else 0.1
    assert count_right_digits(table.repeatability.sd, certified) >= digits
