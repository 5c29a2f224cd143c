# mypy: disable-error-code="untyped-decorator,var-annotated"
"""Every spoiler does what it says: one claim a kind, each of which could fail."""

from functools import cache
from typing import Any

import numpy as np
import pytest
from plants.catalogue import PLANTS
from plants.spoiling import SEVERITIES, SPOILERS, heard_range_db, record_spoiled
from plants_bench import band_power_dbfs, find_tones, level_dbfs, make_played

RATE_HZ = 48000
CLAIMS = {}


@cache
def make_take() -> Any:
    return PLANTS["electret"].take(make_played(), np.random.default_rng(5))


HARDER = {"light": 0, "medium": 1, "heavy": 2}


def claim(*kinds: Any) -> Any:
    def keep(function: Any) -> Any:
        CLAIMS.update(dict.fromkeys(kinds, function))
        return function

    return keep


class Made:
    """One spoiled take and what there is to look at."""

    def __init__(self, kind: Any, severity: Any) -> None:
        self.played, self.take = make_played(), make_take()
        rng = np.random.default_rng(11)
        self.got, self.done = record_spoiled(self.take, kind, severity, rng)
        self.size = self.done.size
        self.level = HARDER[severity]

    @property
    def clean(self) -> Any:
        return self.take.samples

    @property
    def left(self) -> Any:
        n = min(len(self.got), len(self.clean))
        return self.got[:n] - self.clean[:n]

    def block(self, kind: Any, index: Any = 0) -> Any:
        return self.played.stretch(self.played.of(kind)[index])

    def gain_db(self, here: Any) -> Any:
        return level_dbfs(self.got[here]) - level_dbfs(self.clean[here])


@claim("other-level")
def programme_is_quieter(made: Any) -> None:
    """The sweep comes as much quieter (the electret bends by less than 0.1 dB)."""
    assert made.gain_db(made.block("sweep")) == pytest.approx(made.size["change_db"], abs=0.1)


@claim("other-recipe")
def programme_is_another(made: Any) -> None:
    assert len(made.got) != len(made.clean) or made.level == 2
    here = made.block("sweep", 2)
    a, b = made.got[here], made.clean[here]
    # 2 s into the clean sweep there is another frequency, or nothing.
    assert abs(np.vdot(a, b)) < 0.5 * np.linalg.norm(a) * np.linalg.norm(b)


@claim("two-takes")
def second_take_is_the_stronger(made: Any) -> None:
    first = round(made.done.at_s[1] * RATE_HZ)
    assert np.array_equal(made.got[first:], made.clean)
    fall = level_dbfs(made.got[: len(made.clean)]) - level_dbfs(made.clean)
    assert fall == pytest.approx(-made.size["weaker_db"], abs=1e-6)


@claim("echo")
def echo_comes_late(made: Any) -> None:
    """Correlation of what was added with the take peaks at the delay, as strong as stated."""
    n = 2**20
    across = np.fft.irfft(np.fft.rfft(made.left, n) * np.fft.rfft(made.clean, n).conj(), n)
    lag = int(np.argmax(across))
    assert lag / RATE_HZ == pytest.approx(made.size["delay_s"], abs=1e-4)
    strength = across[lag] / np.sum(made.clean[: len(made.clean) - lag] ** 2)
    assert 20 * np.log10(strength) == pytest.approx(-made.size["down_db"], abs=0.01)


@claim("reflection")
def reflection_makes_a_comb(made: Any) -> None:
    """Level of a low stretch of the sweep swings by what 1 + g exp(-j w t) gives there."""
    t_s, g = made.size["delay_s"], 10 ** (-made.size["down_db"] / 20)
    for f in (400.0, 900.0, 1500.0):
        first = round(made.played.sweep_instants_s(np.array([f]))[0, 0] * RATE_HZ)
        here = slice(first - 240, first + 240)
        # The late part is that of a lower frequency, as the sweep passed it `t_s` earlier.
        assert abs(made.gain_db(here)) <= 20 * np.log10(1 / (1 - g)) + 0.2
    assert 0.002 <= t_s <= 0.02
    swing = level_dbfs(made.left) - level_dbfs(made.clean)
    assert swing == pytest.approx(-made.size["down_db"], abs=0.5)


