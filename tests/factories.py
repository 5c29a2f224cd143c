# mypy: disable-error-code="arg-type,no-any-return,type-var,union-attr"
"""
Records as a bench would give them, made of closed forms and a seed, for charts and reports.

No signal is played or analysed here: the shapes are smooth invented curves, the spreads normal
deviates. Charts and reports are made from records alone, so this is all they need.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from voicecheck.records import (
    Against,
    Bands,
    Baseline,
    BaselineQuantity,
    Comparison,
    Conditions,
    Distortion,
    Finding,
    Hint,
    Intermodulation,
    Job,
    Linearity,
    Measurement,
    Noise,
    Problem,
    RecordingInfo,
    Response,
    Run,
    SetType,
    Timing,
)
from voicecheck.records.standing import Mark
from voicecheck.report import ReportContent

# 1/12-octave midband frequencies, base ten (IEC 61260): 200 to 4000 Hz.
FREQUENCY_HZ = 1000.0 * 10.0 ** (0.3 * (np.arange(-28, 25) + 0.5) / 12.0)
FREQUENCY_HZ = FREQUENCY_HZ[(FREQUENCY_HZ > 195.0) & (FREQUENCY_HZ < 4100.0)]
OFFSET_DB = {"transmit": -6.0, "receive": -11.0, "sidetone": -19.0, "loop": 0.0}
SET_TYPE = SetType(name="Hillview 2", transmitter="carbon", feed_ma=40.0)
JOB = Job(
    job=7,
    label="Green wall set, Mrs Example",
    type_name="Hillview 2",
    opened_utc="2031-04-02T08:00:00+00:00",
    owner="Mrs Example",
    complaint="Nobody hears me well, and it crackles.",
    notes=("Fitted a healthy carbon element.", "Cleaned the receiver and set the diaphragm gap."),
)


def make_level_db(path: str) -> np.ndarray:
    """A smooth handset-like curve: rising to a bump near 2.5 kHz, falling above."""
    x = np.log2(FREQUENCY_HZ / 1000.0)
    return (
        OFFSET_DB[path]
        + 2.2 * x
        + 4.0 * np.exp(-(((x - 1.3) / 0.35) ** 2))
        - 9.0 / (1.0 + np.exp(-(x - 1.85) * 12.0))
        - 5.0 / (1.0 + np.exp((x + 1.8) * 6.0))
    )


def make_run(
    path: str = "transmit",
    stage: str = "after",
    *,
    seed: int = 1,
    gain_db: float = 0.0,
    tilt_db: float = 0.0,
    thd_percent: float = 4.0,
    noise_db: float = -72.0,
    withhold: slice | None = None,
    unit: str = "dB relative",
    n_recordings: int = 3,
    problems: tuple[Problem, ...] = (),
    job: int | None = 7,
) -> Run:
    """One run; `tilt_db` is the loss added per octave above 1 kHz, `withhold` points set to NaN."""
    random = np.random.default_rng(seed)
    x = np.log2(FREQUENCY_HZ / 1000.0)
    level = make_level_db(path) + gain_db + tilt_db * np.maximum(x, 0.0)
    level = level + np.convolve(random.normal(0, 0.8, x.size + 8), np.ones(9) / 9.0, "valid")
    uncertainty = 0.5 + 0.9 * np.abs(random.normal(0, 0.3, x.size)) + 0.5 * (x < -1.5)
    if withhold is not None:
        level[withhold] = np.nan
        uncertainty[withhold] = np.nan
    response = Response(
        unit=unit,
        frequency_hz=FREQUENCY_HZ,
        level_db=level,
        uncertainty_db=uncertainty,
        snr_db=np.full(x.size, 40.0),
        phase_rad=np.zeros(x.size),
        group_delay_s=np.zeros(x.size),
    )
    middle = int(np.argmin(np.abs(x)))
    conditions = Conditions(
        path=path,
        bench="simulated",
        feed_ma=40.0,
        conditioned=path != "receive",
        time_utc="2031-04-02T09:30:00+00:00",
        level_dbfs=-12.0,
        calibration=None if unit == "dB relative" else "shop bench, 2031-04-01",
    )
    pooled = Measurement(
        recording=RecordingInfo(rate_hz=48000, duration_s=17.0, channel=1),
        timing=Timing(latency_s=0.137, drift_ppm=12.0, drift_uncertainty_ppm=0.2),
        response=response,
        bands=Bands(low_db=-9.0, mid_db=-6.0, high_db=-3.0, at_1khz_db=float(level[middle])),
        distortion=_make_distortion(random, thd_percent),
        linearity=_make_linearity(thd_percent, gain_db),
        intermodulation=Intermodulation(order2_db=-31.0, order3_db=-44.0),
        noise=_make_noise(random, noise_db),
        sinad_db=24.0,
        problems=problems,
        conditions=conditions,
        version="0.1.0",
    )
    return Run(
        job=job,
        path=path,
        stage=stage,
        recordings=(pooled,) * n_recordings,
        pooled=pooled,
        seat_sd_db=0.6 + 0.2 * np.abs(random.normal(size=x.size)),
        level_sd_db=0.5,
        taken_utc=conditions.time_utc,
    )


def _make_distortion(random: np.random.Generator, thd_percent: float) -> Distortion:
    frequency = FREQUENCY_HZ[FREQUENCY_HZ < 2000.0]
    thd = (
        thd_percent
        * (1.0 + 0.3 * np.sin(np.log2(frequency)))
        * random.normal(1, 0.03, frequency.size)
    )
    below = np.full(frequency.size, np.nan)
    below[-4:], thd[-4:] = thd_percent, np.nan
    harmonic = np.tile(
        20.0 * np.log10(thd_percent / 100.0) - np.arange(4)[:, None] * 10.0, frequency.size
    )
    return Distortion(
        frequency_hz=frequency,
        thd_percent=thd,
        thd_uncertainty_percent=0.1 * thd,
        harmonic_order=(2, 3, 4, 5),
        harmonic_db=harmonic,
        thd_below_percent=below,
        harmonic_below_db=np.full(harmonic.shape, np.nan),
    )


def _make_linearity(thd_percent: float, gain_db: float) -> Linearity:
    drive = np.array([-30.0, -24.0, -18.0, -12.0, -6.0, 0.0, 6.0])
    loss = 1.5 * (drive > 0) + 3.0 * (drive < -25)
    return Linearity(
        frequency_hz=1000.0,
        input_db=drive,
        output_db=drive - 18.0 + gain_db - loss,
        thd_percent=thd_percent * 10 ** (drive / 40.0),
        thd_below_percent=np.full(drive.size, np.nan),
        compression_db=1.5,
        threshold_db=1.0,
    )


def _make_noise(random: np.random.Generator, flat_dbfs: float) -> Noise:
    band = 1000.0 * 10.0 ** (0.1 * np.arange(-10, 7))
    return Noise(
        flat_dbfs=flat_dbfs,
        psophometric_dbfs=flat_dbfs - 5.0,
        c_message_dbfs=flat_dbfs - 4.0,
        mains_hz=50.0,
        mains_dbfs=-85.0,
        bursts_per_s=0.0,
        kurtosis=3.1,
        slope_db_per_decade=-9.5,
        band_hz=band,
        band_dbfs=flat_dbfs
        - 12.0
        - 3.0 * np.log2(band / 1000.0)
        + random.normal(0, 0.4, band.size),
    )


def make_baseline(path: str = "transmit", n: int = 8, *, unit: str = "dB relative") -> Baseline:
    """Limits of the type: mean of `n` seeded sets, 3.5 standard deviations to each side."""
    runs = [make_run(path, "reference", seed=100 + i, unit=unit) for i in range(n)]
    levels = np.array([run.pooled.response.level_db for run in runs])
    levels += np.random.default_rng(5).normal(0, 1.0, (n, 1))
    mean, sd = levels.mean(axis=0), np.maximum(levels.std(axis=0, ddof=1), 0.9)
    own = mean.mean()
    return Baseline(
        type_name=SET_TYPE.name,
        path=path,
        n=n,
        unit=unit,
        frequency_hz=FREQUENCY_HZ,
        mean_db=mean,
        sd_db=sd,
        low_db=mean - 3.5 * sd,
        high_db=mean + 3.5 * sd,
        shape_mean_db=mean - own,
        shape_sd_db=sd,
        shape_low_db=mean - own - 2.5 * sd,
        shape_high_db=mean - own + 2.5 * sd,
        quantities=(
            BaselineQuantity(
                quantity="thd_1000_percent", unit="%", n=n, mean=4.0, sd=0.6, low=None, high=6.3
            ),
        ),
        method="prediction interval for one more set",
        conditions=Conditions(path=path, feed_ma=40.0),
        built_utc="2031-03-01T12:00:00+00:00",
        version="0.1.0",
    )


def make_finding(
    path: str, quantity: str, value: float | None, verdict: str, **more: object
) -> Finding:
    """A finding with limits that look like a type's."""
    unit = {"thd_1000_percent": "%", "bursts_per_s": "/s", "psophometric_dbfs": "dBFS"}.get(
        quantity, "dB"
    )
    given = {
        "uncertainty": 0.8,
        "low": -4.0,
        "high": 4.0,
        "source": "baseline of Hillview 2, 8 sets",
        **more,
    }
    return Finding(path=path, quantity=quantity, value=value, unit=unit, verdict=verdict, **given)


