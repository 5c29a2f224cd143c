"""An order carried out: the bench chosen, each seat guided, recorded, kept."""

from __future__ import annotations

import dataclasses

from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.records import SetType
from voicecheck.records.orders import FileSource, Stated, SweepOrder
from voicecheck.workflow.benches.choosing import ChosenBench, choose_bench
from voicecheck.workflow.books import check_open
from voicecheck.workflow.sweeping.both import sweep_both
from voicecheck.workflow.sweeping.run import SweepResult, sweep
from voicecheck.workflow.sweeping.seats import Attendant, SeatGuide, needs_conditioning


def carry_out(book: JobBook, order: SweepOrder, attendant: Attendant) -> tuple[SweepResult, ...]:
    """
    Do a sweep as it was ordered.

    Parameters
    ----------
    book : JobBook
    order : SweepOrder
    attendant : Attendant
        Who is asked and told.

    Returns
    -------
    tuple of SweepResult
        One; of the path "both" transmit and sidetone, of "all" these and receive, as far as they
        were not stopped.

    Raises
    ------
    InputError, RecordingError, BenchError, JobBookError, KeyboardInterrupt
        As `sweep`.
    """
    job = book.load_job(order.job)
    check_open(job)
    set_type = book.load_type(job.type_name)
    if order.path == "all":
        return _carry_out_all(book, order, set_type, attendant)
    ready = choose_bench(order, set_type, book=book, progress=attendant.follow)
    for note in ready.notes:
        attendant.note(note)
    attendant.prepare(ready.programme, order.first_path)
    guide = _make_guide(order, set_type, ready, attendant)
    stated = _state(order, set_type, attendant)
    if order.path == "both":
        return sweep_both(
            book,
            order.job,
            stage=order.stage,
            bench=ready.bench,
            programme=ready.programme,
            n_seats=order.seats,
            before_seat=guide.before_seat,
            after_seat=guide.after_seat,
            stated=stated,
        )
    result = sweep(
        book,
        order.job,
        stage=order.stage,
        path=order.path,
        bench=ready.bench,
        programme=ready.programme,
        n_seats=order.seats,
        before_seat=guide.before_seat,
        after_seat=guide.after_seat,
        stated=stated,
        take=order.source.take if isinstance(order.source, FileSource) else None,
    )
    return (result,)


def _state(order: SweepOrder, set_type: SetType, attendant: Attendant) -> Stated:
    """What was stated, with the conditioning that each seat asks for."""
    is_turned_over = attendant.is_asked and needs_conditioning(order.path, set_type.transmitter)
    if is_turned_over and order.stated.conditioned is None:
        # Each take begins when somebody says that the handset was turned over.
        return dataclasses.replace(order.stated, conditioned=True)
    return order.stated


def _carry_out_all(
    book: JobBook, order: SweepOrder, set_type: SetType, attendant: Attendant
) -> tuple[SweepResult, ...]:
    """One pass of the bench after the other; a stop ends them all, and keeps what is done."""
    results: list[SweepResult] = []
    for one in _split(book, order, set_type):
        try:
            results += carry_out(book, one, attendant)
        except KeyboardInterrupt:
            if not results:
                raise
            # Nothing of this pass was done, and the ones before it stand.
            results[-1] = dataclasses.replace(results[-1], was_stopped=True)
        if results[-1].was_stopped:
            break
    return tuple(results)


def _split(book: JobBook, order: SweepOrder, set_type: SetType) -> tuple[SweepOrder, ...]:
    """The passes of "all": transmit and sidetone at once where the bench can, then receive."""
    talking = order.replace(level_dbm=None, path="both")
    try:
        choose_bench(talking, set_type, book=book).bench.check_both()
        talks = [talking]
    except InputError:
        talks = [talking.replace(path="transmit"), talking.replace(path="sidetone")]
    return (*talks, order.replace(path="receive"))


def _make_guide(
    order: SweepOrder, set_type: SetType, ready: ChosenBench, attendant: Attendant
) -> SeatGuide:
    """Its feed is the one stated for the run, else the bench's, else the type's."""
    setup = ready.setup
    feeds_ma = (order.stated.feed_ma, setup.feed_ma if setup else None, set_type.feed_ma)
    return SeatGuide(
        order,
        set_type.transmitter,
        feed_ma=next(feed_ma for feed_ma in feeds_ma if feed_ma is not None),
        attendant=attendant,
        setup=setup,
    )
