"""Which bench a sweep runs on."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from voicecheck.bench.wavfile import WavFileBench, load_programme
from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.programme import make_programme
from voicecheck.records import Conditions, Programme, Recording, SetType
from voicecheck.records.benches import FIRST_RECEIVE_DBM, Device
from voicecheck.workflow.benches.driving import choose_programme
from voicecheck.workflow.benches.store import BenchFile, describe_check_of_now, find_bench

DEFAULT_SEATS = 3
SIMULATED_CONDITIONS = ("feed_ma", "ear", "angle_deg")


class Bench(Protocol):
    """What every bench does: the same for a sound card, files and the simulated one."""

    def play_and_record(
        self, programme: Programme, *, path: str = "transmit", seat: int = 1
    ) -> Recording:
        """Play the programme along a path and hand back what came back."""
        ...


def make_file_bench(files: Sequence[str | Path], set_type: SetType, *, channel: int = 1) -> Bench:
    """Bench of recordings that exist already, one for each seat."""
    conditions = Conditions(bench="file", feed_ma=set_type.feed_ma)
    return WavFileBench(files, channel=channel, conditions=conditions)


def make_simulated_bench(
    handset: str,
    set_type: SetType,
    *,
    seed: int = 1,
    specimen: int = 1,
    stated: Mapping[str, Any] | None = None,
) -> Bench:
    """Bench with a modelled telephone on it, fed as its type wants or as is stated."""
    from voicecheck.bench.simulated import SimulatedBench

    options: dict[str, Any] = {"feed_ma": set_type.feed_ma}
    options |= {
        name: (stated or {})[name] for name in SIMULATED_CONDITIONS if name in (stated or {})
    }
    return SimulatedBench(handset, seed=seed, specimen=specimen, **options)


def make_sound_bench(
    device: str,
    set_type: SetType,
    *,
    output_channel: int = 1,
    input_channel: int = 1,
    progress: Callable[[float, float], None] | None = None,
) -> Bench:
    """Bench on a sound interface, named as the system lists it."""
    from voicecheck.bench.soundcard import SoundCardBench

    if not device.strip():
        raise InputError("bench: need the name of a sound device; `voicecheck devices` lists them")
    return SoundCardBench(
        device,
        output_channel=output_channel,
        input_channel=input_channel,
        conditions=Conditions(feed_ma=set_type.feed_ma),
        progress=progress,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ChosenBench:
    """
    A bench with what to play on it and how often.

    `notes` are worth telling before the first take: what was set lower than wanted, and why
    levels are relative.
    """

    bench: Bench
    programme: Programme
    n_seats: int
    notes: tuple[str, ...] = ()


def make_hardware_bench(
    file: BenchFile,
    set_type: SetType,
    path: str,
    *,
    programme: Programme | None = None,
    level_dbm: float | None = None,
    progress: Callable[[float, float], None] | None = None,
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
    )
    notes = [f"levels are relative: {reason}" for reason in bench.judge(path).reasons]
    notes += describe_check_of_now(file)
    if abs(feed_ma - set_type.feed_ma) > 1.0:
        notes.append(f"the feed is {feed_ma:g} mA, the type's is {set_type.feed_ma:g} mA")
    if programme is None:
        programme, short = choose_programme(bench, path, bench.allowed_dbm)
        notes += short
    return ChosenBench(bench=bench, programme=programme, n_seats=DEFAULT_SEATS, notes=tuple(notes))


def choose_bench(
    set_type: SetType,
    *,
    files: Sequence[str | Path] = (),
    signal: str | Path | None = None,
    simulated: str | None = None,
    seed: int = 1,
    device: str | None = None,
    channels: tuple[int, int] = (1, 1),
    n_seats: int | None = None,
    book: JobBook | None = None,
    path: str = "transmit",
    level_dbm: float | None = None,
    stated: Mapping[str, Any] | None = None,
    progress: Callable[[float, float], None] | None = None,
) -> ChosenBench:
    """
    The bench that the options of a sweep name: files, a simulated handset, or a real one.

    Parameters
    ----------
    set_type : SetType
    files : sequence of path
        Recordings, one for each seat.
    signal : path, optional
        Programme file; needed with files, the default programme otherwise.
    simulated : str, optional
        Handset of the simulated bench.
    seed : int
        Which individual of it.
    device : str, optional
        Name of a bench that was set up in the book, else of a sound device.
    channels : (int, int)
        Played and recorded channel, from 1.
    n_seats : int, optional
        3 when left out; with files, their number.
    book : JobBook, optional
        Where benches are looked for.
    path : str
        What will be measured; a bench that was set up chooses its level by it.
    level_dbm : float, optional
        Nominal level to a receiver, and the most that is allowed; -30 dBm when left out.
    stated : mapping, optional
        Conditions that the simulated bench takes: `feed_ma`, `ear`, `angle_deg`.
    progress : callable, optional
        Told the fraction done and the level while a sound device records.

    Returns
    -------
    ChosenBench

    Raises
    ------
    InputError
        None or more than one bench is named, or files without their programme.
    RecordingError
        The programme file cannot be used.
    """
    if sum((bool(files), simulated is not None, device is not None)) != 1:
        raise InputError(
            "sweep: name one bench: --recording FILE, --simulated HANDSET or --bench NAME"
        )
    if files and signal is None:
        raise InputError("sweep: recordings need the programme they are of: add --signal OUT.wav")
    programme = load_programme(signal) if signal is not None else make_programme()
    if files:
        if n_seats is not None and n_seats != len(files):
            raise InputError(f"seats: {len(files)} recordings given for {n_seats} seats")
        bench = make_file_bench(files, set_type, channel=channels[1])
        return ChosenBench(bench=bench, programme=programme, n_seats=len(files))
    if simulated is not None:
        bench = make_simulated_bench(simulated, set_type, seed=seed, stated=stated)
        return ChosenBench(bench=bench, programme=programme, n_seats=n_seats or DEFAULT_SEATS)
    file = find_bench(book, device or "") if book is not None else None
    if file is not None:
        chosen = make_hardware_bench(
            file,
            set_type,
            path,
            programme=programme if signal is not None else None,
            level_dbm=level_dbm,
            progress=progress,
        )
        return dataclasses.replace(chosen, n_seats=n_seats or DEFAULT_SEATS)
    bench = make_sound_bench(
        device or "",
        set_type,
        output_channel=channels[0],
        input_channel=channels[1],
        progress=progress,
    )
    return ChosenBench(bench=bench, programme=programme, n_seats=n_seats or DEFAULT_SEATS)


def list_sound_devices() -> tuple[Device, ...]:
    """
    Sound devices of this machine.

    Raises
    ------
    BenchError
        There is no PortAudio, or the sound system does not answer.
    """
    from voicecheck.bench.soundcard import list_devices

    return list_devices()


def list_simulated() -> tuple[dict[str, str], dict[str, str]]:
    """Handsets and faults of the simulated bench, each with a line about it."""
    from voicecheck.bench.simulated import list_faults, list_handsets

    return dict(list_handsets()), dict(list_faults())
