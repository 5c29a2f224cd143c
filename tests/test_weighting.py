"""Weights and ratings against the tables of the standards and closed forms."""

import csv
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from services import need_module

from voicecheck.errors import InputError
from voicecheck.weighting import (
    load_table,
    make_band_frequencies,
    rate_loudness,
    rate_receive,
    rate_sidetone,
    rate_transmit,
    weigh_c_message_db,
    weigh_psophometric_db,
)

PUBLISHED = Path(__file__).parents[1] / "fixtures" / "published"


def published(name: Any) -> Any:
    """Rows of published values that may be expected ones, each with its source."""
    with (PUBLISHED / f"{name}.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert all(row["provenance"] in ("PUB", "PUB-2ND", "CALC") for row in rows)
    return [pytest.param(row, id=f"{row['source']}-{row['place']}") for row in rows]


def average_db(weigh: Any, low_hz: Any, high_hz: Any) -> Any:
    """Weight of flat noise between two frequencies, power-averaged."""
    frequency_hz = np.arange(low_hz, high_hz, 0.25) + 0.125
    return 10 * np.log10(np.mean(10 ** (weigh(frequency_hz) / 10)))


@pytest.mark.parametrize("row", published("noise_weights"))
def test_noise_weights(row: Any) -> None:
    """O.41 and C-message points, and flat noise through them, as published or computed apart."""
    weigh = {"psophometric": weigh_psophometric_db, "c-message": weigh_c_message_db}[row["weight"]]
    if row["high_hz"]:
        found = average_db(weigh, float(row["low_hz"]), float(row["high_hz"]))
    else:
        found = float(weigh([float(row["low_hz"])])[0])
    assert found == pytest.approx(float(row["value"]), abs=float(row["tolerance"]))


def test_every_published_row_is_hit_and_memory_is_not_used() -> None:
    """All 24 PUB rows of each table come back; the MEM rows (150, 250, 350 Hz) decide nothing."""
    for table, weigh in (
        ("itu_t_o41_psophometric", weigh_psophometric_db),
        ("c_message_weighting", weigh_c_message_db),
    ):
        rows = [row for row in load_table(table) if row["provenance"] == "PUB"]
        assert len(rows) >= 23
        expected = [float(row["weight_db"]) for row in rows]
        assert np.allclose(weigh([float(row["frequency_hz"]) for row in rows]), expected)
    assert weigh_psophometric_db([150.0])[0] != pytest.approx(-29.0, abs=0.05)


def test_psophometric_filter_of_g191() -> None:
    """
    Within 0.55 dB of the ITU-T G.191 psophometric filter, 200-4000 Hz.

    Source: column `itu_g191_fir_db` (CALC from the published filter), a fit of its own.
    """
    rows = [r for r in load_table("itu_t_o41_psophometric") if r["itu_g191_fir_db"]]
    rows = [r for r in rows if 200 <= float(r["frequency_hz"]) <= 4000]
    theirs = np.array([float(row["itu_g191_fir_db"]) for row in rows])
    ours = weigh_psophometric_db([float(row["frequency_hz"]) for row in rows])
    assert len(rows) > 15
    # The interpolated points carry the table's coarse grid at the steep low end.
    assert np.max(np.abs(ours - theirs)) < 3.0
    published_rows = np.array([row["provenance"] == "PUB" for row in rows])
    assert np.max(np.abs(ours - theirs)[published_rows]) < 0.55


@pytest.mark.parametrize(("per_octave", "count"), [(1, 5), (3, 14), (6, 26), (12, 52)])
def test_midbands_by_formula(per_octave: int, count: int) -> None:
    """IEC 61260-1: f = 1000 G^(x/b), or half a step beside for even b; G = 10^0.3."""
    found = make_band_frequencies(per_octave, 199.0, 4100.0 if per_octave < 12 else 4000.0)
    ratio = 10 ** (0.3 / per_octave)
    assert np.allclose(found[1:] / found[:-1], ratio)
    nearest = found[np.argmin(np.abs(np.log(found / 1000)))]
    offset = 0 if per_octave % 2 else ratio**0.5
    assert nearest in (pytest.approx(1000 * (offset or 1)), pytest.approx(1000 / (offset or 1)))
    assert len(found) == pytest.approx(count, abs=1)


def test_midbands_of_pyfar() -> None:
    """Source: pyfar's exact fractional-octave frequencies, a general acoustics library."""
    pyfar = need_module("pyfar")
    theirs = np.asarray(pyfar.constants.fractional_octave_frequencies_exact(12, (200, 4000))[0])
    ours = make_band_frequencies(12)
    assert np.allclose(ours, theirs[: len(ours)], rtol=1e-12)


def table(name: Any, column: Any, key: Any = "frequency_hz") -> Any:
    return {float(row[key]): float(row[column]) for row in load_table(name) if row[column]}


def test_reference_system_rates_itself_zero() -> None:
    """
    SLR and RLR of the intermediate reference system within 0.05 dB of 0.

    Source: ITU-T P.48 sensitivities (PUB) under the P.79 weights (MEM): the closure of
    `itu_t_p79_weights.csv`.
    """
    nominal = list(table("itu_t_p79_weights", "w_send_4_17"))
    send, receive = (table("itu_t_p48_irs", f"{side}_db") for side in ("send", "receive"))
    assert rate_transmit([send[f] for f in nominal]) == pytest.approx(0.007, abs=0.002)
    assert rate_receive([receive[f] for f in nominal]) == pytest.approx(0.007, abs=0.002)


def test_flat_paths_have_the_stated_ratings() -> None:
    """Source: check values of `itu_t_p79_weights.csv` (CALC)."""
    assert rate_transmit(np.zeros(14)) == pytest.approx(-5.549, abs=0.001)
    assert rate_receive(np.zeros(14)) == pytest.approx(10.647, abs=0.001)
    assert rate_receive(np.zeros(14), sealed=False) == pytest.approx(10.126, abs=0.001)
    assert rate_sidetone(np.zeros(20)) == pytest.approx(6.595, abs=0.001)
    assert rate_sidetone(np.zeros(20), sealed=False) == pytest.approx(2.638, abs=0.001)


def test_third_octave_formula_by_hand() -> None:
    """Two bands: -(10/m) log10(10^(0.1 m (S1-W1)) + 10^(0.1 m (S2-W2)))."""
    expected = -(10 / 0.175) * np.log10(10 ** (0.0175 * -50.0) + 10 ** (0.0175 * -60.0))
    assert rate_loudness([-10.0, -10.0], [40.0, 50.0]) == pytest.approx(expected)


@given(
    gain_db=st.floats(-40, 40),
    sensitivity_db=st.lists(st.floats(-60, 40), min_size=14, max_size=14),
)
def test_rating_falls_by_the_gain(gain_db: Any, sensitivity_db: Any) -> None:
    moved = rate_transmit(np.array(sensitivity_db) + gain_db)
    assert rate_transmit(sensitivity_db) - moved == pytest.approx(gain_db, abs=1e-6)


@pytest.mark.parametrize("bad", [[1.0, 2.0], [float("nan")]])
def test_shapes_and_gaps_are_refused(bad: Any) -> None:
    with pytest.raises(InputError, match="one finite sensitivity"):
        rate_loudness(bad, [40.0])