@claim("other-channel")
def set_is_on_the_second_channel(made: Any) -> None:
    assert np.array_equal(made.got[:, 1], made.clean)
    assert level_dbfs(made.got[:, 0]) == pytest.approx((-90, -70, -50)[made.level], abs=0.1)


@claim("crosstalk")
def first_channel_hears_the_second(made: Any) -> None:
    """At 1 kHz down by what is said, 6 dB an octave more above (a capacitance)."""
    here = made.block("steps")
    tail = slice(here.stop - 9000, here.stop - 3000)
    heard, _ = find_tones(made.got[tail, 0], RATE_HZ, [1000.0])
    direct, _ = find_tones(made.got[tail, 1], RATE_HZ, [1000.0])
    down = 20 * np.log10(heard[0] / direct[0])
    assert down == pytest.approx(-made.size["down_db"], abs=0.2)


@claim("other-rate")
def rate_is_another(made: Any) -> None:
    """The 1 kHz steps are still 1 kHz on the new clock, and as strong."""
    rate_hz, part = made.done.rate_hz, made.played.of("steps")[0]
    assert rate_hz != RATE_HZ
    assert len(made.got) == pytest.approx(len(made.clean) * rate_hz / RATE_HZ, abs=1)
    pair = []
    for samples, rate in ((made.got, rate_hz), (made.clean, RATE_HZ)):
        first, last = round((part.end_s - 0.2) * rate), round((part.end_s - 0.05) * rate)
        pair.append(find_tones(samples[first:last], rate, [1000.0])[0][0])
    assert pair[0] == pytest.approx(pair[1], rel=1e-4)


@claim("no-handset")
def a_wire_is_flat(made: Any) -> None:
    """What was played comes back, and nothing else above -90 dBFS (the wire's own noise -96)."""
    rest = made.got - made.played.samples * 10 ** (made.size["gain_db"] / 20)
    assert level_dbfs(rest) < -90


@claim("too-quiet")
def turned_down(made: Any) -> None:
    here = made.block("sweep")
    assert made.gain_db(here) == pytest.approx(made.size["gain_db"], abs=0.5)
    assert level_dbfs(made.got[made.block("silence")]) == pytest.approx(-105.0, abs=1.0)


@claim("single-cut")
def samples_are_lost(made: Any) -> None:
    lost, first = made.size["lost_samples"], round(made.done.at_s[0] * RATE_HZ)
    assert np.array_equal(made.got[:first], made.clean[:first])
    assert np.array_equal(made.got[first:], made.clean[first + lost :])
    assert made.played.block_at(made.done.at_s[0]) == "sweep"


@claim("cancelling-cuts")
def ends_agree_and_the_middle_does_not(made: Any) -> None:
    lost = made.size["lost_samples"]
    first, second = (round(t * RATE_HZ) for t in made.done.at_s)
    assert len(made.got) == len(made.clean)
    assert np.array_equal(made.got[:first], made.clean[:first])
    assert np.array_equal(made.got[first:second], made.clean[first + lost : second + lost])
    assert np.array_equal(made.got[second + lost :], made.clean[second + lost :])


@claim("clock-drift")
def clock_is_off(made: Any) -> None:
    """The closing mark lies later by the drift: parabola through the correlation's top."""
    here = made.block("mark", -1)
    around = made.got[here.start - 200 : here.stop + 200]
    across = np.correlate(around, made.clean[here], "valid")
    k = int(np.argmax(across))
    a, b, c = across[k - 1 : k + 2]
    shift = k - 200 + 0.5 * (a - c) / (a - 2 * b + c)
    middle = 0.5 * (here.start + here.stop)
    assert shift / middle * 1e6 == pytest.approx(made.size["ppm"], abs=1.5)


@claim("clock-wander")
def clock_swings(made: Any) -> None:
    """Never more than twice the swing ppm T / (2 pi) away: the difference is of that size."""
    most_s = 2 * made.size["ppm"] * 1e-6 * made.size["period_s"] / (2 * np.pi)
    slope = np.abs(np.gradient(made.clean)) * RATE_HZ
    # 1e-4 is the noise: read between samples it is not what it was above 20 kHz.
    assert np.all(np.abs(made.left) <= most_s * slope.max() + 2e-3)
    assert level_dbfs(made.left) > level_dbfs(made.clean) - 50


