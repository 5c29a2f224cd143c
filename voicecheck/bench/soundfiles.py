"""Sound to a file: what is kept with a job, and what is handed to the owner to listen to."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from voicecheck.errors import InputError
from voicecheck.records.arrays import Array

FORMATS = {".wav": "WAV", ".flac": "FLAC"}


def save_sound(path: str | Path, samples: Array, rate_hz: int) -> Path:
    """
    Write one channel as 24-bit WAV or FLAC.

    Parameters
    ----------
    path : path
        Ends in .wav or .flac; replaced only when the new file is complete.
    samples : ndarray, shape (n_samples,)
        Full-scale units, within -1 and 1.
    rate_hz : int

    Returns
    -------
    Path

    Raises
    ------
    InputError
        Another ending, a sample beyond full scale, or the place cannot be written.
    """
    import soundfile

    path = Path(path)
    if path.suffix.lower() not in FORMATS:
        raise InputError(f"{path.name}: need a name that ends in .wav or .flac")
    if not np.all(np.abs(samples) <= 1.0):
        raise InputError(f"{path.name}: samples beyond full scale; lower the level and try again")
    aside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        soundfile.write(
            aside,
            np.minimum(samples, 1.0 - 2.0**-23),
            rate_hz,
            subtype="PCM_24",
            format=FORMATS[path.suffix.lower()],
        )
        aside.replace(path)
    except (OSError, soundfile.SoundFileError) as error:
        message = f"{path}: cannot be written ({error}); choose another folder or name"
        raise InputError(message) from error
    finally:
        if aside.parent.is_dir():
            aside.unlink(missing_ok=True)
    return path
