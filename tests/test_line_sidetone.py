"""One's own voice on another line: against a transformer bridge; how often the interval holds."""

from typing import Any

import numpy as np
import pytest

from voicecheck.bench.simulated.line import Cable, Network
from voicecheck.checkout.line.impedances import Impedance, load_impedance
from voicecheck.checkout.line.loops import list_loops
from voicecheck.checkout.line.sidetone import (
    BENCH,
    compute_loop_loss,
    couple_own_voice,
    see_line_ohm,
    sidetone_on,
)
from voicecheck.errors import InputError

HZ = 1000.0 * 10.0 ** (np.arange(-5, 6) / 10.0)
EUROPE = load_impedance("Europe")


def solve_bridge(line_ohm: Any, balance_ohm: Any, transmitter_ohm: Any, winding_ohm: Any) -> Any:
    """
    Receiver current and line current of a three-winding bridge, 1 V in the transmitter.

    Unknown: line current, balance current, volts of each half winding (receiver resistance seen
    through the ideal transformer: the halves work against each other).
    """
    found = []
    for line, balance in zip(line_ohm, balance_ohm, strict=True):
        laws = np.array(
            [
                [transmitter_ohm + line, transmitter_ohm, 1.0],
                [transmitter_ohm, transmitter_ohm + balance, -1.0],
                [winding_ohm, -winding_ohm, -1.0],
            ]
        )
        line_a, balance_a, _ = np.linalg.solve(laws, [1.0, 1.0, 0.0])
        found.append((line_a - balance_a, line_a))
    return np.array(found).T


def find_own_ohm(balance_ohm: Any, transmitter_ohm: Any, winding_ohm: Any) -> Any:
    """The set's impedance, from its line current into a short circuit and into 1 kohm."""
    none = np.zeros(len(balance_ohm))
    _, short = solve_bridge(none, balance_ohm, transmitter_ohm, winding_ohm)
    _, loaded = solve_bridge(none + 1000.0, balance_ohm, transmitter_ohm, winding_ohm)
    return 1000.0 * loaded / (short - loaded)


@pytest.mark.parametrize(("transmitter_ohm", "winding_ohm"), [(60.0, 150.0), (200.0, 400.0)])
def test_only_two_impedances_matter(transmitter_ohm: Any, winding_ohm: Any) -> None:
    """Kirchhoff's laws of a bridge change with the line exactly as h(Z) does."""
    balance = EUROPE.compute_ohm(HZ)
    own = find_own_ohm(balance, transmitter_ohm, winding_ohm)
    ratio = []
    for line in (BENCH.compute_ohm(HZ), load_impedance("900 ohm").compute_ohm(HZ)):
        heard, _ = solve_bridge(line, balance, transmitter_ohm, winding_ohm)
        ratio.append(heard / couple_own_voice(line, balance, own))
    assert ratio[0] == pytest.approx(ratio[1], rel=1e-9)


def test_interval_holds_for_bridges_of_every_kind() -> None:
    """
    150 bridges with old parts and a leak: at least 9 in 10 changes lie within the interval.

    Their own impedance comes from their elements (30 to 120 ohm transmitter, receiver seen as 100
    to 1000 ohm), nothing of which the prediction knows.
    """
    random = np.random.default_rng(16)
    within, width_db = [], []
    for _ in range(150):
        nominal = load_impedance(random.choice(["Europe", "United Kingdom set", "600 ohm"]))
        loop = random.choice(["", *list_loops()])
        parts = random.uniform(0.9, 1.1, 3)
        true = Impedance(
            series_ohm=nominal.series_ohm * parts[0],
            parallel_ohm=nominal.parallel_ohm * parts[1],
            parallel_nf=nominal.parallel_nf * parts[2],
        ).compute_ohm(HZ)
        elements = random.uniform(30.0, 120.0), random.uniform(100.0, 1000.0)
        open_bridge = np.abs(solve_bridge(np.full(11, 1e7), true, *elements)[0])
        leak = (
            open_bridge
            * 10 ** (random.uniform(-30, -20) / 20)
            * np.exp(1j * random.uniform(0, 6.3))
        )
        levels = []
        for line in (BENCH.compute_ohm(HZ), see_line_ohm(HZ, EUROPE, loop)):
            levels.append(20 * np.log10(np.abs(solve_bridge(line, true, *elements)[0] + leak)))
        sums = [10 * np.log10(np.sum(10 ** (level / 10))) for level in levels]
        found = sidetone_on(EUROPE, loop=loop, balance=nominal, curve=(HZ, levels[0]))
        within.append(found.low_db <= sums[1] - sums[0] <= found.high_db)
        width_db.append(found.high_db - found.low_db)
    assert np.mean(within) >= 0.9
    assert np.median(width_db) < 15.0