@claim("same-copied")
def a_copy(made: Any) -> None:
    assert np.array_equal(made.got, made.clean)


@claim("same-trimmed")
def a_trimmed_copy(made: Any) -> None:
    cut = len(made.clean) - len(made.got)
    assert cut / RATE_HZ == pytest.approx(made.size["trimmed_s"], abs=1e-4)
    assert np.array_equal(made.got, made.clean[cut:])
    assert made.size["trimmed_s"] < made.played.of("mark")[0].start_s


@claim("same-gained")
def a_gained_copy(made: Any) -> None:
    assert level_dbfs(made.got) - level_dbfs(made.clean) == pytest.approx(made.size["gain_db"])


@claim("same-resampled", "same-reencoded")
def a_near_copy(made: Any) -> None:
    """No sample is the same, and the sounds differ by less than -35 dB."""
    assert level_dbfs(made.left) < level_dbfs(made.clean) - 35
    n = len(made.left)
    assert np.mean(made.left == 0) < 0.01 * n


@claim("low-bit")
def a_few_steps_high(made: Any) -> None:
    """All on the 16-bit grid; the sweep's sine is that many steps high."""
    grid = made.got * 32768
    assert np.array_equal(grid, np.round(grid))
    rms_steps = np.sqrt(np.mean(grid[made.block("sweep")] ** 2))
    assert np.sqrt(2) * rms_steps == pytest.approx(made.size["steps"], rel=0.05)


