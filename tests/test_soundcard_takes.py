# mypy: disable-error-code="attr-defined,no-any-return"
"""Takes through PortAudio and a virtual sound server: what was played is what comes back."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from virtual_bench.fixture import VirtualCard

from voicecheck.bench.meter import Meter
from voicecheck.bench.soundcard import SoundCardBench, Wiring, list_devices, listen
from voicecheck.errors import BenchError
from voicecheck.programme import make_programme
from voicecheck.records import Calibration, Conditions, Programme, Recipe, Recording
from voicecheck.weighting import make_band_frequencies

pytestmark = pytest.mark.bench

SHORT = Recipe(n_sweeps=1, sweep_s=0.5, silence_s=0.1, tones_s=0.2, step_s=0.05)


def find_delay(recording: Recording, programme: Programme) -> int:
    """Samples by which the programme comes back late, by cross-correlation."""
    n_points = 2 ** int(np.ceil(np.log2(len(recording.samples) + len(programme.samples))))
    heard = np.fft.rfft(recording.samples, n_points)
    return int(np.argmax(np.fft.irfft(heard * np.conj(np.fft.rfft(programme.samples, n_points)))))


def find_mark(samples: np.ndarray, mark: np.ndarray) -> float:
    """Where a mark starts, to a fraction of a sample: peak of the correlation's parabola."""
    curve = np.correlate(samples, mark)
    top = int(np.argmax(curve))
    before, here, after = curve[top - 1 : top + 2]
    return top + 0.5 * (before - after) / (before - 2 * here + after)


def test_the_default_programme_comes_back_bit_exact(shared_card: VirtualCard) -> None:
    card = shared_card
    seen: list[tuple[float, float]] = []
    calibration = Calibration(
        output_per_unit=1.0, output_unit="Pa", input_per_unit=1.0, input_unit="V"
    )
    bench = SoundCardBench(
        card.device,
        name="attic",
        rate_hz=48000,
        conditions=Conditions(feed_ma=40.0),
        calibration=calibration,
        progress=lambda fraction, level_dbfs: seen.append((fraction, level_dbfs)),
    )
    programme = make_programme()
    recording = bench.play_and_record(programme, path="receive", seat=3)
    delay, n_samples = find_delay(recording, programme), len(programme.samples)
    assert delay / 48000 == pytest.approx(0.022, abs=1e-5)
    back = recording.samples[delay : delay + n_samples]
    assert np.array_equal(back, programme.samples.astype(np.float32))
    assert recording.duration_s > programme.duration_s + 1.9
    assert recording.problems == ()
    assert recording.calibration == calibration
    conditions = recording.conditions
    assert (conditions.bench, conditions.path, conditions.seat) == ("attic", "receive", 3)
    assert conditions.feed_ma == 40.0
    assert conditions.time_utc is not None
    fractions = [fraction for fraction, _ in seen]
    assert len(seen) > 5
    assert fractions == sorted(fractions)
    assert fractions[-1] <= 1.0
    # The loudest block, +6 dB re -12 dBFS, passes the meter once.
    assert max(level_dbfs for _, level_dbfs in seen) == pytest.approx(-6.0, abs=0.05)


def test_what_is_heard_while_it_plays_is_what_is_recorded(shared_card: VirtualCard) -> None:
    """In order, without a gap or a frame twice, from before the first sample on."""
    heard: list[tuple[np.ndarray, float]] = []
    bench = SoundCardBench(
        shared_card.device, hear=lambda block, start_s: heard.append((block, start_s))
    )
    recording = bench.play_and_record(make_programme(SHORT))
    starts = np.array([round(start_s * 48000) for _, start_s in heard])
    lengths = [len(block) for block, _ in heard]
    assert len(heard) > 3
    assert starts[0] < 0
    assert np.array_equal(starts, starts[0] + np.cumsum([0, *lengths[:-1]]))
    joined = np.concatenate([block[:, 0] for block, _ in heard])[-starts[0] :]
    assert np.array_equal(joined, recording.samples[: len(joined)])
    assert np.max(np.abs(joined)) > 0.1


def test_gain_delay_noise_and_hum_are_found_in_the_recording(shared_card: VirtualCard) -> None:
    card = shared_card
    card.change(gain_db=-6.0, delay_ms=10.0)
    programme = make_programme(SHORT)
    bench = SoundCardBench(card.device)
    recording = bench.play_and_record(programme)
    delay = find_delay(recording, programme)
    assert delay / 48000 == pytest.approx(0.032, abs=1e-5)
    back = recording.samples[delay : delay + len(programme.samples)]
    expected = programme.samples * 10 ** (-6.0 / 20)
    # Single precision both ways: half a step of 2^-24 re full scale, twice.
    assert np.max(np.abs(back - expected)) < 2**-23
    card.change(noise_dbfs=-60.0, hum_dbfs=-50.0, hum_hz=60.0)
    silence = bench.play_and_record(programme).samples[-int(1.5 * 48000) :]
    phase = 2 * np.pi * 60.0 / 48000 * np.arange(len(silence))
    hum = np.abs(2 * np.mean(silence * np.exp(-1j * phase)))
    assert 20 * np.log10(hum) == pytest.approx(-50.0, abs=0.05)
    rest = np.std(silence) ** 2 - hum**2 / 2
    # 72,000 samples: the power of the noise is known to 0.5 % or 0.023 dB (one sigma).
    assert 10 * np.log10(2 * rest) == pytest.approx(-60.0, abs=0.1)


