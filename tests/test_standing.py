"""Where a set stands: marks, stage and next step, as the book has them."""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, cast

import numpy as np
import pytest
import soundfile
from jobbook_samples import draw_small_run

from voicecheck.charts.captions import say_limits
from voicecheck.cli.show import render_comparison
from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.programme import make_programme
from voicecheck.records import Against, Comparison, Finding, SetType
from voicecheck.records.orders import SimulatedSource, SweepOrder
from voicecheck.records.standing import Mark, Standing
from voicecheck.records.terms import MarkKey, Verdict, words_of
from voicecheck.words import load_words
from voicecheck.workflow.checks.run import list_checks, run_check
from voicecheck.workflow.checks.source import Source
from voicecheck.workflow.papers.comparing import compare
from voicecheck.workflow.papers.lookup import current_runs, tell_passed_over
from voicecheck.workflow.standing import list_standings, set_standing
from voicecheck.workflow.sweeping.run import sweep as take_sweep

if TYPE_CHECKING:
    from voicecheck.bench.interface import Bench


@pytest.fixture
def book(tmp_path: Path) -> Iterator[JobBook]:
    with JobBook.open(tmp_path / "book") as opened:
        opened.add_type(SetType(name="Lakeside 4", region="North America"))
        opened.open_job("hall set", "Lakeside 4")
        yield opened


def find_level(
    verdict: Verdict, *, value: float = -20.0, half: float = 3.7, path: str = "transmit"
) -> Finding:
    return Finding(
        path=path, quantity="mid_db", value=value, unit="dB", uncertainty=0.5,
        low=-9.0 - half, high=-9.0 + half, reference=-9.0, verdict=verdict,
    )  # fmt: skip


def keep(book: JobBook, stage: str, *findings: Finding, kind: str = "baseline") -> None:
    against = Against(kind=kind, name="Lakeside 4", n=8)
    book.save_comparison(
        Comparison(job=1, stage=stage, against=against, findings=findings, overall="within")
    )


def sweep(book: JobBook, stage: str, path: str = "transmit") -> None:
    book.save_run(dataclasses.replace(draw_small_run(1, 1), stage=stage, path=path))


def get_mark(standing: Standing, key: str) -> Mark:
    return next(mark for mark in standing.marks if mark.key == key)


def test_a_new_job_is_as_found_with_nothing_tested(book: JobBook) -> None:
    standing = set_standing(book, 1)
    assert [mark.key for mark in standing.marks] == list(words_of(MarkKey))
    assert {mark.as_found for mark in standing.marks} == {"not tested"}
    assert {mark.now for mark in standing.marks} == {None}
    assert (standing.stage, standing.simulated, standing.days_on_bench) == ("before", False, 0)
    assert 26 in standing.open_steps
    with pytest.raises(InputError, match="job 2"):
        set_standing(book, 2)


def test_what_compare_found_is_said_with_what_is_usual(book: JobBook) -> None:
    sweep(book, "before")
    keep(book, "before", find_level("outside"))
    mark = get_mark(set_standing(book, 1), "talks")
    assert (mark.as_found, mark.now) == ("outside", None)
    assert mark.sentence == "11.0 dB too faint; 3.7 dB either way is usual"


def test_limits_that_say_nothing_are_not_printed(book: JobBook) -> None:
    sweep(book, "before")
    keep(book, "before", find_level("outside", value=-300.0, half=273.0))
    sentence = get_mark(set_standing(book, 1), "talks").sentence
    assert "273" not in sentence
    assert "too few good sets or seats" in sentence


def test_a_change_is_told_as_a_change(book: JobBook) -> None:
    sweep(book, "before")
    keep(book, "before", find_level("outside"))
    book.set_stage(1, "after")
    sweep(book, "after")
    keep(book, "after", find_level("within", value=-8.0))
    keep(book, "after", find_level("outside", value=12.0), kind="before")
    mark = get_mark(set_standing(book, 1), "talks")
    assert (mark.as_found, mark.now) == ("outside", "within")
    assert mark.sentence == (
        "as it should be for its type (8 good sets); 12.0 dB louder than as found"
    )


