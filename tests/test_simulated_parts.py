"""The parts of the simulated telephone against closed forms and the trade's tables."""

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from voicecheck.bench.simulated.draws import make_generator
from voicecheck.bench.simulated.grid import make_grid, read_on_clock
from voicecheck.bench.simulated.handset import draw_model, tilt_element
from voicecheck.bench.simulated.line import Cable, Network, make_feed
from voicecheck.bench.simulated.mechanics import (
    DIAPHRAGMS,
    compute_coupler,
    compute_distance_ratio,
)
from voicecheck.bench.simulated.receiver import Receiver
from voicecheck.bench.simulated.tables import load_range, load_rows
from voicecheck.bench.simulated.transmitter import (
    AmplifiedElement,
    CarbonElement,
    find_working_point,
)
from voicecheck.errors import InputError

N_PERIOD = 4096


def harmonic_amplitudes(samples: Any) -> Any:
    """Amplitudes of the harmonics 0, 1, 2, ... of one period."""
    return 2.0 * np.abs(np.fft.rfft(samples)) / len(samples)


def one_period(amplitude: Any = 1.0) -> Any:
    return amplitude * np.sin(2.0 * np.pi * np.arange(N_PERIOD) / N_PERIOD)


def decibels(ratio: Any) -> Any:
    return 20.0 * np.log10(np.abs(ratio))


# Carbon -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("index", [0.02, 0.08, 0.15, 0.3])
def test_resistance_law_gives_h2_half_and_h3_quarter_square(index: float) -> None:
    """
    Current ~ 1 / (1 - a sin): H2 = a/2, H3 = a^2/4 for small a (row carbon,H2_at_89dBSPL, CALC).

    Exact: H2/H1 = r and H3/H1 = r^2 with r = (1 - sqrt(1 - a^2)) / a (Fourier series of
    1 / (1 - a sin), a textbook integral).
    """
    element = CarbonElement(ceiling=1e6, depth_per_pa=1.0, rest_ohm=100.0)
    # Seen impedance equal to the element's own: a is half the resistance's relative change.
    current = element.compute_current(one_period(2.0 * index), 0.04, 100.0)
    level = harmonic_amplitudes(current)
    exact = (1.0 - math.sqrt(1.0 - index**2)) / index
    assert level[2] / level[1] == pytest.approx(exact, rel=1e-6)
    assert level[3] / level[1] == pytest.approx(exact**2, rel=1e-6)
    assert level[2] / level[1] == pytest.approx(index / 2, rel=0.3 * index**2 + 1e-3)
    assert level[3] / level[1] == pytest.approx(index**2 / 4, rel=0.6 * index**2 + 2e-3)
    assert level[1] == pytest.approx(0.04 * 2.0 * exact / math.sqrt(1.0 - index**2), rel=1e-6)


def test_ideal_choke_and_capacitor_agree_with_the_circuit_integrated_in_time() -> None:
    """
    Feed, choke, modulated resistance, load behind a capacitor: integrated as a circuit.

    The closed form takes choke and capacitor as ideal. Here they are 60 H and 20 mF, the
    differential equations are integrated with scipy's `solve_ivp`, and the third swing is read:
    H1 to H4 agree within 0.1 %.
    """
    element = CarbonElement(ceiling=1e6, depth_per_pa=1.0, current_exponent=0.0)
    feed, seen_ohm, depth = make_feed(0.04, 100.0), 100.0, 0.5
    omega = 2.0 * math.pi * 1000.0

    def slope(time_s: Any, state: Any) -> Any:
        choke_a, capacitor_v = state
        element_ohm = 100.0 * (1.0 - depth * math.sin(omega * time_s))
        # The node: choke current splits between element and load.
        node_v = (choke_a + capacitor_v / seen_ohm) / (1.0 / element_ohm + 1.0 / seen_ohm)
        choke = (feed.feed_v - feed.feed_ohm * choke_a - node_v) / 60.0
        return choke, (node_v - capacitor_v) / seen_ohm / 20e-3

    read_s = 2e-3 + np.arange(512) / 512e3
    solved = solve_ivp(
        slope, (0.0, 3e-3), (0.04, 4.0), t_eval=read_s, rtol=1e-10, atol=1e-12, max_step=1e-5
    )
    choke_a, capacitor_v = solved.y
    element_ohm = 100.0 * (1.0 - depth * np.sin(omega * read_s))
    node_v = (choke_a + capacitor_v / seen_ohm) / (1.0 / element_ohm + 1.0 / seen_ohm)
    circuit = harmonic_amplitudes(node_v / element_ohm)
    closed = harmonic_amplitudes(
        element.compute_current(depth * np.sin(omega * read_s), 0.04, seen_ohm)
    )
    assert np.max(np.abs(circuit[1:5] / closed[1:5] - 1.0)) < 1e-3