def make_comparison(
    stage: str, kind: str = "baseline", *, is_bad: bool | None = None
) -> Comparison:
    """Findings of one stage for three paths; those of `before` are bad unless said otherwise."""
    is_bad = stage == "before" if is_bad is None else is_bad
    weak = "outside" if is_bad else "within"
    findings = (
        make_finding("transmit", "response", -9.1 if is_bad else 0.8, weak, worst_hz=2512.0),
        make_finding("transmit", "mid_db", -8.3 if is_bad else 0.2, weak),
        make_finding(
            "transmit", "thd_1000_percent", 9.7 if is_bad else 4.1, weak, low=None, high=6.3
        ),
        make_finding(
            "transmit", "psophometric_dbfs", -61.0 if is_bad else -77.0, weak, low=None, high=-70.0
        ),
        make_finding("transmit", "bursts_per_s", 5.2 if is_bad else 0.0, weak, low=None, high=0.5),
        make_finding("receive", "response", -6.4 if is_bad else -1.0, weak, worst_hz=398.0),
        make_finding(
            "receive", "mid_db", -5.9 if is_bad else -0.9, "doubtful" if is_bad else "within"
        ),
        make_finding("receive", "thd_1000_percent", 1.2, "within", low=None, high=2.5),
        make_finding("sidetone", "response", 0.4, "within", worst_hz=1995.0),
        make_finding(
            "sidetone",
            "mid_db",
            None,
            "not comparable",
            reason="the baseline was taken at 25 mA",
            low=None,
            high=None,
        ),
    )
    against = Against(
        kind=kind,
        name=SET_TYPE.name if kind == "baseline" else "before",
        n=8 if kind == "baseline" else None,
    )
    hints = (
        Hint(
            code="F01",
            cause="packed carbon",
            confidence="high",
            separate_by="condition three times and repeat; a packed element recovers",
            provenance="PUB for packing",
        ),
    )
    return Comparison(
        job=7,
        stage=stage,
        against=against,
        findings=findings,
        overall="outside" if is_bad else "within",
        hints=hints if is_bad else (),
    )


