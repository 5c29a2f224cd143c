"""The slips that go with a set: taken in, and handed back; HTML and PDF."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, get_args

from voicecheck.records import Job
from voicecheck.records.sets import SET_WORDS, Telephone
from voicecheck.records.terms import check_word
from voicecheck.report import notes
from voicecheck.report.content import PAPERS
from voicecheck.report.printing import TEMPLATE_FOLDER, embed, make_environment, mark_up, print_pdf
from voicecheck.report.sentences import list_done
from voicecheck.words import Words, load_words

SlipKind = Literal["take-in", "hand-back"]
SLIP_KINDS: tuple[str, ...] = get_args(SlipKind)
JOB_FACTS = ("complaint", "used_on", "keep_parts")
MINUTES_AN_HOUR = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class SlipContent:
    """
    Everything that a slip tells.

    Parameters
    ----------
    kind : str
        "take-in" or "hand-back".
    job : Job
    telephone : Telephone or None
        Its set, where it is known.
    letterhead : tuple of str
        Name of the shop and the lines of its address.
    sign : str
        The shop's sign as an address of data; "" without one.
    photograph : bytes
        JPEG; empty without one.
    simulated : bool
        Something of the job was measured on no real telephone.
    now_utc, language, paper : str

    Raises
    ------
    InputError
        An unknown kind or paper.
    """

    kind: str
    job: Job
    telephone: Telephone | None = None
    letterhead: tuple[str, ...] = ()
    sign: str = ""
    photograph: bytes = b""
    simulated: bool = False
    now_utc: str
    language: str = "en"
    paper: str = "A4"

    def __post_init__(self) -> None:
        """Refuse what no slip can be made from."""
        check_word(self.kind, SLIP_KINDS, "slip")
        check_word(self.paper, PAPERS, "paper")


def render_slip(content: SlipContent) -> str:
    """
    A slip as one HTML file that needs nothing else.

    Raises
    ------
    InputError
        An unknown language.
    """
    words = load_words(content.language)
    style = (TEMPLATE_FOLDER / "slip.css").read_text(encoding="utf-8")
    is_back = content.kind == "hand-back"
    html = (
        make_environment()
        .get_template("slip.html.j2")
        .render(
            words=words,
            content=content,
            style=mark_up(f"{style}@page {{ size: {content.paper}; }}\n"),
            photograph=embed(content.photograph, "image/jpeg"),
            facts=_list_facts(content, words),
            told=[
                (words.say("slip", key), text) for key in JOB_FACTS if (text := _read(content, key))
            ],
            done=list_done(content.job, words) if is_back else (),
            hours=_say_hours(content.job, words) if is_back else "",
            hazards=_list_hazards(content.job, words),
            mind=notes.list_cautions("owner", words) if is_back else (),
            mind_english=() if words.is_proofed else notes.list_cautions("owner", load_words()),
        )
    )
    return str(html).encode("utf-8", "replace").decode("utf-8")


def render_slip_pdf(content: SlipContent) -> bytes:
    """
    The same as PDF.

    Raises
    ------
    InputError
        The optional part for PDF is not installed.
    """
    return print_pdf(render_slip(content))


def _read(content: SlipContent, key: str) -> str:
    return str(getattr(content.job, key))


def _list_facts(content: SlipContent, words: Words) -> list[tuple[str, str]]:
    job, telephone = content.job, content.telephone
    facts = [
        ("job", str(job.job)),
        ("set_type", job.type_name),
        *((name, getattr(telephone, name) if telephone else "") for name in SET_WORDS),
        ("owner", job.owner),
        ("contact", job.contact),
        ("came_in", words.date(job.opened_utc) or ""),
        ("promised", words.date(job.promised) or ""),
    ]
    if content.kind == "hand-back":
        facts.append(("went_out", words.date(job.closed_utc or content.now_utc) or ""))
    return [(words.say("slip", key), text) for key, text in facts if text]


def _say_hours(job: Job, words: Words) -> str:
    minutes = sum(one.value or 0.0 for one in job.work if one.kind == "time" and not one.withdrawn)
    if not minutes:
        return ""
    hours, rest = divmod(round(minutes), MINUTES_AN_HOUR)
    return words.say("slip", "time_spent", hours=hours, minutes=f"{rest:02}")


def _list_hazards(job: Job, words: Words) -> list[str]:
    found = [one for one in job.work if one.kind == "hazard" and not one.withdrawn]
    key: Any = {True: "hazard_answered", False: "hazard_open"}
    return [
        words.say("slip", key[bool(one.answer)], what=one.what, answer=one.answer) for one in found
    ]
