"""
A recording told by its noise.

Two takes of one set in a quiet room are alike in all but their noise, which is never the same
twice. So the noise of the silences is what tells a recording, also after it was cut, turned down,
converted to another rate or rounded: the signs of its spectrum, quarter second by quarter second,
placed by the marks.
"""

from __future__ import annotations

import base64

import numpy as np

from voicecheck.cutting import cut_padded
from voicecheck.idle import make_hann
from voicecheck.records import Programme, Recording, Timeline

PIECE_S = 0.25
TONES_HZ = np.arange(504.0, 3060.0, 8.0)
"""Every second line of a piece, so that neighbours under the window hardly share their noise."""
EDGES_S = (0.05, 0.02)
"""Left out of a silence: what still rings of the block before, and the next one's fade."""
SILENT_RMS = 1e-9
"""Exact zeros have no signs."""


def take_fingerprint(programme: Programme, recording: Recording, timeline: Timeline) -> str | None:
    """
    Fingerprint of a take.

    Parameters
    ----------
    programme : Programme
    recording : Recording
    timeline : Timeline

    Returns
    -------
    str or None
        80 bytes for each piece, base 64; `None` where a piece is mute or there is no silence.
    """
    starts_s = [
        block.start_s + EDGES_S[0] + index * PIECE_S
        for block in programme.blocks_of("silence")
        for index in range(int((block.end_s - block.start_s - sum(EDGES_S)) / PIECE_S))
    ]
    if not starts_s:
        return None
    rate_hz = recording.rate_hz
    count = round(PIECE_S * rate_hz)
    at_s = np.array([timeline.locate_s(start_s) for start_s in starts_s])
    firsts = np.rint(at_s * rate_hz).astype(int)
    pieces = np.array([cut_padded(recording.samples, int(one), count) for one in firsts])
    if np.min(np.std(pieces, axis=1)) < SILENT_RMS:
        return None
    lines = np.rint(TONES_HZ * PIECE_S).astype(int)
    spectra = np.fft.rfft(pieces * make_hann(count), axis=1)[:, lines]
    late_s = firsts / rate_hz - at_s
    spectra *= np.exp(-2j * np.pi * np.outer(late_s, lines * rate_hz / count))
    signs = np.concatenate([spectra.real > 0.0, spectra.imag > 0.0], axis=1)
    return base64.b64encode(np.packbits(signs, axis=1).tobytes()).decode()
