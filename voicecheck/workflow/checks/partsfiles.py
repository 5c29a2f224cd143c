"""What the electrical check rests on beside its own take: stimulus, takes of known ends, volts."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from voicecheck.bench.audiofile import load_pair
from voicecheck.bench.partsfile import load_stimulus
from voicecheck.checkout.parts import PARTS
from voicecheck.checkout.parts.options import TAKES, USUAL_OHM, Loaded, PartsOptions
from voicecheck.errors import InputError
from voicecheck.workflow.checks.take import make_scene

if TYPE_CHECKING:
    from voicecheck.jobbook import JobBook
    from voicecheck.records import Programme, Recording
    from voicecheck.workflow.checks.source import Source

KNOWN_ENDS = {"open": "open", "short": "short", "reference": "known"}
"""Take -> word of the made scene that it is."""
SIMULATED_PERCENT = 0.25
"""What the made bench's resistors are taken to be off by; they are what is stated."""


def load_parts_files(options: PartsOptions, source: Source, book: JobBook | None) -> PartsOptions:
    """
    Options of the electrical check with what their files hold.

    Parameters
    ----------
    options : PartsOptions
    source : Source
    book : JobBook or None
        Knows how a bench was calibrated.

    Returns
    -------
    PartsOptions

    Raises
    ------
    InputError
        The stimulus or the resistor is missing.
    RecordingError
        A file cannot be used.
    """
    del book
    if source.simulated is not None:
        options = _fill_in(options)
        programme = PARTS.make_programme and PARTS.make_programme(options, source.level_dbfs)
        takes = _make_ends(options, source, programme) if programme is not None else {}
        return dataclasses.replace(options, loaded=Loaded(programme=programme, takes=takes))
    if options.resistor_ohm is None:
        raise InputError(
            "resistor_ohm: type the value of the resistor (--resistor-ohm); "
            f"{USUAL_OHM[options.part]:g} ohm suits this part"
        )
    named = ((TAKES[name], getattr(options, name)) for name in TAKES)
    takes = {name: load_pair(path) for name, path in named if path is not None}
    if options.part == "feed":
        return options
    if options.signal is not None:
        programme = load_stimulus(options.signal)
    elif source.bench is not None:
        programme = PARTS.make_programme and PARTS.make_programme(options, source.level_dbfs)
    else:
        raise InputError(
            "signal: need the stimulus that was played (--signal OUT.wav), as "
            "`voicecheck signal OUT.wav --kind parts` writes it"
        )
    return dataclasses.replace(options, loaded=Loaded(programme=programme, takes=takes))


def _fill_in(options: PartsOptions) -> PartsOptions:
    """What the made bench has: the resistor that suits, and one of the same value that is known."""
    from voicecheck.bench.simulated.feedscene import FULL_SCALE_V

    ohm = options.resistor_ohm or USUAL_OHM[options.part]
    return dataclasses.replace(
        options,
        resistor_ohm=ohm,
        reference_ohm=options.reference_ohm or ohm,
        resistor_percent=SIMULATED_PERCENT,
        reference_percent=SIMULATED_PERCENT,
        full_scale_v=options.full_scale_v or FULL_SCALE_V,
    )


def _make_ends(options: PartsOptions, source: Source, programme: Programme) -> dict[str, Recording]:
    """The made bench is calibrated at the part's terminals, and holds a receiver's diaphragm."""
    words = dict(KNOWN_ENDS)
    if options.part == "receiver":
        words["damped"] = f"{source.simulated}+damped"
    return {
        name: make_scene(PARTS, word, source.seed, options, programme)
        for name, word in words.items()
    }
