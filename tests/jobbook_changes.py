"""What both databases must show of a book's changes."""

import dataclasses
from typing import Any

from jobbook_samples import draw_likely_baseline, make_type

from voicecheck.jobbook import JobBook


def check_changes(where: Any) -> None:
    """Each kind of change moves its own mark and no other, whoever makes it."""
    set_type = make_type()
    with JobBook.open(where) as book, JobBook.open(where) as other:
        empty = book.find_marks()
        other.add_type(set_type)
        typed = book.find_marks()
        assert (typed.types != empty.types, typed.event) == (True, empty.event)
        jobs = [other.open_job(f"set {number}", set_type.name).job for number in range(3)]
        opened = book.find_marks()
        assert book.list_changed_jobs(typed) == tuple(jobs)
        assert opened.types == typed.types
        other.add_note(jobs[1], "seen")
        assert book.list_changed_jobs(opened) == (jobs[1],)
        other.edit_type(dataclasses.replace(set_type, notes="changed in place"))
        edited = book.find_marks()
        assert edited.types != opened.types
        other.save_baseline(draw_likely_baseline(type_name=set_type.name))
        assert book.find_marks().types != edited.types
        other.save_bench_record("setup", "attic", "{}")
        last = book.find_marks()
        assert last.benches != edited.benches
        assert book.list_changed_jobs(last) == ()
        assert book.find_marks() == last
