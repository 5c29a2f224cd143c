# mypy: disable-error-code="arg-type,unused-ignore"
"""Invented records of every kind, drawn from a seed."""

from __future__ import annotations

import dataclasses

import numpy as np

from voicecheck.records import (
    Against,
    Bands,
    Baseline,
    BaselineQuantity,
    Calibration,
    Comparison,
    Conditions,
    Distortion,
    Finding,
    FineResponse,
    Hint,
    Loudness,
    Measurement,
    Noise,
    Problem,
    Recipe,
    Recording,
    RecordingInfo,
    Response,
    Run,
    SetType,
    Timing,
)

N_POINTS = 53


def draw_recording(seed: int = 1, n_samples: int = 2400, peak: float = 0.5) -> Recording:
    rng = np.random.default_rng(seed)
    samples = rng.uniform(-1.0, 1.0, n_samples)
    return Recording(
        samples=peak * samples / np.max(np.abs(samples)),
        rate_hz=48000,
        conditions=Conditions(
            path="transmit",
            bench="simulated",
            feed_ma=40.0,
            angle_deg=-12.5,
            seat=seed,
            time_utc="2031-05-04T10:20:30Z",
            notes=("Übergang geprüft", 'said "hm"'),
        ),
        calibration=Calibration(
            output_per_unit=2.0,
            output_unit="Pa",
            input_per_unit=0.7,
            input_unit="V",
            uncertainty_db=0.4,
            name="bench of May",
        ),
        problems=(Problem(kind="lost-samples", at_s=0.01, message="12 samples"),),
    )


def draw_measurement(seed: int = 1, sha256: str | None = None) -> Measurement:
    rng = np.random.default_rng(seed)
    frequency_hz = np.geomspace(200.0, 4000.0, N_POINTS)
    level_db = rng.normal(-6.0, 2.0, N_POINTS)
    level_db[3] = np.nan
    return Measurement(
        recording=RecordingInfo(sha256=sha256, rate_hz=48000, duration_s=16.2, channel=1),
        timing=Timing(latency_s=0.1373, drift_ppm=12.1, drift_uncertainty_ppm=0.2),
        response=Response(
            unit="dB V/Pa",
            frequency_hz=frequency_hz,
            level_db=level_db,
            uncertainty_db=rng.uniform(0.01, 0.1, N_POINTS),
            snr_db=rng.uniform(20.0, 60.0, N_POINTS),
            phase_rad=rng.normal(size=N_POINTS),
            group_delay_s=rng.normal(size=N_POINTS) * 1e-4,
        ),
        fine=FineResponse(
            frequency_hz=np.geomspace(180.0, 4200.0, 400),
            level_db=rng.normal(size=400),
            phase_rad=rng.normal(size=400),
        ),
        bands=Bands(at_1khz_db=-6.25, mid_db=-6.0),
        loudness=Loudness(slr_db=11.5),
        distortion=Distortion(
            frequency_hz=frequency_hz,
            thd_percent=rng.uniform(1.0, 9.0, N_POINTS),
            thd_uncertainty_percent=np.full(N_POINTS, 0.05),
            harmonic_order=(2, 3, 4, 5),
            harmonic_db=rng.normal(-40.0, 3.0, (4, N_POINTS)),
            thd_below_percent=np.full(N_POINTS, np.nan),
            harmonic_below_db=np.full((4, N_POINTS), np.nan),
        ),
        noise=Noise(psophometric_dbfs=-75.2, mains_line_dbfs=rng.normal(-90.0, 3.0, 15)),
        sinad_db=24.1,
        problems=(Problem(kind="mains", message="hum", effect="raises the noise"),),
        conditions=Conditions(path="transmit", feed_ma=40.0),
        steps=("aligned", "deconvolved"),
        version="0.1.0",
    )


def draw_run(seed: int = 1, *, job: int | None = None, n_seats: int = 3, **fields: object) -> Run:
    seats = tuple(draw_measurement(100 * seed + seat) for seat in range(n_seats))
    made: dict[str, object] = {
        "job": job,
        "recordings": seats,
        "pooled": draw_measurement(seed),
        "seat_sd_db": np.random.default_rng(seed).uniform(0.1, 0.5, N_POINTS),
        "level_sd_db": 0.31,
        "taken_utc": "2031-05-04T10:20:30Z",
    }
    return Run(**(made | fields))  # type: ignore[arg-type]


def draw_baseline(seed: int = 1, type_name: str = "Lakeside 4", path: str = "transmit") -> Baseline:
    rng = np.random.default_rng(seed)
    curves = {
        name: rng.normal(size=N_POINTS)
        for name in (
            *("frequency_hz", "mean_db", "sd_db", "low_db", "high_db", "shape_mean_db"),
            *("shape_sd_db", "shape_low_db", "shape_high_db"),
        )
    }
    return Baseline(
        type_name=type_name,
        path=path,
        n=8,
        unit="dB V/Pa",
        quantities=(
            BaselineQuantity(
                quantity="noise", unit="dBmp", n=8, mean=-62.5, sd=1.5, low=None, high=-58.0
            ),
        ),
        method="prediction interval",
        conditions=Conditions(feed_ma=40.0),
        warnings=("few sets",),
        built_utc="2031-05-04T10:20:30Z",
        version="0.1.0",
        **curves,
    )


def draw_likely_baseline(
    seed: int = 1, type_name: str = "Lakeside 4", path: str = "transmit"
) -> Baseline:
    """A baseline whose numbers could have been measured, as a parcel has to bring them."""
    drawn = draw_baseline(seed, type_name, path)
    curves = {"frequency_hz": 1000.0 * np.cumsum(np.abs(drawn.frequency_hz) + 0.01)}
    for kind in ("", "shape_"):
        mean, sd = getattr(drawn, f"{kind}mean_db"), np.abs(getattr(drawn, f"{kind}sd_db"))
        curves |= {
            f"{kind}sd_db": sd,
            f"{kind}low_db": mean - 3 * sd,
            f"{kind}high_db": mean + 3 * sd,
        }
    return dataclasses.replace(drawn, **curves)


def draw_comparison(job: int | None = None, stage: str = "after") -> Comparison:
    return Comparison(
        job=job,
        stage=stage,
        against=Against(kind="baseline", name="Lakeside 4", n=8),
        findings=(
            Finding(
                path="transmit",
                quantity="response",
                value=-4.5,
                unit="dB",
                uncertainty=0.3,
                low=-2.0,
                high=2.0,
                verdict="outside",
                worst_hz=2500.0,
            ),
        ),
        overall="outside",
        hints=(Hint(code="F13", cause="packed", confidence="high", separate_by="tap it"),),
    )


def draw_small_run(seed: int, job: int) -> Run:
    """A run of one seat without the fine curves."""
    run = draw_run(seed, job=job, n_seats=1)
    seats = tuple(seat.replace(fine=None) for seat in run.recordings)
    return dataclasses.replace(run, recordings=seats, pooled=run.pooled.replace(fine=None))


def make_type(name: str = "Lakeside 4") -> SetType:
    return SetType(name=name, transmitter="carbon", feed_ma=35.0, region="north", notes="bell low")


def measure_level(recording: Recording, recipe: Recipe) -> Measurement:
    """A quick stand-in for the analysis."""
    level_db = 10.0 * np.log10(np.mean(recording.samples**2))
    info = RecordingInfo(rate_hz=recipe.rate_hz)
    return Measurement(recording=info, bands=Bands(at_1khz_db=float(level_db)))
