"""Sound longer than a piece: the same figures, and memory by its length, not many times that."""

from __future__ import annotations

import math
import tracemalloc
from typing import Any

import numpy as np
import pytest

from voicecheck.checkout import signals
from voicecheck.checkout.parts.current import _find_edges
from voicecheck.checkout.signals import average, demodulate, work_in_pieces
from voicecheck.errors import RecordingError
from voicecheck.records import Recording, to_document
from voicecheck.workflow.checks.kinds import get_kind, load_scene

SCENES = {"bell": "healthy", "dial": "bouncing", "flex": "healthy", "speak": "healthy"}


def check_alike(first: Any, second: Any, place: str = "") -> None:
    """Two documents whose numbers differ by rounding alone."""
    assert type(first) is type(second), place
    if isinstance(first, dict):
        assert first.keys() == second.keys(), place
        for key in first:
            check_alike(first[key], second[key], f"{place}.{key}")
    elif isinstance(first, list | tuple):
        assert len(first) == len(second), place
        for at, pair in enumerate(zip(first, second, strict=True)):
            check_alike(*pair, f"{place}[{at}]")
    elif isinstance(first, float):
        assert math.isclose(first, second, rel_tol=1e-7, abs_tol=1e-7), (place, first, second)
    else:
        assert first == second, place


@pytest.mark.parametrize("name", SCENES)
def test_a_check_in_pieces_says_the_same(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    recording = load_scene(name).make_recording(SCENES[name], 3)
    kind = get_kind(name)
    assert kind.measure is not None
    whole = to_document(kind.measure(recording, kind.options()))
    monkeypatch.setattr(signals, "PIECE_SAMPLES", 2**14)
    assert len(recording.samples) > 10 * signals.PIECE_SAMPLES
    check_alike(whole, to_document(kind.measure(recording, kind.options())))


def test_running_means_in_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    samples = rng.standard_normal(10_007)
    whole = [average(samples, 33), demodulate(samples, 8000, 440.0, 5)]
    monkeypatch.setattr(signals, "PIECE_SAMPLES", 1000)
    assert np.allclose(average(samples, 33), whole[0], rtol=0, atol=1e-12)
    assert np.allclose(demodulate(samples, 8000, 440.0, 5), whole[1], rtol=0, atol=1e-12)
    for hop in (3, 7, 999, 4000):
        thinned = demodulate(samples, 8000, 440.0, 5, hop=hop)
        assert np.allclose(thinned, whole[1][::hop], rtol=0, atol=1e-12)
        assert work_in_pieces(lambda piece, _: piece, samples[:0], 0, hop=hop).shape == (0,)


@pytest.mark.parametrize(
    ("name", "most"), [("bell", 1.0), ("dial", 4.5), ("flex", 3.0), ("speak", 5.0), ("tones", 4.0)]
)
def test_memory_by_the_length(name: str, most: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Taken beside the recording, in its own size; a piece counts little in so long a sound."""
    monkeypatch.setattr(signals, "PIECE_SAMPLES", 2**14)
    time_s = np.arange(60 * 48000) / 48000
    samples = 0.2 * np.sin(2 * np.pi * 1000.0 * time_s)
    samples += 0.01 * np.random.default_rng(5).standard_normal(len(samples))
    recording = Recording(samples=samples, rate_hz=48000)
    kind = get_kind(name)
    assert kind.measure is not None
    if name != "dial":
        # What is loaded on first use is no part of it.
        kind.measure(recording.replace(samples=samples[:96000]), kind.options())
    del samples, time_s
    tracemalloc.start()
    try:
        measure_anyhow(kind, recording)
        _, peak_bytes = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak_bytes < most * recording.samples.nbytes


def measure_anyhow(kind: Any, recording: Recording) -> None:
    """A tone without pulses is refused at the end, after all the work on it."""
    if kind.name == "dial":
        with pytest.raises(RecordingError, match="no dial pulse"):
            kind.measure(recording, kind.options())
    else:
        kind.measure(recording, kind.options())


def find_edges_one_by_one(slope: np.ndarray, apart: int) -> np.ndarray:
    """The steepest of all that is left, again and again."""
    left = np.abs(slope)
    least = 0.5 * float(np.percentile(np.sort(left)[-10 * apart :], 90.0))
    found: list[int] = []
    while (top := int(np.argmax(left))) and left[top] > least and len(found) < 2000:
        found.append(top)
        left[max(0, top - apart) : top + apart + 1] = 0.0
    return np.array(sorted(found), dtype=float)


@pytest.mark.parametrize(("n", "apart"), [(1000, 7), (5000, 33), (4801, 120)])
def test_edges_of_a_feed_are_found_as_one_by_one(n: int, apart: int) -> None:
    rng = np.random.default_rng(n)
    for _ in range(20):
        slope = np.round(rng.standard_normal(n) * rng.choice([3.0, 50.0]))
        slope *= rng.random(n) < rng.choice([0.01, 1.0])
        assert np.array_equal(_find_edges(slope, apart), find_edges_one_by_one(slope, apart))
