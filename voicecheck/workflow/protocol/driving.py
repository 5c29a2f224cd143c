"""What a part is played on, and how loud: a real bench, or the made one as the part needs it."""

from __future__ import annotations

import dataclasses

from voicecheck.bench.hardware import HardwareBench
from voicecheck.bench.interface import Bench
from voicecheck.jobbook import JobBook
from voicecheck.programme import make_programme
from voicecheck.records import Programme
from voicecheck.records.orders import DeviceSource, SimulatedSource
from voicecheck.verdicts.protocol import StepKind, find_step, list_parts
from voicecheck.verdicts.protocol.steps import find_person, list_evenings
from voicecheck.workflow.benches.driving import HEADROOM_DB
from voicecheck.workflow.benches.store import find_bench
from voicecheck.workflow.checks.source import Source

MADE_DIAL = "healthy:0"


def set_level(bench: HardwareBench, programme: Programme, kind: StepKind) -> Programme:
    """The programme at the level that a step wants, within the output's cap; else as it is."""
    wanted = None if kind.level_dbm is None else bench.find_level_dbfs(kind.path, kind.level_dbm)
    if wanted is None:
        return programme
    recipe = programme.recipe
    most_dbfs = recipe.cap_dbfs - HEADROOM_DB
    return make_programme(dataclasses.replace(recipe, level_dbfs=min(wanted, most_dbfs)))


def make_made_bench(source: SimulatedSource, part: str, feed_ma: float) -> Bench:
    """
    The simulated bench as it is for one part.

    Parameters
    ----------
    source : SimulatedSource
    part : str
    feed_ma : float
    """
    from voicecheck.bench.simulated.proving import ProvingBench

    step = find_step(part)
    on_second = part in list_evenings()[1]
    return ProvingBench(
        source.handset,
        seed=source.seed,
        place=list_parts().index(part),
        day=2 if on_second else 1,
        person=find_person(part) or ("A" if step == "round" else ""),
        feed_ma=feed_ma,
        is_bent=step == "diodes",
    )


def choose_check_source(book: JobBook, source: SimulatedSource | DeviceSource) -> Source:
    """Where a check listens: at the line tap of a bench that was set up, else as it is named."""
    if isinstance(source, SimulatedSource):
        return Source(simulated=MADE_DIAL, seed=source.seed)
    file = find_bench(book, source.name)
    if file is None:
        return Source(bench=source.name, channel=source.channel, out_channel=source.out_channel)
    setup = file.setup
    return Source(
        bench=setup.input_device or setup.device,
        channel=setup.line_tap_channel,
        out_channel=setup.line_drive_channel,
    )
