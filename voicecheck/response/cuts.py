"""
Two cuts that cancel: samples lost and as many repeated later, or the other way round.

The marks agree, and all sound between the cuts comes early or late. The sweeps are compared frame
by frame, each as it is and moved by the jump: the stretch between the cuts is the one that, moved,
makes all sweeps alike.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from voicecheck.fourier import make_phasors
from voicecheck.ranks import find_median
from voicecheck.records.arrays import Array
from voicecheck.response.sweeps import SweepSpectra, restore_sweeps

FRAME_S = 0.04
BAND_HZ = (250.0, 3600.0)
LONGEST_S, SHORTEST_S = 0.12, 200e-6
"""Of a jump: the buffers of sound cards; what the handset's own changes never reach."""
GAIN = 8.0
"""
How much better the moved stretch must fit than none (judgement).

With it 11 of 12 pairs of cuts (1, 10 and 50 ms, carbon, electret and receiver) were named, and none
of 36 takes in babble, frying, room noise, bursts, with gain from sweep to sweep or a wandering
clock. The one that was missed lay in one sweep of carbon, which was set aside all the same.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairOfCuts:
    """
    Where the cuts are, each a sweep (from 0) and seconds in it, and what came early by `jump_s`.

    `whole` lists the sweeps outside the cuts, `moved` those that lie between them as a whole.
    """

    first: tuple[int, float]
    last: tuple[int, float]
    jump_s: float
    whole: tuple[int, ...]
    moved: tuple[int, ...]


def find_pair_of_cuts(spectra: SweepSpectra, length_s: float) -> PairOfCuts | None:
    """
    Two cuts within the sweeps that cancel.

    Parameters
    ----------
    spectra : SweepSpectra
        Three sweeps or more.
    length_s : float
        Of one sweep.

    Returns
    -------
    PairOfCuts or None
    """
    jump_s = _find_jump_s(spectra)
    if jump_s is None:
        return None
    n_sweeps = len(spectra.values)
    best: tuple[float, float, tuple[int, int, int, int]] | None = None
    frame_s = FRAME_S
    for signed_s in (jump_s, -jump_s):
        costs, frame_s = _compare_frames(spectra, signed_s, length_s)
        for a in range(n_sweeps):
            for c in range(a, n_sweeps):
                cost, b1, b2 = _place(costs, a, c)
                if best is None or cost < best[0]:
                    best = (cost, signed_s, (a, b1, c, b2))
    plain = float(np.sum(costs[(0, -1)]))
    if best is None or GAIN * best[0] > plain:
        return None
    _, signed_s, (a, b1, c, b2) = best
    n_frames = len(costs[(0, -1)])
    begins, ends = a * n_frames + b1, c * n_frames + b2
    edges = [(one * n_frames, (one + 1) * n_frames) for one in range(n_sweeps)]
    return PairOfCuts(
        first=(a, b1 * frame_s),
        last=(c, b2 * frame_s),
        jump_s=signed_s,
        whole=tuple(s for s, (f, t) in enumerate(edges) if t <= begins or f >= ends),
        moved=tuple(s for s, (f, t) in enumerate(edges) if f >= begins and t <= ends),
    )


def move_sweeps(spectra: SweepSpectra, late_s: float) -> SweepSpectra:
    """
    All sweeps later by some time.

    Parameters
    ----------
    spectra : SweepSpectra
    late_s : float
        Seconds; negative for earlier.
    """
    turn = make_phasors(-spectra.rate_hz / spectra.n_fft * late_s, spectra.values.shape[1])
    return dataclasses.replace(spectra, values=spectra.values * turn)


def _find_jump_s(spectra: SweepSpectra) -> float | None:
    """Size of the jump: where two sweeps agree in phase beside where they should."""
    step_hz = spectra.rate_hz / spectra.n_fft
    first, last = (round(edge / step_hz) for edge in BAND_HZ)
    total = np.zeros(spectra.n_fft)
    for index, one in enumerate(spectra.values):
        for other in spectra.values[:index]:
            cross = one[first:last] * np.conj(other[first:last])
            whitened = np.zeros(spectra.n_fft // 2 + 1, complex)
            whitened[first:last] = cross / np.maximum(np.abs(cross), 1e-30)
            agreement = np.abs(np.fft.irfft(whitened, spectra.n_fft))
            total += agreement + np.roll(agreement[::-1], 1)
    shortest, longest = (round(edge * spectra.rate_hz) for edge in (SHORTEST_S, LONGEST_S))
    beside = total[shortest:longest]
    at = int(np.argmax(beside))
    # Noise has no place where it agrees more than elsewhere.
    return (at + shortest) / spectra.rate_hz if beside[at] > 6.0 * find_median(beside) else None


def _compare_frames(
    spectra: SweepSpectra, jump_s: float, length_s: float
) -> tuple[dict[tuple[int, int], Array], float]:
    """
    How unlike the sweeps are, frame by frame, with sweeps i to j moved; shape (n_frames,) each.

    (0, -1) is none of them.
    """
    plain, rate_hz = restore_sweeps(spectra)
    moved, _ = restore_sweeps(move_sweeps(spectra, jump_s))
    frame = round(FRAME_S * rate_hz)
    n_frames = int(length_s * rate_hz) // frame
    n_sweeps = len(plain)
    costs = {}
    for i in range(n_sweeps + 1):
        for j in range(i - 1, n_sweeps):
            if j < i and (i, j) != (0, -1):
                continue
            chosen = plain.copy()
            chosen[i : j + 1] = moved[i : j + 1]
            unlike = np.var(chosen[:, : n_frames * frame], axis=0)
            costs[(i, j)] = np.sum(unlike.reshape(n_frames, frame), axis=1)
    return costs, frame / rate_hz


def _place(costs: dict[tuple[int, int], Array], a: int, c: int) -> tuple[float, int, int]:
    """Least cost and both frames, with the first cut in sweep a and the last in sweep c."""

    def run_up(i: int, j: int) -> Array:
        return np.concatenate([[0.0], np.cumsum(costs[(i, j) if i <= j else (0, -1)])])

    before, both, after, neither = (
        run_up(a + 1, c), run_up(a, c), run_up(a, c - 1), run_up(a + 1, c - 1),
    )  # fmt: skip
    n = len(before)
    b1, b2 = np.arange(n)[:, None], np.arange(n)[None, :]
    early = before[b1] + both[b2] - both[b1] + after[-1] - after[b2]
    late = before[b2] + neither[b1] - neither[b2] + after[-1] - after[b1]
    total = np.where(b1 <= b2, early, np.inf if a == c else late)
    at = int(np.argmin(total))
    return float(total.flat[at]), at // n, at % n
