"""
Telephone codings: what of a sound survives them, and files of theirs without any header.

Each sample of G.711 is rounded by up to 3 % of itself: frequency, cadence, timing and level stay,
distortion and noise are the coding's. So is it with ADPCM, a few decibels worse, and GSM 6.10 makes
the sound anew every 20 ms.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from voicecheck.records import Problem

G711, ADPCM, GSM = "G.711", "ADPCM", "GSM 6.10"
FAMILIES: Mapping[str, str] = MappingProxyType(
    {
        "ULAW": G711,
        "ALAW": G711,
        "IMA_ADPCM": ADPCM,
        "MS_ADPCM": ADPCM,
        "G721_32": ADPCM,
        "NMS_ADPCM_32": ADPCM,
        "VOX_ADPCM": ADPCM,
        "GSM610": GSM,
    }
)
"""Family of each coding by the audio library's name. ADPCM of under 4 bits is none of them."""
USES: Mapping[str, str] = MappingProxyType(
    {
        G711: "tones, dial, flex, bell and speak",
        ADPCM: "tones, dial and speak",
        GSM: "tones and speak",
    }
)
"""Checks that take each family: what a refusal says."""
RAW: Mapping[str, str] = MappingProxyType(
    {
        ".ul": "ULAW",
        ".ulaw": "ULAW",
        ".mulaw": "ULAW",
        ".al": "ALAW",
        ".alaw": "ALAW",
        ".gsm": "GSM610",
        ".vox": "VOX_ADPCM",
    }
)
"""Coding of files without header, which only their names tell (common practice, no source)."""
RAW_RATE_HZ = 8000
"""ITU-T G.711 clause 2 (MEM); for the others common practice, no source."""


def open_sound(path: Path) -> Any:
    """
    Open a file with the audio library; by its name where it is a telephone coding without header.

    Parameters
    ----------
    path : path

    Returns
    -------
    soundfile.SoundFile

    Raises
    ------
    soundfile.LibsndfileError
        It is no audio file.
    """
    import soundfile

    subtype = RAW.get(path.suffix.lower())
    try:
        return soundfile.SoundFile(path)
    except soundfile.LibsndfileError:
        if subtype is None:
            raise
    return soundfile.SoundFile(
        path, samplerate=RAW_RATE_HZ, channels=1, subtype=subtype, format="RAW"
    )


def tell_coding(subtype: str) -> Problem:
    """
    What a recording in a telephone coding is good for.

    Examples
    --------
    >>> tell_coding("ULAW").message
    'the sound was recorded in a telephone coding (G.711)'
    """
    from voicecheck.records import Problem

    family = FAMILIES[subtype]
    kept = "frequency, cadence, timing, digits and level hold"
    if family == GSM:
        kept = "frequency, cadence and level hold, keypad digits may be missed"
    return Problem(
        kind="coded",
        message=f"the sound was recorded in a telephone coding ({family})",
        effect=f"{kept}; noise and distortion are the coding's and say nothing of the set",
    )