def test_simulated_set_on_a_cable() -> None:
    """The simulated network, whose balance is Europe's, on 4 km of 0.4 mm into 600 ohm."""
    set_hears = [
        np.abs(Network().couple_sidetone(HZ, ohm))
        for ohm in (np.full(11, 600.0 + 0j), Cable(length_km=4.0).compute_input_ohm(HZ))
    ]
    true_db = 10 * np.log10(np.sum(set_hears[1] ** 2) / np.sum(set_hears[0] ** 2))
    found = sidetone_on(BENCH, loop="EIA LL-4", balance=EUROPE)  # 3.66 km of nearly that cable
    assert found.low_db < true_db < found.high_db
    assert found.change_db == pytest.approx(true_db, abs=3.0)


def test_nothing_changes_on_the_measured_impedance() -> None:
    """Where the line is what the set was measured on, the change is 0 with certainty."""
    found = sidetone_on(BENCH)
    assert (found.low_db, found.change_db, found.high_db) == (0.0, 0.0, 0.0)
    assert found.return_loss_before_db is None


def test_return_loss_tells_the_direction() -> None:
    """A better fit is fainter, a worse one louder; an unknown balance widens the interval."""
    better = sidetone_on(EUROPE, balance=EUROPE)
    worse = sidetone_on(EUROPE, balance=BENCH)
    assert better.return_loss_on_line_db == 40.0
    assert better.return_loss_before_db == pytest.approx(10.8, abs=0.1)
    assert better.high_db < 0.0 < worse.low_db
    unknown = sidetone_on(EUROPE)
    assert unknown.low_db < better.change_db < worse.change_db < unknown.high_db


def test_a_measured_curve_is_what_is_weighed() -> None:
    """A voice heard at 400 Hz alone changes by that band's change; NaN is not measured."""
    level_db = np.where(np.abs(HZ - 400) < 20, 0.0, -200.0)
    found = sidetone_on(EUROPE, balance=EUROPE, curve=(HZ, level_db))
    assert found.rests_on == "curve"
    assert found.change_db == pytest.approx(found.band_change_db[1], abs=0.01)
    level_db[6:] = np.nan
    assert sidetone_on(EUROPE, curve=(HZ, level_db)).frequency_hz.size == 6
    level_db[4:] = np.nan
    with pytest.raises(InputError, match="fewer than 5 third-octave bands"):
        sidetone_on(EUROPE, curve=(HZ, level_db))


def test_loop_loss() -> None:
    """At 1000 Hz as printed: V.56bis, EIA LL-4 6.1 dB, ETSI LL-1 4.7 dB."""
    for loop, printed_db in (("EIA LL-4", 6.1), ("ETSI LL-1", 4.7), ("EIA LL-6", 6.6)):
        loss = compute_loop_loss(loop, near=BENCH, exchange=BENCH)
        assert loss.at_1000_hz_db == pytest.approx(printed_db, abs=0.1)
    assert loss.voice_band_db > loss.at_1000_hz_db