@claim("agc-fast-2", "agc-fast-4", "agc-slow-2", "agc-slow-4", "limiter")
def loud_is_pressed(made: Any) -> None:
    """From the lowest step to the highest the output grows less than without it."""
    here = made.block("steps")
    n = (here.stop - here.start) // 7
    pressed = []
    for k in (0, 6):
        step = slice(here.start + k * n + n // 2, here.start + (k + 1) * n - 600)
        pressed.append(made.gain_db(step))
    assert pressed[1] < pressed[0] - 0.8
    # At most the whole of what the ratio would take off above the threshold.
    assert -pressed[1] <= made.size["most_db"] + 0.1


@claim("clip-then-filter")
def tops_are_gone_and_no_pile_is_left(made: Any) -> None:
    """Harmonics at the steps' loudest tone, and no two samples at the same greatest height."""
    here = made.block("steps")
    tail = slice(here.stop - 9000, here.stop - 1000)
    lines, _ = find_tones(made.got[tail], RATE_HZ, 1000.0 * np.arange(1, 6))
    before, _ = find_tones(made.clean[tail], RATE_HZ, 1000.0 * np.arange(1, 6))
    assert lines[2] / lines[0] > 0.05 > 10 * before[2] / before[0]
    top = np.abs(made.got).max()
    assert np.mean(np.abs(made.got) > 0.999 * top) < 0.01


@claim("sweep-gain")
def each_sweep_has_its_gain(made: Any) -> None:
    gains = [made.gain_db(made.block("sweep", i)) for i in range(3)]
    assert gains == pytest.approx(made.size["gains_db"], abs=1e-6)
    assert np.ptp(gains) >= (0.2, 0.6, 1.5)[made.level] - 1e-9


@claim("fading")
def level_falls(made: Any) -> None:
    n = len(made.clean) // 50
    fall = made.gain_db(slice(-n, None)) - made.gain_db(slice(0, n))
    assert fall == pytest.approx(-made.size["loss_db"], rel=0.05)


@claim("dropouts")
def sound_goes_for_moments(made: Any) -> None:
    assert len(made.done.at_s) == (2, 8, 20)[made.level]
    for at_s in made.done.at_s:
        first = round(at_s * RATE_HZ)
        assert not made.got[first : first + 239].any()
        assert made.clean[first : first + 239].any()


@claim("muted-pauses")
def silence_is_exactly_nothing(made: Any) -> None:
    assert not made.got[made.block("silence")].any()
    assert made.clean[made.block("silence")].any()
    first = made.got[made.block("sweep")][:900]
    assert first.any() == (made.level < 2)


@claim("noise-gate")
def gate_closes(made: Any) -> None:
    here = made.block("silence")
    middle = slice(here.start + 24000, here.stop - 6000)
    assert made.gain_db(middle) == pytest.approx(-made.size["depth_db"], abs=1.0)
    assert abs(made.gain_db(made.block("sweep"))) < 0.5


@claim("noise-suppressor")
def steady_sound_is_turned_down(made: Any) -> None:
    """The silence falls, and so does the steady four-tone; the sweep does by far less."""
    silence = made.gain_db(made.block("silence"))
    tones = made.block("four-tone")
    late = slice(tones.stop - 6000, tones.stop - 1000)
    assert silence < 0.5 * made.size["floor_db"]
    assert made.gain_db(late) < made.gain_db(made.block("sweep")) - 2.0


@claim("echo-canceller")
def what_was_played_is_taken_off(made: Any) -> None:
    """Learnt by the closing mark: of a near-linear set 1 - share is left, within 1.5 dB."""
    left = made.gain_db(made.block("sweep", 2))
    assert left == pytest.approx(20 * np.log10(1 - made.size["share"]), abs=3.0)
    assert left < made.gain_db(made.block("mark")) + 0.1 or made.level == 2


@claim("lossy-coding")
def coder_leaves_its_rounding(made: Any) -> None:
    """The difference lies about as far below the sound as the coder's steps put it."""
    here = made.block("sweep")
    far = level_dbfs(made.left[here]) - level_dbfs(made.clean[here])
    assert far == pytest.approx(-made.size["below_db"], abs=3.0)


@claim("babble-in-silence")
def people_talk_in_the_silence_alone(made: Any) -> None:
    here = made.block("silence")
    assert level_dbfs(made.left[here]) == pytest.approx(made.size["dbfs"], abs=0.2)
    assert np.count_nonzero(made.left) <= sum(
        made.block("silence", i).stop - made.block("silence", i).start
        for i in range(len(made.played.of("silence")))
    )


@claim("speech-over-steps", "speech-over-four-tone")
def somebody_speaks_over_it(made: Any) -> None:
    here = made.block(made.done.block)
    ratio = level_dbfs(made.left[here]) - level_dbfs(made.clean[here])
    assert ratio == pytest.approx(-made.size["below_db"], abs=0.2)
    # Speech comes in syllables: its 20 ms powers vary far more than those of noise (4 %).
    n = (here.stop - here.start) // 960 * 960
    power = np.mean(made.left[here.start : here.start + n].reshape(-1, 960) ** 2, axis=1)
    assert np.std(power) / np.mean(power) > 0.5


@claim("room-noise")
def noise_is_steady(made: Any) -> None:
    found = band_power_dbfs(made.left, RATE_HZ, 200, 4000)
    assert found == pytest.approx(made.size["dbfs"], abs=0.3)


@claim("mains")
def hum_has_orders(made: Any) -> None:
    hz = made.size["mains_hz"]
    lines, rest = find_tones(made.left[: 3 * RATE_HZ], RATE_HZ, hz * np.arange(1, 16))
    assert 10 * np.log10(np.sum(lines**2)) == pytest.approx(made.size["dbfs"], abs=0.1)
    assert level_dbfs(rest) < made.size["dbfs"] - 30
    assert lines[14] < lines[0]


@claim("vibration")
def bench_shakes(made: Any) -> None:
    low = band_power_dbfs(made.left, RATE_HZ, 20, 160)
    assert low > made.size["dbfs"] - 3
    assert band_power_dbfs(made.left, RATE_HZ, 300, 4000) < low - 40


@claim("frying")
def bursts_come_by_the_second(made: Any) -> None:
    expected = made.size["per_s"] * len(made.clean) / RATE_HZ
    # Poisson: four standard deviations.
    assert len(made.done.at_s) == pytest.approx(expected, abs=4 * np.sqrt(expected) + 1)
    assert np.mean(made.left**4) / np.mean(made.left**2) ** 2 > 10


@claim("burst")
def one_burst(made: Any) -> None:
    touched = np.flatnonzero(made.left)
    assert touched[0] / RATE_HZ == pytest.approx(made.done.at_s[0], abs=1e-4)
    assert np.ptp(touched) / RATE_HZ == pytest.approx(made.size["length_s"], abs=1e-3)


@claim("door-slam")
def thump_is_low(made: Any) -> None:
    first = round(made.done.at_s[0] * RATE_HZ)
    assert not made.left[:first].any()
    thump = made.left[first : first + 24000]
    assert np.abs(thump).max() > 0.5 * made.size["peak"]
    assert band_power_dbfs(thump, RATE_HZ, 10, 200) > band_power_dbfs(thump, RATE_HZ, 1000, 3000)


@claim("howl")
def howl_builds_up_at_one_frequency(made: Any) -> None:
    first = round(made.done.at_s[0] * RATE_HZ)
    early = made.left[first : first + 9600]
    late = made.left[-9600:]
    assert level_dbfs(late) > level_dbfs(early) + 10
    lines, rest = find_tones(late, RATE_HZ, [made.size["hz"]])
    assert level_dbfs(rest) < 20 * np.log10(lines[0]) - 30


@claim("microphone-tilt")
def microphone_rises(made: Any) -> None:
    """Short stretches of the sweep: 0 dB at 1 kHz, the stated rise at 4 kHz."""
    for f, stated in ((1000.0, 0.0), (4000.0, made.size["rise_db"])):
        first = round(made.played.sweep_instants_s(np.array([f]))[0, 0] * RATE_HZ)
        assert made.gain_db(slice(first - 240, first + 240)) == pytest.approx(stated, abs=0.1)


@claim("mouth-distortion")
def mouth_adds_its_second(made: Any) -> None:
    """H2 of a drive that was bent: k A / 2 of the sweep's amplitude, read off the 0 dB step."""
    here = made.block("steps")
    n = (here.stop - here.start) // 7
    step = slice(here.start + 5 * n + 2400, here.start + 6 * n - 2400)
    left, _ = find_tones(made.left[step], RATE_HZ, [1000.0, 2000.0])
    clean, _ = find_tones(made.clean[step], RATE_HZ, [1000.0])
    tilt_db = np.diff(PLANTS["electret"].response_db(np.array([1000.0, 2000.0]), 0.01))[0]
    stated = made.size["h2_percent"] / 100 * 10 ** (tilt_db / 20)
    assert left[1] / clean[0] == pytest.approx(stated, rel=0.05)


def test_every_kind_has_a_claim_and_there_are_enough() -> None:
    assert set(CLAIMS) == set(SPOILERS)
    assert len(SPOILERS) >= 30


# Kinds whose severities differ in something else than the distance from the clean take.
UNGRADED = {
    "other-recipe", "other-channel", "other-rate", "no-handset", "same-copied", "clock-drift",
    "same-resampled", "dropouts", "single-cut", "cancelling-cuts", "crosstalk", "two-takes",
    "same-trimmed", "frying", "echo", "low-bit", "too-quiet",
}  # fmt: skip


@pytest.mark.parametrize("kind", sorted(SPOILERS))
def test_spoiler_does_what_it_says(kind: Any) -> None:
    """At each severity, and the heavier one is further from the clean take."""
    away = []
    for severity in SEVERITIES:
        made = Made(kind, severity)
        assert np.all(np.isfinite(made.got))
        assert made.done.kind == kind
        CLAIMS[kind](made)
        if kind not in UNGRADED:
            away.append(level_dbfs(made.left))
    assert away == sorted(away)


@pytest.mark.parametrize("kind", ["fading", "sweep-gain", "too-quiet"])
def test_range_that_is_heard_holds_the_sweeps(kind: str) -> None:
    """Each sweep's own level at 1 kHz, against the clean take's: start and end as stated."""
    made = Made(kind, "light")
    stated = heard_range_db(made.take, made.done, np.array([1000.0]))[:, 0]
    own = made.take.response_range_db(np.array([1000.0]))[:, 0]
    at_s = made.played.sweep_instants_s(np.array([1000.0]))[:, 0]
    found = []
    for instant_s in at_s:
        first = round(instant_s * RATE_HZ)
        found.append(made.gain_db(slice(first - 480, first + 480)))
    assert stated[0] - own[0] == pytest.approx(found[0], abs=0.05)
    assert stated[2] - own[2] == pytest.approx(found[-1], abs=0.05)
    assert stated[1] - own[1] == pytest.approx(np.mean(found), abs=0.05)