def test_the_drift_of_the_recorder_is_found_in_the_recording(
    virtual_bench: Callable[..., VirtualCard],
) -> None:
    card = virtual_bench(drift_ppm=-100.0)
    programme = make_programme()
    samples = SoundCardBench(card.device).play_and_record(programme).samples
    places = []
    for block in programme.blocks_of("mark"):
        first, last = round(block.start_s * 48000), round(block.end_s * 48000)
        near = slice(max(0, first - 4000), last + 8000)
        mark = programme.samples[first:last]
        places.append(find_mark(samples[near], mark) + near.start - first)
    opening, closing = (block.start_s for block in programme.blocks_of("mark"))
    found_ppm = (places[1] - places[0]) / ((closing - opening) * 48000) * 1e6
    # A hundredth of a sample at either mark is 0.02 ppm over 15 s.
    assert found_ppm == pytest.approx(-100.0, abs=0.1)


@pytest.mark.parametrize("rate_hz", [44100, 96000])
def test_other_rates_come_back_bit_exact(
    virtual_bench: Callable[..., VirtualCard], rate_hz: int
) -> None:
    card = virtual_bench(rate_hz=rate_hz)
    programme = make_programme(
        Recipe(rate_hz=rate_hz, n_sweeps=1, sweep_s=0.5, silence_s=0.1, tones_s=0.2, step_s=0.05)
    )
    recording = SoundCardBench(card.device).play_and_record(programme)
    assert recording.rate_hz == rate_hz
    delay = find_delay(recording, programme)
    back = recording.samples[delay : delay + len(programme.samples)]
    assert np.array_equal(back, programme.samples.astype(np.float32))


@pytest.mark.parametrize("kind", ["pulse", "pipewire"])
def test_a_take_on_a_desktop_sound_server_comes_back_bit_exact(
    virtual_bench: Callable[..., VirtualCard], kind: str
) -> None:
    """The other kinds of server delay by half a second and more; the tail must cover that."""
    card = virtual_bench(kind)
    programme = make_programme(SHORT)
    recording = SoundCardBench(card.device).play_and_record(programme)
    delay = find_delay(recording, programme)
    assert 0.0 < delay / 48000 < 2.2
    back = recording.samples[delay : delay + len(programme.samples)]
    assert np.array_equal(back, programme.samples.astype(np.float32))


@pytest.mark.timeout(180)
def test_the_default_programme_comes_back_bit_exact_through_pipewire(
    virtual_bench: Callable[..., VirtualCard],
) -> None:
    """As through a JACK server, on a clock of its own that waits for nobody."""
    card = virtual_bench("pipewire")
    (device,) = list_devices()
    assert (device.name, device.default_rate_hz) == ("handset", 48000)
    programme = make_programme()
    recording = SoundCardBench(card.device).play_and_record(programme)
    assert recording.problems == ()
    delay = find_delay(recording, programme)
    assert delay / 48000 == pytest.approx((8192 + 32) / 48000, abs=1e-5)
    back = recording.samples[delay : delay + len(programme.samples)]
    assert np.array_equal(back, programme.samples.astype(np.float32))


def test_devices_are_listed_and_one_is_the_default(shared_card: VirtualCard) -> None:
    (device,) = list_devices()
    assert device.name == "handset"
    assert (device.n_inputs, device.n_outputs) == (1, 1)
    assert device.default_rate_hz == 48000
    recording = SoundCardBench().play_and_record(make_programme(SHORT))
    assert recording.conditions.bench == "default sound device"
    assert np.max(np.abs(recording.samples)) == pytest.approx(10 ** (-6 / 20), rel=0.01)


def test_listening_gives_a_live_input_until_asked_to_stop(shared_card: VirtualCard) -> None:
    """Three seconds of the card's hum and noise, read by the meter; leaving ends the process."""
    card = shared_card
    card.change(noise_dbfs=-60.0, hum_dbfs=-40.0, hum_hz=60.0)
    wiring = Wiring(name="attic", device=card.device)
    heard: list[np.ndarray] = []
    stream = listen(wiring, 48000)
    while sum(map(len, heard)) < 3 * 48000:
        heard.append(next(stream)[:, 0])
    stream.close()
    samples = np.concatenate(heard)[-2 * 48000 :]
    phase = 2 * np.pi * 60.0 / 48000 * np.arange(len(samples))
    hum = np.abs(2 * np.mean(samples * np.exp(-1j * phase)))
    assert 20 * np.log10(hum) == pytest.approx(-40.0, abs=0.05)
    meter = Meter(48000, make_band_frequencies(3, 100.0, 8000.0))
    assert meter.update(samples).rms_dbfs == pytest.approx(-39.96, abs=0.1)
    with pytest.raises(BenchError, match="not there"):
        next(listen(Wiring(name="attic", device="parlour"), 48000))


def test_listening_to_a_device_that_stalls_ends_with_an_error(
    virtual_bench: Callable[..., VirtualCard],
) -> None:
    card = virtual_bench()
    stream = listen(Wiring(name="attic", device=card.device), 48000)
    while not len(next(stream)):
        pass
    card.change(stall=True)
    with pytest.raises(BenchError, match="attic: stopped at"):
        for _ in stream:
            pass
