"""Sound to a file: what is kept with a job, and what is handed to the owner to listen to."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np

from voicecheck.errors import InputError
from voicecheck.records.arrays import Array
from voicecheck.writing import DOOR, Door

FORMATS = {".wav": "WAV", ".flac": "FLAC"}


def save_sound(path: str | Path, samples: Array, rate_hz: int, door: Door = DOOR) -> Path:
    """
    Write one channel, or several, as 24-bit WAV or FLAC.

    Parameters
    ----------
    path : path
        Ends in .wav or .flac; replaced only when the new file is complete.
    samples : ndarray, shape (n_samples,) or (n_samples, n_channels)
        Full-scale units, within -1 and 1.
    rate_hz : int
    door : Door

    Returns
    -------
    Path

    Raises
    ------
    InputError
        Another ending, a sample beyond full scale, or the place cannot be written.
    """
    path = Path(path)
    if path.suffix.lower() not in FORMATS:
        raise InputError(f"{path.name}: need a name that ends in .wav or .flac")
    if not np.all(np.abs(samples) <= 1.0):
        raise InputError(f"{path.name}: samples beyond full scale; lower the level and try again")
    content = encode_sound(samples, rate_hz, file_format=FORMATS[path.suffix.lower()])
    return door.write(path, content)


def encode_sound(
    samples: Array, rate_hz: int, *, file_format: str = "FLAC", bits: int = 24
) -> bytes:
    """
    One channel, or several, as the bytes of a sound file.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,) or (n_samples, n_channels)
        Full-scale units, within -1 and 1.
    rate_hz : int
    file_format : str
        "FLAC" or "WAV".
    bits : int
        16 or 24.
    """
    import soundfile

    content = io.BytesIO()
    highest = 1.0 - 2.0 ** (1 - bits)
    subtype = f"PCM_{bits}"
    soundfile.write(
        content, np.minimum(samples, highest), rate_hz, subtype=subtype, format=file_format
    )
    return content.getvalue()
