"""
Tables of standards as plants: played through, recorded, analysed, and held against the tables.

ITU-T P.48 (1988, PUB) rated after P.79 (weights MEM); the nine loops of ITU-T V.56bis (printed
values as copied, PUB-2ND); ITU-T O.41 (1994, PUB) and C-message of IEEE 743-1995 (PUB) over noise
whose spectrum is known.
"""

from __future__ import annotations

import csv
import dataclasses
from collections.abc import Callable
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from helpers import default_programme, measure, record
from known_plant import KnownPlant, flat
from numpy.typing import NDArray
from strd import FILES

from voicecheck.checkout.line.loops import list_loops, load_loop
from voicecheck.idle import compute_idle_spectrum
from voicecheck.inspection import find_timeline
from voicecheck.measure import measure_recording
from voicecheck.noise import measure_noise
from voicecheck.records import Calibration, Noise, Recording
from voicecheck.weighting import load_table, weigh_c_message_db, weigh_psophometric_db

Floats = NDArray[np.float64]
SCALE = 10.0
"""Volts or pascals of full scale: the system is louder than one of them."""


@lru_cache
def make_minimum_phase(column: str) -> Callable[[Any], Any]:
    """A column of the P.48 table as a causal system: the phase that belongs to its size."""
    rows = load_table("itu_t_p48_irs")
    known_hz = np.array([float(row["frequency_hz"]) for row in rows])
    known_db = np.array([float(row[column]) for row in rows])
    grid_hz = np.fft.rfftfreq(1 << 16, 1.0 / 192000.0)
    db = np.interp(np.log(np.maximum(grid_hz, 1.0)), np.log(known_hz), known_db)
    cepstrum = np.fft.irfft(db * np.log(10.0) / 20.0)
    cepstrum[1 : len(cepstrum) // 2] *= 2.0
    cepstrum[len(cepstrum) // 2 + 1 :] = 0.0
    log_answer = np.fft.rfft(cepstrum)

    def respond(frequency_hz: Any) -> Any:
        real = np.interp(frequency_hz, grid_hz, log_answer.real)
        return np.exp(real + 1j * np.interp(frequency_hz, grid_hz, log_answer.imag)) / SCALE

    return respond


@pytest.mark.parametrize(
    ("column", "units", "figure"),
    [("send_db", ("Pa", "V"), "slr_db"), ("receive_db", ("V", "Pa"), "rlr_db")],
)
def test_the_intermediate_reference_system_rates_itself_zero(
    column: str, units: tuple[Any, Any], figure: str
) -> None:
    """
    ITU-T P.48, table 1, through the whole chain: SLR = RLR = 0, by the definition of P.79.

    The tables alone give 0.007 dB; the chain finds 0.035 and 0.032, since it takes the mean of
    each third of an octave where the table has its middle.
    """
    plant = KnownPlant(response=make_minimum_phase(column), noise_dbfs=-90.0)
    calibration = Calibration(
        output_per_unit=1.0, output_unit=units[0], input_per_unit=SCALE, input_unit=units[1]
    )
    recording = dataclasses.replace(record(plant), calibration=calibration)
    loudness: Any = measure_recording(default_programme(), recording).loudness
    assert getattr(loudness, figure) == pytest.approx(0.0, abs=0.05)


def read_printed_loss(loop: str) -> tuple[Floats, Floats]:
    with (FILES.parent / "itu_t_v56bis_loops.csv").open(encoding="utf-8") as lines:
        rows = [row for row in csv.DictReader(lines) if row["line"] == loop]
    hz = np.array([float(row["frequency_hz"]) for row in rows])
    db = np.array([float(row["attenuation_cpe_to_exchange_db"]) for row in rows])
    # The table is relative to 1000 Hz, where it has the loss itself.
    return hz, np.where(hz == 1000.0, db, db + db[hz == 1000.0])


@pytest.mark.parametrize("loop", list_loops())
def test_a_loop_between_600_ohm_is_measured_as_printed(loop: str) -> None:
    """
    ITU-T V.56bis: loss from the set to the exchange, to 0.2 dB; loaded loops to 2500 Hz.

    Above, rows of the loaded loops are printed at frequencies that are up to 25 Hz off.
    """
    grid_hz = np.geomspace(1.0, 96000.0, 6000)
    answer = np.log(load_loop(loop, grid_hz).compute_transfer(600.0, 600.0))
    turns = np.unwrap(answer.imag)

    def respond(frequency_hz: Any) -> Any:
        place = np.maximum(frequency_hz, 1.0)
        real, imag = np.interp(place, grid_hz, answer.real), np.interp(place, grid_hz, turns)
        return np.exp(real + 1j * imag)

    response: Any = measure(KnownPlant(response=respond, noise_dbfs=-90.0)).response
    hz, loss_db = read_printed_loss(loop)
    upto_hz = 2500.0 if loop in {"EIA LL-6", "EIA LL-7"} else 4000.0
    inside = response.frequency_hz <= upto_hz
    off_db = response.level_db + np.interp(response.frequency_hz, hz, loss_db)
    assert np.abs(off_db[inside]).max() < 0.2


def shaped(name: str, frequency_hz: Floats) -> Floats:
    """Density of a noise, no unit."""
    if name == "telephone channel":
        return ((frequency_hz >= 300.0) & (frequency_hz <= 3400.0)).astype(float)
    slope = {"flat": 0.0, "falling": -1.0, "steep": -2.0, "rising": 1.0}[name]
    return np.asarray((np.maximum(frequency_hz, 20.0) / 1000.0) ** slope)


@lru_cache
def measure_shaped(name: str) -> tuple[dict[str, float], float]:
    """Mean power of each figure over ten takes, dBFS, and the density of one unit."""
    programme = default_programme()
    wire = record(KnownPlant(response=flat))
    timeline = find_timeline(programme, wire)
    rng = np.random.default_rng(41)
    hz = np.asarray(np.fft.rfftfreq(len(wire.samples), 1 / 48000), dtype=np.float64)
    found: list[Noise] = []
    for _ in range(10):
        spectrum = np.fft.rfft(rng.standard_normal(len(wire.samples)))
        samples = 0.001 * np.fft.irfft(spectrum * np.sqrt(shaped(name, hz)))
        noisy = Recording(samples=samples, rate_hz=48000)
        idle = compute_idle_spectrum(programme, noisy, timeline)
        assert idle is not None
        found.append(measure_noise(idle))
    figures = ("flat_dbfs", "psophometric_dbfs", "c_message_dbfs")
    powers = {
        figure: 10 * np.log10(np.mean([10 ** (getattr(one, figure) / 10) for one in found]))
        for figure in figures
    }
    # A full-scale sine has half the power of a unit square; the density is over 24 kHz.
    return powers, 10 * np.log10(0.001**2 * 2.0 / 24000.0)


@pytest.mark.parametrize("name", ["flat", "falling", "steep", "rising", "telephone channel"])
@pytest.mark.parametrize(
    ("figure", "weigh"),
    [("psophometric_dbfs", weigh_psophometric_db), ("c_message_dbfs", weigh_c_message_db)],
)
def test_weighted_noise_is_the_integral_over_its_spectrum(
    name: str, figure: str, weigh: Any
) -> None:
    """Density times weight, summed hertz by hertz; the mean of ten takes within 0.1 dB."""
    powers, unit_db = measure_shaped(name)
    hz = np.arange(1.0, 24000.0)
    total = np.sum(shaped(name, hz) * 10.0 ** (weigh(hz) / 10.0))
    assert powers[figure] == pytest.approx(unit_db + 10 * np.log10(total), abs=0.1)


def test_weight_of_a_telephone_channel_as_in_textbooks() -> None:
    """
    Flat noise of 300 to 3400 Hz: 2.5 dB less through the psophometer (PUB-2ND, textbook).

    From the tables: 2.51 dB there and 1.91 dB through C-message (CALC).
    """
    powers, _ = measure_shaped("telephone channel")
    assert powers["psophometric_dbfs"] - powers["flat_dbfs"] == pytest.approx(-2.51, abs=0.06)
    assert powers["c_message_dbfs"] - powers["flat_dbfs"] == pytest.approx(-1.91, abs=0.06)