def test_a_run_newer_than_the_comparison_is_not_judged_by_it(book: JobBook) -> None:
    sweep(book, "before")
    keep(book, "before", find_level("within"))
    assert get_mark(set_standing(book, 1), "talks").as_found == "within"
    time.sleep(0.002)  # the book's times have milliseconds
    sweep(book, "before")
    mark = get_mark(set_standing(book, 1), "talks")
    assert (mark.as_found, "compare again" in mark.sentence) == ("not comparable", True)


def test_noise_has_a_mark_of_its_own_and_says_which_paths_are_missing(book: JobBook) -> None:
    sweep(book, "before")
    noise = Finding(
        path="transmit", quantity="kurtosis", value=14.0, unit="", uncertainty=0.1, low=None,
        high=4.0, verdict="outside",
    )  # fmt: skip
    keep(book, "before", find_level("within"), noise)
    standing = set_standing(book, 1)
    assert get_mark(standing, "talks").as_found == "within"
    crackle = get_mark(standing, "crackle")
    assert (crackle.as_found, crackle.partly) == ("outside", "not swept: receive, sidetone")


def test_checks_have_marks_and_name_what_is_missing(book: JobBook) -> None:
    run_check("dial", Source(simulated="healthy:3708"), book=book, job=1)
    run_check("flex", Source(simulated="healthy"), book=book, job=1)
    standing = set_standing(book, 1)
    dials, cord = get_mark(standing, "dials"), get_mark(standing, "cord")
    assert (dials.as_found, dials.partly) == ("within", "not dialled: 1 2 4 5 6 9")
    assert (cord.as_found, cord.partly) == ("within", "not moved: hook, handset")
    assert dials.simulated
    assert standing.simulated


@pytest.mark.parametrize(
    ("late_s", "state", "told"),
    [(0.2, "outside", "not quiet"), (0.7, "doubtful", "do not follow the movements")],
)
def test_losses_that_follow_no_movement_are_not_held_against_the_cord(
    book: JobBook, tmp_path: Path, late_s: float, state: str, told: str
) -> None:
    """Losses so long after each beat of a second; an answer comes within half of one."""
    time_s = np.arange(10 * 16000) / 16000
    tone = 0.1 * np.sin(2 * np.pi * 1000 * time_s)
    for beat_s in (2.0, 4.0, 6.0, 8.0):
        tone[np.abs(time_s - beat_s - late_s) < 0.01] = 0.0
    noise = 1e-4 * np.random.default_rng(1).standard_normal(len(tone))
    soundfile.write(tmp_path / "flex.wav", tone + noise, 16000, subtype="PCM_24")
    run_check("flex", Source(recording=tmp_path / "flex.wav"), book=book, job=1)
    cord = get_mark(set_standing(book, 1), "cord")
    assert cord.as_found == state
    assert told in cord.sentence


def test_the_next_step_follows_what_is_there(book: JobBook) -> None:
    step = set_standing(book, 1).next_step
    assert (step.key, step.command) == ("line", "voicecheck line 1")
    book.close_job(1)
    step = set_standing(book, 1).next_step
    assert (step.key, step.command) == ("reopen", "voicecheck job reopen 1")


