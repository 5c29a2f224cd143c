"""The live meter on a bench or a device: levels in the unit that today's calibration gives."""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass

from voicecheck.bench.calibration.validity import get_best, is_standing
from voicecheck.bench.meter import Meter, Reading
from voicecheck.bench.soundcard import Wiring, listen
from voicecheck.bench.soundcard.card import name_devices
from voicecheck.checkout.tones.patterns import load_patterns
from voicecheck.jobbook import JobBook
from voicecheck.records.benches import BenchSetup, StepResult
from voicecheck.records.orders import WatchOrder
from voicecheck.records.times import get_now_utc
from voicecheck.units import (
    REFERENCE_PRESSURE_PA,
    TALK_LEVEL_DBPA,
    db_from_ratio,
    volts_from_dbm,
)
from voicecheck.weighting import make_band_frequencies, weigh_psophometric_db
from voicecheck.workflow.benches.locks import hold_bench
from voicecheck.workflow.benches.store import BenchFile, load_bench

BANDS_HZ = (100.0, 8000.0)
SAME_TONE = 0.02
"""Two frequencies that differ by less are the same tone (half of the closest two in the tables)."""
HELD_S, STEADY_S, BREAK_S = 0.4, 3.0, 5.0
"""Shorter is speech; no interrupted tone holds that long; no interruption is longer (PROP)."""
LEAST_DIAL_HZ = 200.0
"""Lower dial tones are of the rotary era; 50 Hz in a meter is far more often the mains."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """
    One reading.

    `time_s` counts the sound that came in; levels are in the watch's unit, `tone` in words.
    """

    time_s: float
    peak_db: float
    rms_db: float
    psophometric_db: float
    bands_db: tuple[float, ...]
    is_clipped: bool
    is_talking: bool
    mains_hz: float | None
    tone: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """
    What is watched, and in which unit.

    Parameters
    ----------
    title : str
    wiring : Wiring
    rate_hz : int
    unit : str
        "dBm", "dB SPL" or "dBFS".
    offset_db : float
        From dBFS to that unit.
    talk_dbfs : float or None
        Level of full transmit, where it is known.
    region : str
        Whose dial tone; all if empty.
    """

    title: str
    wiring: Wiring
    rate_hz: int = 48000
    unit: str = "dBFS"
    offset_db: float = 0.0
    talk_dbfs: float | None = None
    region: str = ""

    @property
    def band_hz(self) -> tuple[float, ...]:
        """Midband frequencies of the thirds of an octave."""
        return tuple(make_band_frequencies(3, *BANDS_HZ).tolist())

    @property
    def devices(self) -> tuple[str, ...]:
        """The sound device that is listened to; nothing is played."""
        used = self.wiring.input_device
        return name_devices(self.wiring.device if used is None else used)

    def read(self) -> Generator[Seen, None, None]:
        """
        About twenty readings a second until the caller stops asking, and closes the generator.

        The device is held from the first reading to the last.

        Yields
        ------
        Seen

        Raises
        ------
        BenchError
            The device is busy, not there, stalls or goes away.
        """
        meter = Meter(
            self.rate_hz,
            make_band_frequencies(3, *BANDS_HZ),
            weigh_db=weigh_psophometric_db,
            full_talk_dbfs=self.talk_dbfs,
        )
        tones = ToneWatch(self.region)
        n_frames = 0
        with hold_bench(self, f"meter, {self.title}"):
            for block in listen(self.wiring, self.rate_hz):
                if not len(block):
                    continue
                n_frames += len(block)
                time_s = n_frames / self.rate_hz
                reading = meter.update(block[:, 0])
                yield self._translate(time_s, reading, tones.update(time_s, reading.tones_hz))

    def _translate(self, time_s: float, reading: Reading, tone: str) -> Seen:
        weighted_dbfs = math.nan if reading.weighted_dbfs is None else reading.weighted_dbfs
        return Seen(
            time_s=time_s,
            peak_db=reading.peak_dbfs + self.offset_db,
            rms_db=reading.rms_dbfs + self.offset_db,
            psophometric_db=weighted_dbfs + self.offset_db,
            bands_db=tuple((reading.band_dbfs + self.offset_db).tolist()),
            is_clipped=reading.is_clipped,
            is_talking=reading.is_talking,
            mains_hz=reading.mains_hz,
            tone=tone,
        )


class ToneWatch:
    """
    Names the steady tones that the meter finds, by how long they hold.

    Parameters
    ----------
    region : str
        Whose dial tones; all if empty.

    Examples
    --------
    >>> watch = ToneWatch()
    >>> [watch.update(t / 10, (350.2, 439.9)) for t in (0, 10, 35)]
    ['', '350 + 440 Hz', 'dial tone, 350 + 440 Hz']
    """

    def __init__(self, region: str = "") -> None:
        self._dial = [
            pattern.peaks[0]
            for pattern in load_patterns(region)
            if pattern.kind == "dial-tone"
            and not pattern.cadence_s
            and pattern.peaks[0][0] > LEAST_DIAL_HZ
        ]
        self._tones: tuple[float, ...] = ()
        self._began_s = 0.0
        self._last: tuple[float, tuple[float, ...]] | None = None
        self._is_broken = False

    def update(self, time_s: float, tones_hz: tuple[float, ...]) -> str:
        """Take in the tones found at a time, and say what they are; empty for nothing."""
        if not _is_same(tones_hz, self._tones):
            held_s = time_s - self._began_s
            if self._tones and held_s >= HELD_S:
                self._last = (time_s, self._tones)
            self._tones, self._began_s = tones_hz, time_s
        self._is_broken = (
            self._last is not None
            and time_s - self._last[0] < BREAK_S
            and (not tones_hz or _is_same(tones_hz, self._last[1]))
        )
        held_s = time_s - self._began_s
        if not tones_hz or held_s < HELD_S:
            return ""
        words = f"{' + '.join(f'{hz:.0f}' for hz in tones_hz)} Hz"
        if held_s >= STEADY_S:
            is_dial = any(_is_same(tones_hz, peaks_hz) for peaks_hz in self._dial)
            return f"dial tone, {words}" if is_dial else f"steady tone, {words}"
        return f"interrupted tone, {words}" if self._is_broken else words


def open_watch(book: JobBook, order: WatchOrder) -> Watch:
    """
    The meter that was asked for.

    Parameters
    ----------
    book : JobBook
    order : WatchOrder

    Returns
    -------
    Watch

    Raises
    ------
    InputError
        There is no such bench.
    """
    if order.bench is None:
        wiring = Wiring(
            name=order.device or "default device", device=order.device, inputs=(order.channel,)
        )
        title = f"{wiring.name}, input {order.channel}"
        return Watch(
            title=title,
            wiring=wiring,
            rate_hz=order.rate_hz,
            talk_dbfs=order.talk_dbfs,
            region=order.region,
        )
    file = load_bench(book, order.bench)
    setup, end, talk_dbfs = file.setup, order.end, order.talk_dbfs
    unit, offset_db = find_unit(file, end)
    used = setup.line_tap_channel if end == "line-tap" else setup.ear_channel
    return Watch(
        title=f"{setup.name}, {end.replace('-', ' ')}, input {used}",
        wiring=Wiring(
            name=setup.name,
            device=setup.device,
            input_device=setup.input_device,
            host_api=setup.host_api,
            inputs=(used,),
        ),
        rate_hz=setup.rate_hz,
        unit=unit,
        offset_db=offset_db,
        talk_dbfs=find_talk_dbfs(file) if talk_dbfs is None and end == "line-tap" else talk_dbfs,
        region=order.region,
    )


def find_unit(file: BenchFile, end: str) -> tuple[str, float]:
    """
    Unit of the levels at one input today, and what is added to dBFS to have them in it.

    A pickup coil never has dB SPL.
    """
    setup: BenchSetup = file.setup
    if end == "ear" and setup.ear == "coil":
        return "dBFS", 0.0
    result = _find_standing(file, "electrical-in" if end == "line-tap" else "microphone")
    if result is None or result.value is None:
        return "dBFS", 0.0
    rms_at_0_dbfs = result.value / math.sqrt(2.0)
    if end == "line-tap":
        return "dBm", db_from_ratio(rms_at_0_dbfs / volts_from_dbm(0.0))
    return "dB SPL", db_from_ratio(rms_at_0_dbfs / REFERENCE_PRESSURE_PA)


def find_talk_dbfs(file: BenchFile) -> float | None:
    """
    Level at the line tap when the reference handset is talked into at -4.7 dBPa.

    Returns
    -------
    float or None
        dBFS; `None` where the steps that it rests on do not count today.
    """
    reference = _find_standing(file, "reference-transmit")
    tap = _find_standing(file, "electrical-in")
    if reference is None or reference.value is None:
        return None
    if reference.unit == "dB V/Pa" and tap is not None and tap.value is not None:
        dbv = TALK_LEVEL_DBPA + reference.value
        return dbv - db_from_ratio(tap.value / math.sqrt(2.0))
    return None


def _find_standing(file: BenchFile, step: str) -> StepResult | None:
    result = get_best(file.results, step, get_now_utc())
    return result if is_standing(result, get_now_utc()) else None


def _is_same(one_hz: tuple[float, ...], other_hz: tuple[float, ...]) -> bool:
    return len(one_hz) == len(other_hz) and all(
        abs(one / other - 1.0) < SAME_TONE for one, other in zip(one_hz, other_hz, strict=True)
    )
