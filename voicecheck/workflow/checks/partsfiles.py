"""What the electrical check rests on beside its own take: stimulus, takes of known ends, volts."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from voicecheck.bench.audiofile import load_pair
from voicecheck.bench.calibration.endsteps import find_ends
from voicecheck.bench.partsfile import load_stimulus
from voicecheck.checkout.parts import PARTS
from voicecheck.checkout.parts.options import TAKES, USUAL_OHM, Loaded, PartsOptions
from voicecheck.errors import InputError
from voicecheck.workflow.benches.sitting import is_counting
from voicecheck.workflow.benches.store import BenchFile, find_bench, list_benches
from voicecheck.workflow.checks.take import make_scene

if TYPE_CHECKING:
    from voicecheck.jobbook import JobBook
    from voicecheck.records import Programme, Recording
    from voicecheck.workflow.checks.source import Source

KNOWN_ENDS = {"open": "open", "short": "short", "reference": "known"}
"""Take -> word of the made scene that it is."""
SIMULATED_PERCENT = 0.25
"""What the made bench's resistors are taken to be off by; they are what is stated."""


def load_parts_files(
    options: PartsOptions, source: Source, book: JobBook | None
) -> tuple[PartsOptions, Source]:
    """
    Options of the electrical check with what their files hold, and the inputs of a bench.

    Parameters
    ----------
    options : PartsOptions
    source : Source
        Its `bench` may name a sound device, or a bench of the book.
    book : JobBook or None
        Knows how a bench was calibrated.

    Returns
    -------
    options : PartsOptions
    source : Source
        Of a bench of the book with its own device and channels.

    Raises
    ------
    InputError
        The stimulus or the resistor is missing.
    RecordingError
        A file cannot be used.
    """
    if source.simulated is not None:
        options = _fill_in(options)
        programme = PARTS.make_programme and PARTS.make_programme(options, source.level_dbfs)
        takes = _make_ends(options, source, programme) if programme is not None else {}
        loaded = Loaded(programme=programme, takes=takes)
        return dataclasses.replace(options, loaded=loaded), source
    if options.resistor_ohm is None:
        raise InputError(
            "resistor_ohm: type the value of the resistor (--resistor-ohm); "
            f"{USUAL_OHM[options.part]:g} ohm suits this part"
        )
    file = find_bench_of(source, book)
    if file is not None:
        options, source = _use_bench(file, options, source)
    if options.part == "feed":
        return options, source
    named = ((TAKES[name], getattr(options, name)) for name in TAKES)
    takes = {name: load_pair(path) for name, path in named if path is not None}
    programme = _find_programme(options, source)
    loaded = dataclasses.replace(options.loaded, programme=programme, takes=takes)
    return dataclasses.replace(options, loaded=loaded), source


def _find_programme(options: PartsOptions, source: Source) -> Programme | None:
    if options.signal is not None:
        return load_stimulus(options.signal)
    if source.bench is not None:
        return PARTS.make_programme and PARTS.make_programme(options, source.level_dbfs)
    raise InputError(
        "signal: need the stimulus that was played (--signal OUT.wav), the file that "
        "the signal command wrote with --kind parts"
    )


def find_bench_of(source: Source, book: JobBook | None) -> BenchFile | None:
    """The bench of the book that a source names, by its own name or by its device and input."""
    if book is None or source.bench is None:
        return None
    if (file := find_bench(book, source.bench)) is not None:
        return file
    fitting = (
        one
        for one in list_benches(book)
        if one.setup.device == source.bench and one.setup.line_tap_channel == source.channel
    )
    return next(fitting, None)


def _use_bench(
    file: BenchFile, options: PartsOptions, source: Source
) -> tuple[PartsOptions, Source]:
    """Device, channels and what counts of the calibration."""
    setup = file.setup
    if setup.input_device not in {None, setup.device}:
        raise InputError(
            f"bench {setup.name}: plays and records on two devices; the electrical check needs one"
        )
    source = dataclasses.replace(
        source,
        bench=setup.device,
        channel=setup.line_tap_channel,
        second_channel=setup.ear_channel,
        out_channel=setup.line_drive_channel,
    )
    ends = find_ends(file.results, options.resistor_ohm or 0.0, is_counting)
    if ends is not None and options.reference is None:
        options = dataclasses.replace(
            options,
            reference_ohm=ends.known_ohm,
            reference_percent=ends.known_percent,
            loaded=Loaded(ratios=ends.ratios),
        )
    taps = [one for one in file.results if one.step == "electrical-in" and is_counting(one)]
    if options.full_scale_v is None and taps and taps[-1].value is not None:
        percent = 100.0 * (10.0 ** (taps[-1].uncertainty_db / 20.0) - 1.0)
        options = dataclasses.replace(
            options, full_scale_v=taps[-1].value, full_scale_percent=max(percent, 0.01)
        )
    return options, source


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
