"""Idle noise in stretches as long as a step: what is usual, and the most of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voicecheck.modelcheck.slowly import Slowed, compute_power, estimate_density
from voicecheck.records import Programme, Timeline
from voicecheck.records.arrays import Array

MOST_PIECES = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class IdlePieces:
    """Power spectra of pieces of the silences, shape (n_pieces, n_bins)."""

    power: Array

    def density(self, inside: NDArray[np.bool_]) -> Array:
        """Noise density of each piece over some bins, shape (n_pieces,)."""
        return estimate_density(self.power, inside)


def cut_idle_pieces(
    programme: Programme, slowed: Slowed, timeline: Timeline, size: int
) -> IdlePieces | None:
    """
    Pieces of one length from all silences.

    Parameters
    ----------
    programme : Programme
    slowed : Slowed
    timeline : Timeline
    size : int
        Samples at the low rate.

    Returns
    -------
    IdlePieces or None
        `None` where no silence is that long.
    """
    pieces = []
    for block in programme.blocks_of("silence"):
        samples = slowed.cut(
            timeline.locate_s(block.start_s + 0.02), timeline.locate_s(block.end_s - 0.02)
        )
        pieces += [samples[i : i + size] for i in range(0, len(samples) - size + 1, size)]
    if not pieces:
        return None
    step = -(-len(pieces) // MOST_PIECES)
    return IdlePieces(power=compute_power(np.array(pieces[::step])))