def test_a_list_of_fifty_jobs_is_read_again_only_where_something_happened(
    book: JobBook, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(2, 51):
        book.open_job(f"set {number}", "Lakeside 4")
    jobs = book.list_jobs(limit=50)
    first = list_standings(book, jobs)
    read: list[int] = []
    real = book.read_traces

    def watch(numbers: list[int]) -> object:
        read.extend(numbers)
        return real(numbers)

    monkeypatch.setattr(book, "read_traces", watch)
    assert list_standings(book, jobs) == first
    assert read == []
    book.add_note(7, "bell low")
    list_standings(book, book.list_jobs(limit=50))
    assert set(read) == {7}


def test_stage_changes_only_when_somebody_says_so(book: JobBook) -> None:
    for _ in range(3):
        sweep(book, "before")
        run_check("dial", Source(simulated="healthy:3"), book=book, job=1)
    assert book.load_job(1).stage == "before"
    assert {one.stage for one in list_checks(book, 1)} == {"before"}
    book.set_stage(1, "after")
    run_check("dial", Source(simulated="healthy:3"), book=book, job=1)
    assert list_checks(book, 1)[-1].stage == "after"
    assert [one.text for one in book.list_events(1) if one.kind == "stage"] == ["the work is done"]


def test_moving_and_putting_aside_need_a_reason_and_delete_nothing(book: JobBook) -> None:
    sweep(book, "before")
    keep(book, "before", find_level("within"))
    key = book.read_traces([1])[1].runs[0].key
    with pytest.raises(InputError, match="reason"):
        book.put_aside(1, key, " ")
    time.sleep(0.002)
    book.put_aside(1, key, "the wrong set was on the bench")
    assert book.list_runs(job=1) == ()
    assert len(book.list_runs(job=1, aside=True)) == 1
    assert get_mark(set_standing(book, 1), "talks").as_found == "not tested"
    book.bring_back(1, key, "it was the right one")
    book.move(1, key, "after", "filed at the wrong stage")
    assert [run.stage for run in book.list_runs(job=1)] == ["after"]
    standing = set_standing(book, 1)
    assert get_mark(standing, "talks").as_found == "not tested"
    assert get_mark(standing, "talks").now == "not comparable"
    told = [one.text for one in book.list_events(1) if one.kind in ("moved", "put aside")]
    assert told[-1].endswith("to after: filed at the wrong stage")
    assert book.verify() == ()
    with pytest.raises(InputError, match="no run or check"):
        book.move(1, "run-99", "after", "none")


def test_without_a_stage_a_comparison_is_of_where_the_job_is_said_to_stand(book: JobBook) -> None:
    """A job that nobody spoke of is judged after the work where it was swept so, as scripts do."""
    sweep(book, "before")
    assert compare(book, 1).stage == "before"
    sweep(book, "after")
    assert compare(book, 1).stage == "after"
    book.set_stage(1, "after")
    assert compare(book, 1).stage == "after"
    book.set_stage(1, "before")
    assert compare(book, 1).stage == "before"
    assert compare(book, 1, stage="after").stage == "after"
    for key in [one.key for one in book.read_traces([1])[1].runs if one.stage == "before"]:
        book.put_aside(1, key, "the jig had slipped")
    assert compare(book, 1).stage == "after"


def test_what_was_put_aside_travels_in_a_parcel(book: JobBook, tmp_path: Path) -> None:
    sweep(book, "before")
    sweep(book, "before", "receive")
    run_check("dial", Source(simulated="healthy:3"), book=book, job=1)
    book.set_stage(1, "after")
    keys = [one.key for one in book.read_traces([1])[1].runs]
    book.put_aside(1, keys[0], "noisy")
    book.export_job(1, tmp_path / "one.zip")
    with JobBook.open(tmp_path / "other") as other:
        other.import_parcel(tmp_path / "one.zip")
        assert other.load_job(1).stage == "after"
        assert [run.path for run in other.list_runs(job=1)] == ["receive"]
        assert [one.aside for one in other.read_traces([1])[1].runs] == ["noisy", ""]
        assert [one.outcome for one in other.import_parcel(tmp_path / "one.zip")] == ["same"] * 2


def test_a_removed_job_is_out_of_sight_and_comes_back(book: JobBook) -> None:
    sweep(book, "reference")
    book.remove_job(1)
    assert book.list_jobs() == ()
    assert book.list_runs(type_name="Lakeside 4") == ()
    with pytest.raises(InputError, match="job restore 1"):
        book.load_job(1)
    book.restore_job(1)
    assert len(book.list_runs(type_name="Lakeside 4")) == 1


def test_only_emptying_the_bin_deletes_and_what_others_have_stays(
    book: JobBook, tmp_path: Path
) -> None:
    shared, own = tmp_path / "shared.txt", tmp_path / "own.txt"
    shared.write_text("both", encoding="utf-8")
    own.write_text("one", encoding="utf-8")
    book.open_job("second", "Lakeside 4")
    sweep(book, "before")
    run_check("dial", Source(simulated="healthy:3"), book=book, job=1)
    for number, file in ((1, shared), (1, own), (2, shared)):
        book.attach_file(number, file)
    gone = {one.name: one.sha256 for one in book.load_job(1).attachments}
    assert book.empty_bin() == ()
    book.remove_job(1)
    with pytest.raises(InputError, match=r"jobs have it \(1, 2\)"):
        book.remove_type("Lakeside 4")
    assert book.empty_bin() == (1,)
    assert book.count_runs() == book.count_measurements() == 0
    assert [job.job for job in book.list_jobs()] == [2]
    assert book.locate_attachment(gone["shared.txt"]).is_file()
    with pytest.raises(InputError, match="not in the book"):
        book.locate_attachment(gone["own.txt"])
    assert book.verify() == ()
    assert book.open_job("third", "Lakeside 4").job == 3


@pytest.mark.parametrize("typed", ["befor", "Before", "beofre", "beforee", "aftr", "referense"])
def test_a_stage_one_letter_away_is_refused(typed: str) -> None:
    with pytest.raises(InputError, match="one letter away"):
        SweepOrder(job=1, stage=typed, path="transmit", source=SimulatedSource(handset="carbon"))


@pytest.mark.parametrize("label", ["electret", "reference coil", "after tea", "be4"])
def test_any_other_label_is_a_stage(label: str) -> None:
    source = SimulatedSource(handset="carbon")
    assert SweepOrder(job=1, stage=label, path="transmit", source=source).stage == label


def test_a_closed_job_takes_nothing_and_says_what_opens_it(book: JobBook) -> None:
    book.close_job(1)
    with pytest.raises(InputError, match="job reopen 1"):
        book.add_note(1, "too late")
    with pytest.raises(InputError, match="job reopen 1"):
        run_check("dial", Source(simulated="healthy:3"), book=book, job=1)
    bench = cast("Bench", None)  # refused before anything is asked of it
    with pytest.raises(InputError, match="job reopen 1"):
        take_sweep(
            book, 1, stage="before", path="transmit", bench=bench, programme=make_programme()
        )
    book.reopen_job(1)
    book.add_note(1, "in time")


def test_a_later_run_of_one_seat_does_not_take_the_place_of_a_better_one(book: JobBook) -> None:
    one = draw_small_run(1, 1)
    three = dataclasses.replace(one, recordings=one.recordings[:1] * 3)
    for run in (three, dataclasses.replace(one, recordings=one.recordings[:1])):
        book.save_run(run)
    used = current_runs(book, 1, "before")["transmit"]
    assert len(used.recordings) == 3
    (told,) = tell_passed_over(book, 1, "before")
    assert "the run of 3 seats is used, not the later one of one seat" in told
    assert "job aside 1 run-1" in told
    assert told in compare(book, 1).notes
    book.put_aside(1, "run-1", "the handset was not seated")
    assert len(current_runs(book, 1, "before")["transmit"].recordings) == 1
    assert tell_passed_over(book, 1, "before") == ()


def test_a_later_run_of_as_many_seats_does(book: JobBook) -> None:
    sweep(book, "before")
    sweep(book, "before")
    assert tell_passed_over(book, 1, "before") == ()


def test_an_interval_that_says_nothing_is_not_printed() -> None:
    words = load_words()
    wide = dataclasses.replace(find_level("doubtful", half=273.0), uncertainty=273.0)
    assert "273" not in say_limits(wide, words)
    assert say_limits(find_level("within"), words) == "\u221212.7 to \u22125.3"
    comparison = Comparison(
        job=1, stage="before", against=Against(kind="baseline", name="x", n=2), findings=(wide,),
        overall="doubtful",
    )  # fmt: skip
    assert "273" not in render_comparison(comparison).splitlines()[1]