def test_compression_and_threshold_lie_in_the_trades_ranges() -> None:
    """Rows carbon,high_level_compression_plus10dB and low_level_sensitivity_loss_70dBSPL (MEM)."""
    element = CarbonElement()
    nominal_pa = math.sqrt(2.0) * 10.0 ** (-4.7 / 20.0)

    def level_db(pressure_pa: Any) -> Any:
        grid = make_grid(48000, 48000)
        k = round(1000.0 * grid.n_samples / 48000)
        wave = pressure_pa * np.sin(2.0 * np.pi * k * np.arange(grid.n_samples) / grid.n_samples)
        loosened, _ = element.loosen(wave, 48000)
        current = element.compute_current(loosened, 0.04, 100.0)
        return decibels(harmonic_amplitudes(current)[k] / pressure_pa)

    nominal_db = level_db(nominal_pa)
    compression_db = nominal_db - level_db(nominal_pa * 10.0 ** (10.0 / 20.0))
    threshold_db = nominal_db - level_db(math.sqrt(2.0) * 20e-6 * 10.0 ** (70.0 / 20.0))
    low, _, high = load_range("carbon", "high_level_compression_plus10dB")
    assert low < compression_db < high
    low, _, high = load_range("carbon", "low_level_sensitivity_loss_70dBSPL")
    assert low < threshold_db < high


def test_excess_noise_follows_its_law() -> None:
    """V^2 ~ Vdc^1.85 R^1.25 / f: the slope is 10 dB per decade (row excess_noise_slope, MEM)."""
    element = CarbonElement(current_exponent=0.0)
    frequency_hz = np.array([300.0, 3000.0])
    density = element.compute_noise_v2(frequency_hz, 0.02)
    assert 10.0 * np.log10(density[1] / density[0]) == pytest.approx(-10.0)
    twice = element.compute_noise_v2(frequency_hz, 0.04)
    assert twice[0] / density[0] == pytest.approx(2.0**1.85)
    # Twice the resistance at the same current is twice the volts as well.
    high = dataclasses.replace(element, rest_ohm=200.0).compute_noise_v2(frequency_hz, 0.02)
    assert high[0] / density[0] == pytest.approx(2.0 ** (1.85 + 1.25))


def test_current_gain_slope_lies_in_the_trades_range() -> None:
    """Row carbon,loop_current_gain_slope: 0.2 to 0.5 dB/mA near 25 mA (PROP)."""
    element = CarbonElement()
    small = one_period(0.01)
    first, second = (
        harmonic_amplitudes(element.compute_current(small, current_a, 100.0))[1]
        for current_a in (0.0245, 0.0255)
    )
    slope_db_per_ma = decibels(second / first)
    low, _, high = load_range("carbon", "loop_current_gain_slope")
    assert low <= slope_db_per_ma <= high


def test_tilting_raises_resistance_by_the_published_ratio() -> None:
    """1.3 to 1 over all positions for a good element (S24, PUB); an electret does not care."""
    carbon = CarbonElement()
    tilted = tilt_element(carbon, 90.0)
    assert tilted.compute_ohm(0.04) / carbon.compute_ohm(0.04) == pytest.approx(1.3)
    electret = draw_model("electret", 1).transmitter
    assert tilt_element(electret, 90.0) is electret


