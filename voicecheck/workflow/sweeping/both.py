"""Transmit and sidetone from the same takes, on a bench with two inputs."""

from __future__ import annotations

from contextlib import suppress

from voicecheck.bench.interface import Bench
from voicecheck.errors import RecordingError
from voicecheck.jobbook import JobBook
from voicecheck.records import Programme, Recording
from voicecheck.records.orders import DEFAULT_SEATS, Stated
from voicecheck.workflow.benches.locks import hold_bench
from voicecheck.workflow.sweeping.run import AfterSeat, BeforeSeat, SweepResult, sweep


class _SharedTakes(Bench):
    """Hands out the transmit half of each take, and the kept sidetone half when asked later."""

    def __init__(self, bench: Bench, book: JobBook) -> None:
        bench.check_both()
        self._bench, self._book = bench, book
        self.kept: dict[int, Recording] = {}

    def play_and_record(
        self, programme: Programme, *, path: str = "transmit", seat: int = 1
    ) -> Recording:
        if path == "sidetone":
            return self.kept[seat]
        transmit, sidetone = self._bench.play_and_record_both(programme, seat=seat)
        # On disk before anything is analysed, as every recording.
        self.kept[seat] = self._book.save_recording(sidetone, programme.recipe)
        return transmit


def sweep_both(
    book: JobBook,
    job: int,
    *,
    stage: str,
    bench: Bench,
    programme: Programme,
    n_seats: int = DEFAULT_SEATS,
    before_seat: BeforeSeat | None = None,
    after_seat: AfterSeat | None = None,
    stated: Stated | None = None,
) -> tuple[SweepResult, SweepResult]:
    """
    Two runs from one row of takes: the mouth talks, line tap and ear both listen.

    Parameters
    ----------
    book, job, stage, bench, programme, n_seats, before_seat, after_seat, stated
        As of `sweep`; the seats are told of on the path "transmit".

    Returns
    -------
    transmit, sidetone : SweepResult

    Raises
    ------
    InputError
        The bench has no two inputs of its own, or as `sweep`.
    RecordingError, BenchError, JobBookError, KeyboardInterrupt
        As `sweep`; the seats that are done are kept, as runs of both paths.
    """
    takes = _SharedTakes(bench, book)

    def sweep_sidetone() -> SweepResult:
        return sweep(
            book,
            job,
            stage=stage,
            path="sidetone",
            bench=takes,
            programme=programme,
            n_seats=len(takes.kept),
            stated=stated,
        )

    with hold_bench(bench, f"sweep of job {job}, transmit and sidetone"):
        try:
            done = sweep(
                book,
                job,
                stage=stage,
                path="transmit",
                bench=takes,
                programme=programme,
                n_seats=n_seats,
                before_seat=before_seat,
                after_seat=after_seat,
                stated=stated,
            )
        except BaseException:
            if takes.kept:
                with suppress(RecordingError):
                    sweep_sidetone()
            raise
    return done, sweep_sidetone()
