# mypy: disable-error-code="no-any-return,arg-type,union-attr"
"""
Seats of sets of the independent populations as plain numbers, and as records.

`tests/plants` draws sets and seats; here they are kept as arrays of figures so that thousands of
unchanged sets can be measured twice. A bench that stands otherwise on another day adds a level to
all seats of that day, and the second harmonic follows the drive.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from plants.drawn import POINTS_HZ
from plants.pop_lumped import LumpedPopulation
from plants.pop_parametric import ParametricPopulation
from plants.pop_process import ProcessPopulation
from set_population import FREQUENCY_HZ, Population, draw_set, measure_set

from voicecheck.records import (
    Bands,
    Conditions,
    Distortion,
    Intermodulation,
    Linearity,
    Measurement,
    Noise,
    RecordingInfo,
    Response,
    Run,
)
from voicecheck.verdicts import pool_run

N_POINTS = len(POINTS_HZ)
CURVE = slice(0, N_POINTS)
BANDS = slice(N_POINTS, N_POINTS + 4)
THD = slice(BANDS.stop, BANDS.stop + 5)
NOISE = slice(THD.stop, THD.stop + 1)
LAWS = slice(NOISE.stop, NOISE.stop + 2)
BAND_NAMES = ("mid_db", "low_db", "high_db", "at_1khz_db")
THD_AT = [int(np.argmin(np.abs(np.log(POINTS_HZ / hz)))) for hz in (315.0, 500.0, 1000.0)]
PLACES = {"curve": CURVE, "bands": BANDS, "thd": THD, "noise": NOISE, "laws": LAWS}
ROOMS = {
    "quiet": {"curve": 0.02, "bands": 0.01, "thd": 0.2, "noise": 0.3, "laws": 0.05},
    "noisy": {"curve": 0.15, "bands": 0.05, "thd": 1.0, "noise": 1.0, "laws": 0.2},
}
"""What the recording adds to each seat, dB (PROP)."""


def make_populations(seat_db: float = 0.3) -> dict[str, Any]:
    """A, B and C with seats that scatter by about so much in level."""
    share = seat_db / 0.4
    return {
        "A": ParametricPopulation(seat_sd_db=seat_db),
        "B": LumpedPopulation(seat_mm=0.6 * share, seat_granules=0.04 * share),
        "C": ProcessPopulation(seat_sd_db=seat_db),
    }


@dataclass(frozen=True)
class UntouchedPopulation:
    """
    The sets of `set_population`, for a last look: nothing about differences was tuned on them.

    A set's seats differ by a smooth curve of which half the variance is level.
    """

    population: Population

    def draw(self, rng: np.random.Generator) -> Any:
        """A set."""
        return draw_set(self.population, rng)

    def seat(self, drawn: Any, rng: np.random.Generator) -> Any:
        """One seat of it."""
        return _UntouchedSeat(measure_set(self.population, drawn, rng, n_seats=1)[0])


@dataclass(frozen=True)
class _UntouchedSeat:
    measured: Measurement

    def figures(self) -> dict[str, Any]:
        """As `plants.drawn` gives them."""
        measured = self.measured
        return {
            "curve_db": _read_at_points(measured.response.level_db),
            "thd_percent": _read_at_points(measured.distortion.thd_percent),
            **{name: getattr(measured.bands, name) for name in BAND_NAMES},
            "noise_dbfs": measured.noise.psophometric_dbm,
            "compression_db": measured.linearity.compression_db,
            "threshold_db": measured.linearity.threshold_db,
        }


def _read_at_points(values: np.ndarray) -> np.ndarray:
    return np.interp(np.log(POINTS_HZ), np.log(FREQUENCY_HZ), values)


def make_untouched(seat_db: float = 0.3) -> UntouchedPopulation:
    """Seats that scatter by about so much in level, and half of it in their curve."""
    return UntouchedPopulation(Population(seat_sd_db=seat_db / 0.8))


def read_figures(drawn: Any) -> np.ndarray:
    """Curve, bands, THD in dB re 1 % (315, 500, 1000 Hz, largest, and its lack), noise, laws."""
    found = drawn.figures()
    thd_db = 20.0 * np.log10(found["thd_percent"])
    return np.concatenate(
        [
            found["curve_db"],
            [found[name] for name in BAND_NAMES],
            [*thd_db[THD_AT], thd_db.max(), -thd_db[THD_AT[2]]],
            [found["noise_dbfs"], found["compression_db"], found["threshold_db"]],
        ]
    )


@dataclass(frozen=True)
class Seats:
    """Figures of many seats of many sets, shape (n_sets, n_seats, n_figures)."""

    figures: np.ndarray

    @classmethod
    def draw(cls, population: Any, n_sets: int, n_seats: int, rng: np.random.Generator) -> Seats:
        sets = [population.draw(rng) for _ in range(n_sets)]
        rows = [[read_figures(population.seat(one, rng)) for _ in range(n_seats)] for one in sets]
        return cls(np.array(rows))

    def measure_twice(
        self, counts: tuple[int, int], n: int, rng: np.random.Generator, *,
        room: tuple[str, str] = ("quiet", "quiet"), bench_db: float = 0.0,
    ) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
        """Unchanged sets before and after, shape (n, n_seats, n_figures); no seat counts twice."""
        n_sets, n_seats, _ = self.figures.shape
        places = np.argsort(rng.random((n, n_seats)), axis=1)[:, : sum(counts)]
        seats = self.figures[rng.integers(0, n_sets, n)[:, None], places].copy()
        before, after = seats[:, : counts[0]], seats[:, counts[0] :]
        for side, name in zip((before, after), room, strict=True):
            for place, spread in ROOMS[name].items():
                part = side[..., PLACES[place]]
                part += spread * rng.standard_normal(part.shape)
            moved = bench_db * rng.standard_normal((n, 1, 1))
            side[..., : THD.stop - 1] += moved
            side[..., THD.stop - 1] -= moved[..., 0]
        return before, after


def make_run(seats: np.ndarray, stage: str, **conditions: Any) -> Run:
    """One side of one pair as a run, shape (n_seats, n_figures)."""
    stated = Conditions(path="transmit", bench="shop", level_dbfs=-12.0).replace(**conditions)
    return pool_run([_measure(row, stated) for row in seats], job=1, path="transmit", stage=stage)


def _measure(row: np.ndarray, conditions: Conditions) -> Measurement:
    none = np.full(N_POINTS, np.nan)
    thd = np.full(N_POINTS, -60.0)
    thd[THD_AT], thd[-1] = row[THD][:3], row[THD][3]
    return Measurement(
        recording=RecordingInfo(rate_hz=48000, duration_s=16.0, channel=1),
        response=Response(
            unit="dB V/Pa", frequency_hz=POINTS_HZ, level_db=row[CURVE], uncertainty_db=none,
            snr_db=none, phase_rad=np.zeros(N_POINTS), group_delay_s=np.zeros(N_POINTS),
        ),
        bands=Bands(**dict(zip(BAND_NAMES, map(float, row[BANDS]), strict=True))),
        distortion=Distortion(
            frequency_hz=POINTS_HZ, thd_percent=10.0 ** (thd / 20.0), thd_uncertainty_percent=none,
            harmonic_order=(2,), harmonic_db=none[None], thd_below_percent=none,
            harmonic_below_db=none[None],
        ),
        linearity=Linearity(
            frequency_hz=1000.0, input_db=np.zeros(1), output_db=np.zeros(1),
            thd_percent=np.zeros(1), thd_below_percent=np.zeros(1),
            compression_db=float(row[LAWS][0]), threshold_db=float(row[LAWS][1]),
        ),
        intermodulation=Intermodulation(),
        noise=Noise(psophometric_dbfs=float(row[NOISE][0])),
        sinad_db=float(row[THD][4]),
        conditions=conditions,
        version="0.1.0",
    )  # fmt: skip


def make_seats(n: int, *, seed: int = 5, name: str = "A") -> np.ndarray:
    """Seats of the sets of one population, shape (n, 3, n_figures)."""
    return Seats.draw(make_populations()[name], n, 3, np.random.default_rng(seed)).figures


def make_faint(seats: np.ndarray, loss_db: float) -> np.ndarray:
    """The same seats with so much less level and all else as it was."""
    changed = seats.copy()
    for place in (CURVE, BANDS):
        changed[..., place] -= loss_db
    return changed


def make_reference_runs(sets: np.ndarray) -> list[Run]:
    """One run for each set, jobs counted from 1."""
    runs = [make_run(one, "reference") for one in sets]
    return [replace(run, job=index + 1) for index, run in enumerate(runs)]