def test_feed_gives_the_current_it_was_set_to_and_obeys_ohm() -> None:
    element = CarbonElement()
    feed = make_feed(0.04, element.compute_ohm(0.04) + 90.0)
    assert find_working_point(element, feed, 90.0) == pytest.approx(0.04, rel=1e-9)
    worn = dataclasses.replace(element, rest_ohm=300.0)
    current_a = find_working_point(worn, feed, 90.0)
    fallen_v = current_a * (feed.feed_ohm + 90.0 + worn.compute_ohm(current_a))
    assert fallen_v == pytest.approx(feed.feed_v, rel=1e-9)
    assert current_a < 0.037


# Amplified elements -----------------------------------------------------------------------------


def test_amplified_element_goes_quiet_below_its_least_current() -> None:
    """The cliff of fault row F39: 10 dB or more between 25 and 10 mA; carbon falls gently."""
    electret = AmplifiedElement(
        diaphragm=DIAPHRAGMS["electret_replacement"], nominal=DIAPHRAGMS["electret_replacement"]
    )
    wave = one_period(0.5)

    def fall_db(element: Any) -> Any:
        high = harmonic_amplitudes(element.compute_current(wave, 0.025, 100.0))[1]
        low = harmonic_amplitudes(element.compute_current(wave, 0.010, 100.0))[1]
        return decibels(high / low)

    assert fall_db(electret) > 20.0
    assert 3.0 < fall_db(CarbonElement()) < 10.0


# Receiver and coupler ---------------------------------------------------------------------------


def test_half_the_magnet_is_6_db_less_and_6_db_more_h2() -> None:
    """Pull ~ (B0 + b)^2 (row receiver,demag_rule, CALC): 20 log 2 = 6.02 dB both ways."""
    sound = Receiver(limit_v=math.inf)
    weak = dataclasses.replace(sound, magnet=0.5)
    wave = one_period(0.1)
    level, weaker = harmonic_amplitudes(sound.pull(wave)), harmonic_amplitudes(weak.pull(wave))
    assert decibels(weaker[1] / level[1]) == pytest.approx(-6.0206, abs=1e-3)
    ratio_db = decibels(weaker[2] / weaker[1]) - decibels(level[2] / level[1])
    assert ratio_db == pytest.approx(6.0206, abs=1e-3)
    assert np.all(weaker[3:20] < 1e-12)


def test_healthy_h2_is_the_tables_at_minus_20_dbm() -> None:
    """Row receiver,H2_healthy_at_-20dBm: -45 dB typical (MEM); 0 dBm is 0.7746 V."""
    wave = one_period(math.sqrt(2.0) * 0.07746)
    level = harmonic_amplitudes(Receiver(limit_v=math.inf).pull(wave))
    assert decibels(level[2] / level[1]) == pytest.approx(-45.0, abs=0.05)


def test_a_tenth_more_coupler_is_0_8_db_less() -> None:
    """The air in the coupler is a spring: 20 log 1.1 = 0.83 dB (CALC)."""
    frequency_hz = np.array([1000.0])
    small, large = (
        compute_coupler(frequency_hz, volume_cm3=volume, leak_hz=0.0)[0] for volume in (6.0, 6.6)
    )
    assert decibels(large / small) == pytest.approx(-0.828, abs=1e-3)


def load_curve(curve_id: str) -> tuple[Any, Any]:
    """Frequencies in Hz and levels in dB of one curve of the table."""
    rows = [row for row in load_rows("simulated_curves.csv") if row["curve_id"] == curve_id]
    columns = ([float(row[name]) for row in rows] for name in ("freq_hz", "value_db"))
    frequency_hz, level_db = map(np.array, columns)
    return frequency_hz, level_db


