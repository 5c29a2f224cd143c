"""Which bench a sweep runs on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from voicecheck.bench.interface import Bench
from voicecheck.bench.wavfile import WavFileBench, load_programme
from voicecheck.errors import BenchError
from voicecheck.jobbook import JobBook
from voicecheck.programme import make_programme
from voicecheck.records import BenchSetup, Conditions, Programme, SetType
from voicecheck.records.benches import FIRST_RECEIVE_DBM, Device
from voicecheck.records.orders import (
    DeviceSource,
    FileSource,
    SimulatedSource,
    Stated,
    SweepOrder,
)
from voicecheck.workflow.benches.driving import choose_programme
from voicecheck.workflow.benches.store import BenchFile, describe_check_of_now, find_bench

SIMULATED_CONDITIONS = ("feed_ma", "ear", "angle_deg")
Progress = Callable[[float, float], None]


def make_simulated_bench(
    source: SimulatedSource, set_type: SetType, stated: Stated | None = None
) -> Bench:
    """Bench with a modelled telephone on it, fed as its type wants or as is stated."""
    from voicecheck.bench.simulated import SimulatedBench

    given = (stated or Stated()).list_given()
    options = {name: given[name] for name in SIMULATED_CONDITIONS if name in given}
    return SimulatedBench(
        source.handset,
        seed=source.seed,
        specimen=source.specimen,
        **{"feed_ma": set_type.feed_ma, **options},
    )


def make_sound_bench(
    source: DeviceSource, set_type: SetType, *, progress: Progress | None = None
) -> Bench:
    """Bench on a sound interface, named as the system lists it."""
    from voicecheck.bench.soundcard import SoundCardBench

    return SoundCardBench(
        source.name,
        output_channel=source.out_channel,
        input_channel=source.channel,
        conditions=Conditions(feed_ma=set_type.feed_ma),
        progress=progress,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ChosenBench:
    """
    A bench with what to play on it.

    `setup` is that of a bench in the book. `notes` are worth telling before the first take: what
    was set lower than wanted, and why levels are relative.
    """

    bench: Bench
    programme: Programme
    setup: BenchSetup | None = None
    notes: tuple[str, ...] = ()


def make_hardware_bench(
    file: BenchFile,
    set_type: SetType,
    path: str,
    *,
    programme: Programme | None = None,
    level_dbm: float | None = None,
    progress: Progress | None = None,
) -> ChosenBench:
    """
    A bench that was set up, with the programme at the level that suits a path.

    Parameters
    ----------
    file : BenchFile
    set_type : SetType
        Its feed current is stated where the set-up has none.
    path : str
    programme : Programme, optional
        Played as it is; made to suit the path when left out.
    level_dbm : float, optional
        To a receiver, and the most that is allowed.
    progress : callable, optional

    Returns
    -------
    ChosenBench

    Raises
    ------
    InputError
        There is no such path.
    """
    from voicecheck.bench.hardware import HardwareBench

    feed_ma = set_type.feed_ma if file.setup.feed_ma is None else file.setup.feed_ma
    bench = HardwareBench(
        file.setup,
        file.results,
        conditions=Conditions(feed_ma=feed_ma),
        allowed_dbm=FIRST_RECEIVE_DBM if level_dbm is None else level_dbm,
        progress=progress,
        checks=file.check_results,
    )
    notes = [
        f"levels can be compared on this bench only: {reason}"
        for reason in bench.judge(path).reasons
    ]
    notes += describe_check_of_now(file)
    if abs(feed_ma - set_type.feed_ma) > 1.0:
        notes.append(f"the feed is {feed_ma:g} mA, the type's is {set_type.feed_ma:g} mA")
    if programme is None:
        programme, short = choose_programme(bench, path, bench.allowed_dbm)
        notes += short
    return ChosenBench(bench=bench, programme=programme, setup=file.setup, notes=tuple(notes))


def choose_bench(
    order: SweepOrder,
    set_type: SetType,
    *,
    book: JobBook | None = None,
    progress: Progress | None = None,
) -> ChosenBench:
    """
    The bench that an order names: files, a simulated handset, or a real one.

    Parameters
    ----------
    order : SweepOrder
        A bench that was set up chooses its level by the order's path.
    set_type : SetType
    book : JobBook, optional
        Where benches are looked for.
    progress : callable, optional
        Told the fraction done and the level while a sound device records.

    Returns
    -------
    ChosenBench

    Raises
    ------
    RecordingError
        The programme file cannot be used.
    JobBookError
        What the book holds about the bench cannot be read.
    """
    source = order.source
    programme = load_programme(order.signal) if order.signal is not None else None
    if isinstance(source, DeviceSource):
        file = find_bench(book, source.name) if book is not None else None
        if file is not None:
            return make_hardware_bench(
                file,
                set_type,
                order.first_path,
                programme=programme,
                level_dbm=order.level_dbm,
                progress=progress,
            )
        bench = make_sound_bench(source, set_type, progress=progress)
    elif isinstance(source, FileSource):
        about = Conditions(bench="file", feed_ma=set_type.feed_ma)
        bench = WavFileBench(source.files, channel=source.channel, conditions=about)
    else:
        bench = make_simulated_bench(source, set_type, order.stated)
    return ChosenBench(bench=bench, programme=programme or make_programme())


def list_sound_devices() -> tuple[Device, ...]:
    """
    Sound devices of this machine.

    Raises
    ------
    BenchError
        There is no PortAudio, or the sound system does not answer.
    """
    from voicecheck.bench.soundcard import SoundCardBench

    return SoundCardBench.list_devices()


def find_present(name: str) -> Device:
    """
    A sound device that is there now, by a part of its name.

    Raises
    ------
    BenchError
        It is not plugged in, or the sound system does not answer.
    """
    devices = list_sound_devices()
    fits = [one for one in devices if name.casefold() in one.name.casefold()]
    exact = [one for one in fits if one.name == name]
    if not fits:
        there = ", ".join(dict.fromkeys(one.name for one in devices)) or "none"
        raise BenchError(
            f"{name}: not plugged in now (there: {there}); plug it in and begin again, nothing was "
            "recorded"
        )
    return (exact or fits)[0]


def check_present(*names: str | None) -> None:
    """
    Refuse to begin on sound devices that are not there, before anybody is asked to do anything.

    Parameters
    ----------
    *names : str or None
        Of devices, or parts of their names; `None` and "" are the system's own choice.

    Raises
    ------
    BenchError
        One of them is not plugged in, or the sound system does not answer.
    """
    for name in dict.fromkeys(names):
        if name:
            find_present(name)


def list_simulated() -> tuple[dict[str, str], dict[str, str]]:
    """Handsets and faults of the simulated bench, each with a line about it."""
    from voicecheck.bench.simulated import list_faults, list_handsets

    return dict(list_handsets()), dict(list_faults())