def make_job_runs() -> tuple[Run, ...]:
    """All paths, before and after, of a set that was weak and noisy and is mended."""
    burst = Problem(
        kind="burst",
        at_s=6.41,
        message="a burst 18 dB above the sweep at 6.41 s",
        effect="that sweep was set aside; the other two were used",
    )
    return (
        make_run(
            "transmit",
            "before",
            seed=2,
            gain_db=-8.5,
            tilt_db=-2.5,
            thd_percent=9.5,
            noise_db=-56.0,
            withhold=slice(44, 48),
            problems=(burst,),
        ),
        make_run("transmit", "after", seed=3),
        make_run("receive", "before", seed=4, gain_db=-6.0, thd_percent=1.4),
        make_run("receive", "after", seed=5, gain_db=-0.8, thd_percent=1.2),
        make_run("sidetone", "before", seed=6, gain_db=-7.0, thd_percent=6.0),
        make_run("sidetone", "after", seed=7, thd_percent=4.0),
    )


def replace(record: object, **changes: object) -> object:
    """Copy of any record with some fields changed."""
    return dataclasses.replace(record, **changes)


def make_marks() -> tuple[Mark, ...]:
    """The strip of that job: talking and hearing mended, the dial tested as found alone."""
    found = {
        "talks": ("outside", "within"),
        "hears": ("outside", "within"),
        "own-voice": ("within", "within"),
        "crackle": ("outside", "within"),
        "dials": ("within", "not tested"),
        "rings": ("not tested", "not tested"),
        "cord": ("not tested", "not tested"),
        "line": ("not tested", "not tested"),
    }
    return tuple(
        Mark(key=key, as_found=as_found, now=now, sentence="")
        for key, (as_found, now) in found.items()
    )


def make_content(**more: object) -> ReportContent:
    """What the report of that job is made from; any field can be given otherwise."""
    given: dict[str, object] = {
        "job": JOB,
        "set_type": SET_TYPE,
        "runs": make_job_runs(),
        "baselines": {path: make_baseline(path) for path in ("transmit", "receive", "sidetone")},
        "comparisons": (make_comparison("before"), make_comparison("after"), make_change()),
        "now_utc": "2031-04-02T16:00:00+00:00",
        "version": "0.1.0",
        "marks": make_marks(),
        **more,
    }
    return ReportContent(**given)


def make_change() -> Comparison:
    """After against before: real where it is more than the spread."""
    findings = (
        make_finding("transmit", "response", 9.6, "outside", worst_hz=3162.0, low=-1.2, high=1.2),
        make_finding("transmit", "at_1khz_db", 8.8, "outside", low=-1.2, high=1.2),
        make_finding("transmit", "thd_1000_percent", -5.4, "outside", low=-1.0, high=1.0),
        make_finding("receive", "at_1khz_db", 5.2, "outside", low=-1.0, high=1.0),
        make_finding("sidetone", "at_1khz_db", 0.6, "within", low=-1.4, high=1.4),
    )
    return Comparison(
        job=7,
        stage="after",
        against=Against(kind="before", name="before"),
        findings=findings,
        overall="outside",
    )