@pytest.mark.parametrize("leak_hz", [200, 400])
def test_leak_is_the_tables_first_order_corner(leak_hz: int) -> None:
    """Rows leak_6cc_resistive_fc200 and fc400 (CALC), rounded to 0.01 dB."""
    frequency_hz, level_db = load_curve(f"leak_6cc_resistive_fc{leak_hz}")
    assert len(frequency_hz) > 10
    computed = decibels(compute_coupler(frequency_hz, volume_cm3=6.0, leak_hz=float(leak_hz)))
    assert np.max(np.abs(computed - level_db)) < 0.0051


def test_two_millimetres_at_the_mouth_are_0_7_db() -> None:
    """Fault row F29: 2 mm at 25 mm = 0.7 dB (CALC)."""
    assert decibels(compute_distance_ratio(27.0)) == pytest.approx(-0.67, abs=0.01)


@pytest.mark.parametrize(
    ("curve_id", "within_db"),
    [
        ("carbon_later_element", 0.5),
        ("carbon_early_element", 1.7),
        ("electret_replacement", 1.0),
        ("movingcoil_replacement", 1.0),
        ("recv_ring_armature", 1.0),
        ("recv_bipolar_damped", 0.5),
        ("recv_bipolar_early", 1.8),
    ],
)
def test_diaphragm_has_the_tables_shape(curve_id: str, within_db: float) -> None:
    """Rows of simulated_curves.csv; their own uncertainty is 2 to 5 dB (MEM, PROP)."""
    frequency_hz, level_db = load_curve(curve_id)
    shape = DIAPHRAGMS[curve_id]
    computed_db = decibels(shape.respond_relative(frequency_hz, shape))
    assert np.ptp(level_db) > 4.0
    assert np.max(np.abs(computed_db - level_db)) < within_db


# Line -------------------------------------------------------------------------------------------


def test_cable_loss_is_the_tables() -> None:
    """
    Attenuation of an unloaded pair from R, L and C, recomputed without complex numbers.

    alpha = sqrt((sqrt((R^2 + w^2 L^2) (w C)^2) - w^2 L C) / 2) (textbook closed form);
    `line_loss.csv` (CALC) is rounded to 0.01 dB.
    """
    rows = load_rows("line_loss.csv")
    assert len(rows) == 24
    for row in rows:
        omega = 2.0 * math.pi * float(row["freq_hz"])
        ohm, farad = float(row["loop_ohm_per_km"]), 1e-9 * float(row["nF_per_km"])
        henry = 0.62e-3
        both = math.sqrt((ohm**2 + (omega * henry) ** 2) * (omega * farad) ** 2)
        neper = math.sqrt(0.5 * (both - omega**2 * henry * farad))
        assert 8.685890 * neper == pytest.approx(float(row["db_per_km"]), abs=0.0051)
        cable = Cable(length_km=1.0, loop_ohm_per_km=ohm, nf_per_km=1e9 * farad)
        constant, _ = cable.compute_propagation(np.array([float(row["freq_hz"])]))
        assert constant[0].real == pytest.approx(neper, rel=1e-9)


def test_cable_insertion_agrees_with_a_ladder_of_short_pieces() -> None:
    """The hyperbolic form against 2000 lumped sections multiplied as chain matrices."""
    cable, frequency_hz, n_sections = Cable(length_km=4.0), 1000.0, 2000
    omega = 2.0 * math.pi * frequency_hz
    piece_km = 4.0 / n_sections
    series = (273.0 + 1j * omega * 0.62e-3) * piece_km
    shunt = 1j * omega * 51.6e-9 * piece_km
    half = np.array([[1, series / 2], [0, 1]])
    section = half @ np.array([[1, 0], [shunt, 1]]) @ half
    a, b, c, d = np.linalg.matrix_power(section, n_sections).ravel()
    ladder = 1200.0 / (a * 600.0 + b + c * 360000.0 + d * 600.0)
    computed = cable.compute_insertion(np.array([frequency_hz]))[0]
    assert computed == pytest.approx(ladder, rel=1e-5)
    input_ohm = (a * 600.0 + b) / (c * 600.0 + d)
    assert cable.compute_input_ohm(np.array([frequency_hz]))[0] == pytest.approx(
        input_ohm, rel=1e-5
    )


