"""Slips out of the job book."""

from __future__ import annotations

from voicecheck.jobbook import JobBook
from voicecheck.records.times import get_now_utc
from voicecheck.report.slips import SlipContent, render_slip, render_slip_pdf
from voicecheck.words import load_words
from voicecheck.workflow.papers.enclosures import find_letterhead, find_photograph
from voicecheck.workflow.papers.lookup import choose_language
from voicecheck.workflow.standing import set_standing


def make_slip(
    book: JobBook,
    job: int,
    kind: str,
    *,
    pdf: bool = False,
    paper: str = "",
    language: str | None = None,
) -> bytes:
    """
    A slip as the bytes of an HTML or PDF file.

    Parameters
    ----------
    book : JobBook
    job : int
    kind : str
        "take-in" or "hand-back".
    pdf : bool
        Needs the extra `pdf`.
    paper : str
        Left out, what the language prints on.
    language : str, optional
        Left out, the job's own.

    Raises
    ------
    InputError
        No such job, kind, paper or language.
    """
    record = book.load_job(job)
    letterhead, sign = find_letterhead(book)
    words = load_words(choose_language(record, language))
    content = SlipContent(
        kind=kind,
        job=record,
        telephone=book.load_set(record.set) if record.set is not None else None,
        letterhead=letterhead,
        sign=sign,
        photograph=find_photograph(book, job),
        simulated=set_standing(book, job).simulated,
        now_utc=get_now_utc(),
        language=words.code,
        paper=paper or words.paper,
    )
    return render_slip_pdf(content) if pdf else render_slip(content).encode()
