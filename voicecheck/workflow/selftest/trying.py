"""The whole self-test: what is tried, in which order, and which exit code follows."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import get_args

from voicecheck import __version__
from voicecheck.errors import BenchError, InputError, JobBookError, RecordingError, VoicecheckError
from voicecheck.jobbook.engine import FILE_NAME, choose_place
from voicecheck.records.orders import DeviceSource, SimulatedSource
from voicecheck.records.selftest import SelfTest, SelfTestGroup, SelfTestLine
from voicecheck.records.signals import SIMULATED
from voicecheck.records.times import get_now_utc
from voicecheck.workflow.books import Where, open_book
from voicecheck.workflow.selftest.browsers import list_page_tasks
from voicecheck.workflow.selftest.machine import list_machine_tasks, list_system
from voicecheck.workflow.selftest.onbench import LoopBench, LoopTakes, list_bench_tasks
from voicecheck.workflow.selftest.plants import list_plant_tasks
from voicecheck.workflow.selftest.sightwords import say_sight
from voicecheck.workflow.selftest.spoiled import list_spoiled_tasks
from voicecheck.workflow.selftest.standards import list_standard_tasks
from voicecheck.workflow.selftest.tasks import Task, carry_out

N_TAKES = 20
TITLES: dict[SelfTestGroup, str] = {
    "measuring": "Sound of a known answer, measured",
    "spoiled": "Spoiled recordings, noticed",
    "standards": "Tables of standards",
    "program": "The program and its libraries",
    "book": "The job book and its folder",
    "sound": "Sound",
    "page": "The page in a browser",
    "bench": "The bench",
}
"""In the order in which they are tried."""
EXIT_CODES: dict[SelfTestGroup, int] = {
    "measuring": RecordingError.exit_code,
    "spoiled": RecordingError.exit_code,
    "standards": RecordingError.exit_code,
    "sound": BenchError.exit_code,
    "bench": BenchError.exit_code,
    "book": JobBookError.exit_code,
    "program": VoicecheckError.exit_code,
    "page": VoicecheckError.exit_code,
}
"""What cannot be relied on when a line of a group fails; the first that fails decides."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SelfTestOrder:
    """
    What is to be tried.

    Parameters
    ----------
    book : folder, address or None
        Of the job book; not made where it is not there.
    source : DeviceSource, SimulatedSource or None
        The bench, its output led into its input; `None` without one.
    n_takes : int
        On the bench.
    only : collection of str
        Groups, as of `TITLES`; empty for all.

    Raises
    ------
    InputError
        A group that there is not, or too few takes.
    """

    book: Where = None
    source: DeviceSource | SimulatedSource | None = None
    n_takes: int = N_TAKES
    only: Collection[str] = ()

    def __post_init__(self) -> None:
        """Refuse what there is not."""
        unknown = [one for one in self.only if one not in get_args(SelfTestGroup)]
        if unknown:
            raise InputError(f"only: need one of {', '.join(TITLES)}, got {unknown[0]!r:.40}")
        if not 1 <= self.n_takes <= 200:
            raise InputError(f"takes: need 1 to 200, got {self.n_takes}")
        if "bench" in self.only and self.source is None:
            raise InputError("only bench: name the bench with --bench NAME")


Advance = Callable[[], object]
Progress = Callable[[float, float], None]


def _do_nothing() -> None:
    """Nobody watches."""


def run_selftest(
    order: SelfTestOrder, *, advance: Advance = _do_nothing, progress: Progress | None = None
) -> SelfTest:
    """
    Try everything that an order asks for.

    Parameters
    ----------
    order : SelfTestOrder
    advance : callable
        Called after each line and each take of the bench; see `count_steps`.
    progress : callable, optional
        Told the fraction done and the level while a sound device records.

    Returns
    -------
    SelfTest
        What fails is a line of it, not an error.

    Raises
    ------
    InputError
        No such place for a job book.
    """
    began_s, began_processor_s = time.monotonic(), time.process_time()
    loop = _make_loop(order, advance, progress)
    lines = []
    for task in list_tasks(order, loop):
        lines.append(carry_out(task))
        advance()
    sight = loop.sight if loop else None
    has_failed = any(one.outcome == "fails" for one in lines)
    return SelfTest(
        time_utc=get_now_utc(),
        version=__version__,
        overall="fails" if has_failed else "passes",
        lines=tuple(lines),
        system=list_system(),
        bench=_name_bench(order),
        is_simulated=isinstance(order.source, SimulatedSource),
        sight=sight,
        told=say_sight(sight) if sight else (),
        only=tuple(one for one in TITLES if one in order.only),
        seconds=time.monotonic() - began_s,
        processor_s=time.process_time() - began_processor_s,
    )