def test_sidetone_null_lies_in_the_trades_range_and_vanishes_in_balance() -> None:
    """Row network,sidetone_null_depth: 6 to 20 dB (MEM); a matched balance passes nothing."""
    frequency_hz = np.array([300.0, 1000.0, 3000.0])
    line_ohm = np.full(3, 600.0 + 0j)
    null_db = -decibels(Network().couple_sidetone(frequency_hz, line_ohm))
    low, _, high = load_range("network", "sidetone_null_depth")
    assert np.all((null_db > low) & (null_db < high))
    matched = Network(balance_ohm=300.0, balance_shunt_ohm=300.0, balance_nf=0.0)
    assert np.max(np.abs(matched.couple_sidetone(frequency_hz, line_ohm))) < 1e-12


def test_every_figure_of_the_simulation_has_a_provenance_and_a_source_that_is_listed() -> None:
    known = {row["code"] for row in load_rows("sources.csv")}
    for name in ("simulated_parameters", "simulated_curves", "simulated_faults", "line_loss"):
        rows = load_rows(f"{name}.csv")
        assert rows
        for row in rows:
            assert row["provenance"], row
            assert set(row["source"].split(";")) - {"-"} <= known, row


# Sampling and draws -----------------------------------------------------------------------------


def test_reading_on_another_clock_has_no_interpolation_error() -> None:
    """Sines of known phase, read 57 ppm fast from a fractional instant (closed form)."""
    grid = make_grid(60000, 48000)
    bins = np.array([13, 4000, 21000, 29900])
    phase = np.array([0.3, 1.1, 2.0, -0.7])
    time = np.arange(grid.n_samples)[:, None]
    buffer = np.cos(2.0 * np.pi * bins * time / grid.n_samples + phase).sum(axis=1)
    read = read_on_clock(
        grid, grid.to_spectrum(buffer), start_s=0.0123456, rate_ratio=1.000057, n_read=50000
    )
    instant = 0.0123456 * 48000 + np.arange(50000)[:, None] / 1.000057
    expected = np.cos(2.0 * np.pi * bins * instant / grid.n_samples + phase).sum(axis=1)
    assert np.max(np.abs(read - expected)) < 1e-8


def test_oversampled_square_is_exact_and_what_does_not_fit_is_cut() -> None:
    """sin^2 = (1 - cos 2x) / 2; above half the band the double frequency is cut, not folded."""
    grid = make_grid(4800, 48000)
    time = np.arange(grid.n_samples)
    low = np.sin(2.0 * np.pi * 500 * time / grid.n_samples)
    squared = grid.to_samples(grid.apply_curve(grid.to_spectrum(low), np.square, 4))
    assert np.max(np.abs(squared - low**2)) < 1e-11
    high = np.sin(2.0 * np.pi * 2000 * time / grid.n_samples)
    squared = grid.to_samples(grid.apply_curve(grid.to_spectrum(high), np.square, 4))
    assert np.max(np.abs(squared - 0.5)) < 1e-11


def test_named_draws_do_not_disturb_each_other() -> None:
    """Another element, or a fault, leaves receiver and network as drawn."""
    carbon, electret = draw_model("carbon", 5), draw_model("electret", 5)
    assert carbon.receiver == electret.receiver
    assert carbon.network == electret.network
    assert draw_model("carbon", 5, specimen=2).transmitter != carbon.transmitter
    assert draw_model("carbon", 5, specimen=2).receiver == carbon.receiver
    assert draw_model("carbon", 6).receiver != carbon.receiver


@pytest.mark.parametrize("seed", [-1, 1.5, "one", True])
def test_seed_that_is_no_seed_is_refused(seed: Any) -> None:
    with pytest.raises(InputError, match="seed: need a whole number"):
        make_generator(seed, "jig")
