"""
What the two evenings of the protocol find on a simulated bench: a loop, a resistor, two diodes.

Whoever lays a handset in leaves a mark of his own, and so does the day (`set_day`). How much of a
mark a person leaves is PROP.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from voicecheck.bench.simulated.bench import RECEIVE_DBM, SimulatedBench
from voicecheck.bench.simulated.draws import draw_factor, make_generator
from voicecheck.bench.simulated.handset import HandsetModel
from voicecheck.bench.simulated.take import BRIDGE_HZ
from voicecheck.records import Calibration, Conditions, Programme, Recording
from voicecheck.records.arrays import Array
from voicecheck.records.signals import SIMULATED

LOOP_MA, RESISTOR_OHM, SWITCHED_OHM, LOAD_OHM = 40.0, 600.0, 1.0, 600.0
SERIES_OHM, TAP_OHM = 10e3, 47e3
FORWARD_MV, TEST_MA, CELSIUS, EMISSION = 600.0, 1.0, 21.0, 1.84
DIODES_DBM = -9.0
"""Line level of a -12 dBFS sine that the diodes are driven with."""
READINGS = {
    "loop_ma": LOOP_MA, "resistor_ohm": RESISTOR_OHM, "switched_ohm": SWITCHED_OHM,
    "load_ohm": LOAD_OHM, "meter_percent": 1.5, "series_ohm": SERIES_OHM,
    "forward_mv": FORWARD_MV, "test_ma": TEST_MA, "celsius": CELSIUS, "tap_ohm": TAP_OHM,
    "scope_off_percent": 1.0,
}  # fmt: skip
"""What somebody at this bench would read off true meters."""
PERSON_SD_DB = 0.15
SEATS_APART = 100
"""No take of one part is laid in as one of another."""
RATE_HZ, RANGE_V = 48000, 0.5
BOUNCE_S, EVERY_S = 1.2e-3, 0.55
NOISE_V = 2e-5
FINER, SMOOTH = 8, ("kaiser", 11.0)


class ProvingBench(SimulatedBench):
    """
    A simulated bench on which one part of the protocol is done.

    Parameters
    ----------
    handset : str
    seed : int
    place : int
        Of the part among all: its seats are those of no other.
    day : int
    person : str
        Who lays the handset in; "" for the bench's usual hand.
    is_bent : bool
        Two diodes stand at the line tap.
    moved_db : float
        How far the bench's level has moved since its first take.
    """

    def __init__(
        self,
        handset: str,
        *,
        seed: int = 1,
        place: int = 0,
        day: int = 0,
        person: str = "",
        feed_ma: float = 40.0,
        is_bent: bool = False,
        moved_db: float = 0.0,
    ) -> None:
        super().__init__(
            handset,
            seed=seed,
            day=day,
            feed_ma=feed_ma,
            receive_dbm=DIODES_DBM if is_bent else RECEIVE_DBM,
        )
        self.place, self.person = place, person
        self.is_bent, self.moved_db = is_bent, moved_db

    def seat(self, seat: int) -> HandsetModel:
        """As one person lays it in."""
        model = super().seat(seat)
        if not self.person:
            return model
        hand = draw_factor(make_generator(self.seed, "person", self.person), PERSON_SD_DB)
        jig = dataclasses.replace(model.jig, mouth_ratio=model.jig.mouth_ratio * hand)
        return dataclasses.replace(model, jig=jig)

    def play_and_record(
        self, programme: Programme, *, path: str = "transmit", seat: int = 1
    ) -> Recording:
        """See `SimulatedBench`."""
        played = programme
        if self.is_bent:
            volts = self.calibrate(path).output_per_unit
            played = dataclasses.replace(programme, samples=bend(volts * programme.samples) / volts)
        taken = super().play_and_record(played, path=path, seat=SEATS_APART * self.place + seat)
        gain = 10.0 ** (self.moved_db / 20.0)
        return taken.replace(
            samples=np.clip(gain * taken.samples, -1.0, 1.0),
            conditions=taken.conditions.replace(seat=seat),
        )


def bend(drive_v: Array) -> Array:
    """
    Voltage across two diodes behind a resistor, shape (n,), V, for a drive of shape (n,), V.

    The curve is tabled from the diodes' side, where it is closed, and read eight times as finely as
    it is played, so that no harmonic of use folds back.
    """
    from scipy.signal import resample_poly

    kt_v = EMISSION * 1.380649e-23 * (273.15 + CELSIUS) / 1.602176634e-19
    saturation_a = 1e-3 * TEST_MA / math.expm1(1e-3 * FORWARD_MV / kt_v)
    across_v = np.linspace(-0.8, 0.8, 20001)
    current_a = saturation_a * (np.exp(across_v / kt_v) - np.exp(-across_v / kt_v))
    table_v = across_v + SERIES_OHM * (current_a + across_v / TAP_OHM)
    fine_v = resample_poly(drive_v, FINER, 1, window=SMOOTH)
    bent_v = resample_poly(np.interp(fine_v, table_v, across_v), 1, FINER, window=SMOOTH)
    return np.asarray(bent_v[: len(drive_v)])


def record_switched_ohm(
    *, seed: int = 1, seconds: float = 20.0, switched_ohm: float = SWITCHED_OHM
) -> Recording:
    """
    The line tap while one ohm is switched in and out of a fed loop.

    Parameters
    ----------
    seed : int
    seconds : float
    switched_ohm : float
        What the resistor really has.

    Returns
    -------
    Recording
        Calibrated in volts. The loop's current jumps at each edge, bouncing for a millisecond;
        the line's coupling is that of every other take (`BRIDGE_HZ`).
    """
    from scipy.signal import lfilter

    draw = make_generator(seed, "switched ohm")
    n = round(seconds * RATE_HZ)
    is_in = _draw_switch(draw, n)
    loop_v = 1e-3 * LOOP_MA * (RESISTOR_OHM + LOAD_OHM)
    current_a = loop_v / (RESISTOR_OHM + LOAD_OHM + switched_ohm * is_in)
    line_v = (current_a[0] - current_a) * LOAD_OHM
    # First-order high-pass, held exactly between samples.
    pole = math.exp(-2.0 * math.pi * BRIDGE_HZ / RATE_HZ)
    tap_v = lfilter([1.0, -1.0], [1.0, -pole], line_v)
    tap_v = tap_v + NOISE_V * draw.standard_normal(n)
    hum_v = 1e-4 * np.sin(2.0 * np.pi * 50.0 * np.arange(n) / RATE_HZ + draw.uniform(0.0, 6.0))
    return Recording(
        samples=(tap_v + hum_v) / RANGE_V,
        rate_hz=RATE_HZ,
        conditions=Conditions(path="transmit", bench=SIMULATED, load_ohm=LOAD_OHM),
        calibration=Calibration(
            output_per_unit=1.0,
            output_unit="Pa",
            input_per_unit=RANGE_V,
            input_unit="V",
            name="simulated bench, exact",
        ),
    )


def _draw_switch(draw: np.random.Generator, n: int) -> Array:
    """Whether the ohm is in the loop, shape (n,): about twice a second, with bounce."""
    state = np.zeros(n)
    at_s, is_in = 0.4, 0.0
    while at_s < n / RATE_HZ - 0.3:
        is_in = 1.0 - is_in
        begin, bounce = round(at_s * RATE_HZ), round(BOUNCE_S * RATE_HZ * draw.uniform(0.2, 1.0))
        state[begin:] = is_in
        if draw.uniform() < 0.5:
            state[begin + bounce // 3 : begin + bounce // 2] = 1.0 - is_in
        at_s += EVERY_S * draw.uniform(0.8, 1.3)
    return state
