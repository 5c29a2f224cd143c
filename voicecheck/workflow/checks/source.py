"""Where the recording of a check comes from, as it may be asked for."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

from msgspec import Meta

from voicecheck.bench.codings import FAMILIES, RAW, RAW_RATE_HZ
from voicecheck.checkout.kinds import CheckKind
from voicecheck.errors import InputError
from voicecheck.records.bounds import check_bounds
from voicecheck.records.fields import Field, list_fields

MOST_TONE_DBFS = -12.0
"""
A test tone never goes out louder, whatever is asked for: of an output of 1 to 2 V at full scale it
leaves 0.2 to 0.35 V RMS, should a receiver be at an ear after all (PROP).
"""
LEAST_S, MOST_S = 2.0, 600.0
"""Less than 2 s holds no digit with its pause; ten minutes are 230 MB of samples as float64."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """
    Exactly one of recording, simulated, bench; and how it is played and recorded.

    Parameters
    ----------
    recording : path or None
    simulated : str or None
        Words of the made scene, as "bouncing+slow"; a number or region may follow after ":".
    bench : str or None
        Name of a sound device.
    seed, channel, out_channel : int
    second_channel : int or None
        Of a check that records two at once; the one after `channel` if not given.
    seconds : float
        How long a sound device records.
    level_dbfs : float
        Of the tone, or active level of the speech.
    no_play : bool
        The tone comes from elsewhere.
    tone_hz : float or None
        Played meanwhile; `None` plays nothing.
    speech : path or None
        Played meanwhile in place of a tone.
    """

    recording: str | Path | None = None
    simulated: str | None = None
    bench: str | None = None
    channel: Annotated[
        int,
        Meta(
            ge=1,
            le=64,
            description="Channel that is recorded.",
            extra={"label": "Recorded channel"},
        ),
    ] = 1
    out_channel: Annotated[
        int,
        Meta(ge=1, le=64, description="Channel that is played.", extra={"label": "Played channel"}),
    ] = 1
    seconds: Annotated[
        float,
        Meta(
            ge=LEAST_S,
            le=MOST_S,
            description="How long a sound device records.",
            extra={"label": "Seconds", "unit": "s"},
        ),
    ] = 20.0
    level_dbfs: Annotated[
        float,
        Meta(
            ge=-80,
            le=MOST_TONE_DBFS,
            description="Level of what is played.",
            extra={"label": "Level, dBFS", "unit": "dBFS", "remedy": "; it may reach a receiver"},
        ),
    ] = -30.0
    no_play: Annotated[
        bool,
        Meta(
            description="Play nothing: the tone comes from elsewhere.",
            extra={"label": "Play no tone: it comes from elsewhere"},
        ),
    ] = False
    seed: Annotated[
        int,
        Meta(
            ge=0, description="Which individual of the made scene.", extra={"label": "Individual"}
        ),
    ] = 1
    tone_hz: Annotated[float | None, Meta(ge=200, le=4000, extra={"unit": "Hz"})] = None
    speech: str | Path | None = None
    second_channel: int | None = None

    def __post_init__(self) -> None:
        """Refuse none or several, and what is out of range."""
        named = [one for one in (self.recording, self.simulated, self.bench) if one is not None]
        if len(named) != 1:
            raise InputError(
                "name one source: --recording FILE, --simulated NAME or --bench NAME; "
                f"got {len(named)}"
            )
        check_bounds(self)

    @property
    def plays(self) -> bool:
        """Whether a tone or speech goes out."""
        return self.tone_hz is not None or self.speech is not None


def list_source_fields(kind: CheckKind) -> tuple[Field, ...]:
    """
    What may be asked about the source of a check: of playing only where something is played.

    Parameters
    ----------
    kind : CheckKind

    Returns
    -------
    tuple of Field
        The defaults of `seconds` and `level_dbfs` are the kind's own.
    """
    if kind.measure is None:
        return ()
    played = {"nothing": (), "tone": ("out_channel", "level_dbfs", "no_play")}
    usual = {"seconds": kind.guide.seconds, "level_dbfs": kind.level_dbfs}
    names = {"channel", "seconds", "seed", *played.get(kind.plays, ("out_channel", "level_dbfs"))}
    return tuple(
        replace(field, default=usual.get(field.name, field.default))
        for field in list_fields(Source)
        if field.name in names
    )


def list_headerless(kind: CheckKind) -> tuple[str, ...]:
    """
    Endings of files without header, in a telephone coding, that a check takes.

    Examples
    --------
    >>> from voicecheck.workflow.checks.kinds import get_kind
    >>> list_headerless(get_kind("flex"))
    ('.ul', '.ulaw', '.mulaw', '.al', '.alaw')
    """
    if kind.least_rate_hz > RAW_RATE_HZ:
        return ()
    return tuple(ending for ending, coding in RAW.items() if FAMILIES[coding] in kind.codings)
