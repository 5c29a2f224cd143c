"""What both databases must show of sets, work, the shop, and owners forgotten."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

from jobbook_samples import draw_run, make_type

from voicecheck.jobbook import JobBook
from voicecheck.records.sets import Work
from voicecheck.records.shop import Shop


def check_sets(where: Any, folder: Path) -> None:
    """A set comes back, is worked on, sent to another book, and its owner is forgotten."""
    with JobBook.open(where) as book:
        book.add_type(make_type())
        first = book.open_job("hall set", "Lakeside 4", owner="Ada Größenova", contact="0123 4567")
        assert first.set is not None
        again = book.open_job("again", "Lakeside 4", of_set=first.set, promised="2031-05-04")
        book.edit_set(first.set, marks="No. 51", colour="Grün")
        assert book.load_set(first.set).jobs == (first.job, again.job)
        assert [one.set for one in book.list_sets(search="grün 51")] == [first.set]
        run = draw_run(1, job=first.job)
        book.save_run(run)
        book.add_note(first.job, "rang Größenova")
        ohms = book.add_work(first.job, Work(kind="ohms", what="receiver", value=63.25))
        hazard = book.add_work(first.job, Work(kind="hazard", what="worn cord"))
        book.answer_hazard(first.job, hazard.number, "replaced")
        book.withdraw_work(first.job, ohms.number, "wrong winding")
        book.correct_note(first.job, 1, "rang Größenova twice")
        book.save_shop(Shop(name="Example Repairs"))
        book.save_shop(Shop(name="Example Repairs", address="Town"))
        photo = folder / "photo.jpg"
        photo.write_bytes(b"face")
        book.attach_file(first.job, photo)
        book.keep_cause(first.job, "F01", "packed")
        assert book.load_shop().letterhead == ("Example Repairs", "Town")
        assert [one.code for one in book.list_answers()] == ["F01"]
        assert sum(opened for opened, _ in book.count_by_month().values()) == 2
        parcel = book.export_job(first.job, folder / "job.zip", with_owner=True)
        book.forget_everywhere(first.job)
        job = book.load_job(first.job)
        assert (job.owner, job.contact, job.attachments) == ("", "", ())
        assert job.notes == ("rang (owner) twice",)
        assert [one.withdrawn for one in job.work] == ["wrong winding", ""]
        assert book.list_runs(job=first.job)[0].same_as(run)
        assert book.count_jobs(search="größenova") == 0
        assert book.verify() == ()
    with JobBook.open(folder / "other") as other:
        other.import_parcel(parcel)
        arrived = other.load_job(1)
        assert (arrived.owner, other.load_set(1).colour) == ("Ada Größenova", "Grün")
        undone = [dataclasses.replace(one, number=0) for one in arrived.work]
        assert undone == [dataclasses.replace(one, number=0) for one in job.work]
        assert other.verify() == ()
