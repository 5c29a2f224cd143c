"""
The simulated bench: plays a programme into a modelled telephone and hands back a recording.

Same handset, seed, seat, path and programme give identical samples. What is drawn from what is
written in `draws`: the seed draws the individual (element, receiver, network, jig, clocks), seed
and seat the arrangement of the granules and the place in the jig, seed, seat and path the noise
of the take.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from voicecheck.bench.interface import Bench
from voicecheck.bench.simulated.catalogue import make_model
from voicecheck.bench.simulated.draws import make_generator
from voicecheck.bench.simulated.grid import Spectrum, make_grid, read_on_clock
from voicecheck.bench.simulated.handset import (
    NOMINAL_TRANSMITTERS,
    HandsetModel,
    seat_model,
    set_day,
    tilt_element,
)
from voicecheck.bench.simulated.line import LOAD_OHM, Network, load_cable, make_feed
from voicecheck.bench.simulated.mechanics import MOUTH_MM
from voicecheck.bench.simulated.take import (
    Take,
    choose_oversampling,
    compute_loop,
    compute_receive_path,
    compute_sidetone,
    compute_transmit,
)
from voicecheck.bench.simulated.transmitter import CarbonElement, find_working_point
from voicecheck.errors import InputError
from voicecheck.records import Calibration, Conditions, Programme, Recording
from voicecheck.records.arrays import Array
from voicecheck.records.terms import Ear, check_word, words_of
from voicecheck.units import TALK_LEVEL_DBPA, ratio_from_db, volts_from_dbm

TALK_DBFS = -12.0
"""A sine of this level is -4.7 dBPa at the mouth reference point."""
RECEIVE_DBM = -26.0
ADC_FLOOR_DBFS = -95.0
LINE_RANGE_V, EAR_RANGE_PA, SIDETONE_RANGE_PA, LOOP_RANGE_V = 2.0, 6.0, 12.0, 0.5
"""What one full-scale unit of the recorder is, on each of its inputs."""
LEAD_S, TAIL_S = 0.25, 0.5
PATHS = {
    "transmit": compute_transmit,
    "receive": compute_receive_path,
    "sidetone": compute_sidetone,
    "loop": compute_loop,
}


def _check_range(
    name: str, value: float, low: float, high: float, unit: str, *, hint: str = ""
) -> None:
    if not low <= value <= high:
        message = f"{name}: need {low:g} to {high:g} {unit}, got {value:g} {unit}{hint}"
        raise InputError(message)


class SimulatedBench(Bench):
    """
    A bench with a modelled telephone on it.

    Parameters
    ----------
    handset : str
        Transmitter kind and faults, as "carbon+packed+weak-magnet"; see `list_handsets` and
        `list_faults`.
    seed : int
        Draws the individual; 0 or more.
    feed_ma : float
        What the feed is set to give through a normal set, 1 to 120 mA.
    rate_ratio_ppm : float, optional
        How much faster the recorder's clock runs than the player's; drawn within 60 ppm.
    latency_s : float, optional
        Of the interface, in the recorder's time, up to 5 s; drawn between 20 and 150 ms.
    specimen : int
        Another number is another element fitted to the same telephone.
    mains_hz : float
        Mains frequency of the place, for faults that name none.
    angle_deg : float
        Handset away from the talking position.
    receive_dbm : float
        Line level of a -12 dBFS sine in the receive and loop paths.
    ear : str
        "coupler" or "coil" (pickup).
    line_km : float
        Length of 0.4 mm pair between set and bench; the feed is set with it in place.
    day : int
        Draws how mouth and ear were set that day, for every set alike; 0 as calibrated.
    is_noisy : bool
        False: no noise, hum or breaks, for checks against closed forms.
    oversampling : int, optional
        4, and 8 or 12 for parts that limit hard or strike.

    Raises
    ------
    InputError
        The handset is not known, or a number is out of range.
    """

    name = "simulated"

    def __init__(
        self,
        handset: str,
        *,
        seed: int = 1,
        feed_ma: float = 40.0,
        rate_ratio_ppm: float | None = None,
        latency_s: float | None = None,
        specimen: int = 1,
        mains_hz: float = 50.0,
        angle_deg: float = 0.0,
        receive_dbm: float = RECEIVE_DBM,
        ear: str = "coupler",
        line_km: float = 0.0,
        day: int = 0,
        is_noisy: bool = True,
        oversampling: int | None = None,
    ) -> None:
        _check_range("feed_ma", feed_ma, 1.0, 120.0, "mA", hint="; was it amperes?")
        _check_range("mains_hz", mains_hz, 10.0, 100.0, "Hz")
        _check_range("receive_dbm", receive_dbm, -60.0, 10.0, "dBm")
        _check_range("line_km", line_km, 0.0, 20.0, "km")
        check_word(ear, words_of(Ear), "ear")
        clocks = make_generator(seed, "clocks")
        drawn_s, drawn_ppm = clocks.uniform(0.020, 0.150), clocks.uniform(-60.0, 60.0)
        self.latency_s = float(drawn_s if latency_s is None else latency_s)
        self.rate_ratio_ppm = float(drawn_ppm if rate_ratio_ppm is None else rate_ratio_ppm)
        _check_range("latency_s", self.latency_s, 0.0, 5.0, "s")
        _check_range("rate_ratio_ppm", self.rate_ratio_ppm, -5000.0, 5000.0, "ppm")
        self.handset = handset
        self.seed = seed
        self.feed_ma = feed_ma
        self.angle_deg = angle_deg
        self.receive_dbm = receive_dbm
        self.mains_hz = mains_hz
        self.day = day
        self.ear = ear
        self.is_noisy = is_noisy
        self.oversampling = oversampling
        self.model = make_model(handset, seed, specimen, mains_hz)
        if line_km > 0.0:
            cable = load_cable("0.4 mm", line_km)
            self.model = dataclasses.replace(self.model, cable=cable)

    def seat(self, seat: int) -> HandsetModel:
        """
        The telephone as it lies in the jig at one seating.

        Parameters
        ----------
        seat : int
            Counted from 1.
        """
        model = set_day(seat_model(self.model, self.seed, seat), self.day)
        tilted = tilt_element(model.transmitter, self.angle_deg)
        return dataclasses.replace(model, transmitter=tilted)

    def find_current_a(self, model: HandsetModel) -> float:
        """Direct current that the feed drives through a seated telephone, A."""
        kind = self.handset.lower().split("+")[0].strip()
        feed_a = 1e-3 * self.feed_ma
        normal_ohm = NOMINAL_TRANSMITTERS[kind].compute_ohm(feed_a) + Network().series_ohm
        feed = make_feed(feed_a, normal_ohm)
        if model.is_swapped:
            fitted_ohm = model.receiver.ohm + model.network.series_ohm
            current_a = feed.feed_v / (feed.feed_ohm + fitted_ohm)
        else:
            current_a = find_working_point(model.transmitter, feed, model.network.series_ohm)
        return min(current_a * model.current_ratio, model.most_a)

    def play_and_record(
        self, programme: Programme, *, path: str = "transmit", seat: int = 1
    ) -> Recording:
        """
        Play a programme and record what comes back.

        Parameters
        ----------
        programme : Programme
        path : str
            "transmit", "receive", "sidetone" or "loop".
        seat : int
            Which seating, counted from 1; carbon is conditioned before each.

        Returns
        -------
        Recording
            Starts `latency_s` before the programme is heard and ends 0.5 s after its end.

        Raises
        ------
        InputError
            The path is not known, or the seat is below 1.
        """
        check_word(path, PATHS, "path")
        if seat < 1:
            message = f"seat: need 1 or more, got {seat}"
            raise InputError(message)
        model = self.seat(seat)
        current_a = self.find_current_a(model)
        calibration = self.calibrate(path)
        samples = self._take(programme, path, seat, model, current_a)
        gain = model.jig.gain_ratio / calibration.input_per_unit
        samples *= gain
        if self.is_noisy:
            floor = ratio_from_db(ADC_FLOOR_DBFS) / math.sqrt(2.0)
            recorder = make_generator(self.seed, "take", seat, path, "recorder")
            samples += floor * recorder.standard_normal(len(samples))
        return Recording(
            samples=np.clip(samples, -1.0, 1.0),
            rate_hz=programme.rate_hz,
            conditions=self._state_conditions(programme, path, seat, model, current_a),
            calibration=calibration,
        )

    def calibrate(self, path: str) -> Calibration:
        """
        Exact calibration of a path: the model knows its pascals and volts.

        Parameters
        ----------
        path : str

        Returns
        -------
        Calibration
        """
        # RMS at the far end over the amplitude played, times sqrt(2): amplitude per amplitude.
        per_unit = math.sqrt(2.0) / ratio_from_db(TALK_DBFS)
        mouth_pa = ratio_from_db(TALK_LEVEL_DBPA) * per_unit
        drive_v = volts_from_dbm(self.receive_dbm) * per_unit
        output, output_unit = {
            "transmit": (mouth_pa, "Pa"),
            "sidetone": (mouth_pa, "Pa"),
            "receive": (drive_v, "V"),
            "loop": (drive_v, "V"),
        }[path]
        # Who drives the line harder turns the recorder down by as much.
        harder = max(1.0, ratio_from_db(self.receive_dbm - RECEIVE_DBM))
        received, input_unit = {
            "transmit": (LINE_RANGE_V, "V"),
            "sidetone": (SIDETONE_RANGE_PA, "Pa"),
            "receive": (EAR_RANGE_PA * harder, "Pa"),
            "loop": (LOOP_RANGE_V * harder, "V"),
        }[path]
        return Calibration(
            output_per_unit=output,
            output_unit=output_unit,
            input_per_unit=received,
            input_unit=input_unit,
            name="simulated bench, exact",
        )

    def _take(
        self, programme: Programme, path: str, seat: int, model: HandsetModel, current_a: float
    ) -> Array:
        """Volts or pascals at the recorder's input, on the recorder's clock."""
        rate_hz, played = programme.rate_hz, programme.samples
        stretch = 1.0 + 1e-6 * self.rate_ratio_ppm
        lead_s = self.latency_s + LEAD_S
        n_lead = math.ceil(lead_s * rate_hz)
        n_read = math.ceil((self.latency_s + (programme.duration_s + TAIL_S) * stretch) * rate_hz)
        least = n_lead + len(played) + math.ceil((TAIL_S + LEAD_S) * rate_hz)
        grid = make_grid(least, rate_hz)
        buffer = np.zeros(grid.n_samples)
        buffer[n_lead : n_lead + len(played)] = played
        take = Take(
            model=model,
            grid=grid,
            current_a=current_a,
            seed=self.seed,
            seat=seat,
            path=path,
            ear=self.ear,
            factor=self.oversampling or choose_oversampling(model),
            is_noisy=self.is_noisy,
        )
        out_per_unit = self.calibrate(path).output_per_unit
        arriving: Spectrum = PATHS[path](take, grid.to_spectrum(buffer) * out_per_unit)
        # Recorder time is latency + programme time x stretch, so its first sample lies here:
        start_s = n_lead / rate_hz - self.latency_s / stretch
        return read_on_clock(grid, arriving, start_s=start_s, rate_ratio=stretch, n_read=n_read)

    def _state_conditions(
        self, programme: Programme, path: str, seat: int, model: HandsetModel, current_a: float
    ) -> Conditions:
        is_carbon = isinstance(model.transmitter, CarbonElement)
        has_set = path != "loop"
        return Conditions(
            path=path,
            bench=self.name,
            handset=self.handset,
            feed_ma=self.feed_ma,
            load_ohm=LOAD_OHM,
            ear=self.ear,
            mouth_mm=MOUTH_MM,
            angle_deg=self.angle_deg,
            conditioned=True if is_carbon and has_set else None,
            seat=seat,
            seed=self.seed,
            level_dbfs=programme.recipe.level_dbfs,
            calibration="simulated bench, exact",
            loop_ma=round(1e3 * current_a, 2) if has_set else None,
            transmitter_ohm=round(model.transmitter.compute_ohm(current_a), 1) if has_set else None,
        )