def list_tasks(order: SelfTestOrder, loop: LoopTakes | None = None) -> tuple[Task, ...]:
    """Everything that an order asks for, in the order of the groups."""
    from voicecheck.workflow.benches.choosing import list_sound_devices

    tasks: Sequence[Task] = (
        *list_plant_tasks(),
        *list_spoiled_tasks(),
        *list_standard_tasks(),
        *list_machine_tasks(_find_folder(order.book), list_sound_devices),
        *list_page_tasks(),
        *(list_bench_tasks(loop) if loop else ()),
    )
    return tuple(one for one in tasks if not order.only or one.group in order.only)


def count_steps(order: SelfTestOrder) -> int:
    """How often `run_selftest` advances."""
    loop = _make_loop(order, _do_nothing, None)
    return len(list_tasks(order, loop)) + (order.n_takes if loop else 0)


def find_exit_code(lines: Sequence[SelfTestLine]) -> int:
    """
    Exit code of the lines: 0 where none fails.

    Otherwise that of the first group, in the order in which they are tried, with a line that fails:
    3 where measuring, noticing or a table does, 5 the job book, 4 sound or bench, and 1 for the
    program's own files and its page.
    """
    failed = {one.group for one in lines if one.outcome == "fails"}
    # 1 says the least of what to do, so that any other code goes before it.
    codes = [EXIT_CODES[group] for group in TITLES if group in failed]
    told = [code for code in codes if code != VoicecheckError.exit_code]
    return (told or codes or [0])[0]


def _find_folder(where: Where) -> Path | None:
    url, folder, _ = choose_place(where)
    return folder if url.get_backend_name() == "sqlite" else None


def _name_bench(order: SelfTestOrder) -> str:
    if order.source is None:
        return ""
    return order.source.name if isinstance(order.source, DeviceSource) else SIMULATED


def _make_loop(
    order: SelfTestOrder, advance: Advance, progress: Progress | None
) -> LoopTakes | None:
    source = order.source
    if source is None or (order.only and "bench" not in order.only):
        return None
    return LoopTakes(
        choose=lambda: choose_loop_bench(source, order.book, progress),
        n_takes=order.n_takes,
        after_take=advance,
    )


def choose_loop_bench(
    source: DeviceSource | SimulatedSource, where: Where, progress: Progress | None = None
) -> LoopBench:
    """
    The bench of a source, with what is played through its loop.

    Parameters
    ----------
    source : DeviceSource or SimulatedSource
        A bench that was set up, a sound device's name, or the made bench.
    where : folder, address or None
        Job book in which benches are looked for, where there is one.
    progress : callable, optional

    Raises
    ------
    JobBookError
        The book cannot be read.
    """
    from voicecheck.programme import make_programme
    from voicecheck.records import SetType
    from voicecheck.workflow.benches.choosing import (
        make_hardware_bench,
        make_simulated_bench,
        make_sound_bench,
    )
    from voicecheck.workflow.benches.store import find_bench

    no_set = SetType(name="loop-back")
    if isinstance(source, SimulatedSource):
        return LoopBench(bench=make_simulated_bench(source, no_set), programme=make_programme())
    folder = _find_folder(where)
    if folder is None or (folder / FILE_NAME).is_file():
        with open_book(where) as book:
            file = find_bench(book, source.name)
        if file is not None:
            chosen = make_hardware_bench(file, no_set, "loop", progress=progress)
            return LoopBench(
                bench=chosen.bench, programme=chosen.programme, history=file.check_results
            )
    bench = make_sound_bench(source, no_set, progress=progress)
    return LoopBench(bench=bench, programme=make_programme())
