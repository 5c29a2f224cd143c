"""A comparison as somebody at a bench wants it: well or not, what was wrong, what comes next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from voicecheck.charts import is_held_against_limits
from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.records import Comparison, Hint
from voicecheck.records.quantities import says_nothing
from voicecheck.records.standing import Mark, Standing
from voicecheck.records.terms import MarkKey
from voicecheck.records.verdicts import TELLING, find_gravest, rank_verdict
from voicecheck.report.sentences import SMALLEST_OF, tell_differences
from voicecheck.words import Words, load_words
from voicecheck.workflow.papers.comparing import hold
from voicecheck.workflow.papers.lookup import choose_current
from voicecheck.workflow.separating import find_command
from voicecheck.workflow.standing import set_standing
from voicecheck.workflow.strip import CHECKS, PATHS, choose_findings, judge_part
from voicecheck.workflow.told import Told, ToldPart, say_stage_name, write_sentence

SWEPT: tuple[MarkKey, ...] = (*PATHS, "crackle")
"""Parts of a set that a sweep speaks of."""
MOST_PHRASES = 2
OTHER = "other"
LIKELY = 0.2
"""A second cause at least so probable is told beside the first."""
NO_ENDS: Mapping[str, Comparison | None] = MappingProxyType({})
WIDE_KIND = "stand-in"
"""Limits that any set keeps to, where no good set of the type is known."""


def tell(book: JobBook, comparison: Comparison, language: str = "en") -> Told:
    """
    A comparison of a job in a few lines.

    Parameters
    ----------
    book : JobBook
        What else is known of the job is read from it; nothing is kept.
    comparison : Comparison
    language : str

    Returns
    -------
    Told

    Raises
    ------
    InputError
        No such job or language.
    """
    words = load_words(language)
    job = comparison.job or 0
    standing = set_standing(book, job, language)
    seats = _say_seats(book, job, comparison.stage, words)
    if is_held_against_limits(comparison):
        headline, parts = _judge(comparison, words)
        lead: tuple[str, ...] = ()
        lines = (
            *_say_since(comparison, words),
            *_say_likely(comparison, words),
            _say_sure(comparison, seats, words),
        )
    else:
        ends = _hold_ends(book, comparison)
        headline, parts = tell_change(comparison, words, ends)
        lead = _say_ends(ends, words)
        lines = (_say_sure_change(comparison, seats, words),)
    notes = (write_sentence(note) for note in dict.fromkeys(comparison.notes))
    return Told(
        simulated=words.say("chart", "simulated") if comparison.simulated else "",
        headline=headline,
        lead=lead,
        parts=parts,
        lines=(*lines, _say_others(standing, words), *notes),
        next_step=standing.next_step,
    )


def _say_others(standing: Standing, words: Words) -> str:
    """What a sweep says nothing of."""
    told = (
        f"{words.say('mark', mark.key)} {words.say('verdict', mark.state)}"
        for mark in standing.marks
        if mark.key in CHECKS
    )
    return words.say("told", "others", parts=", ".join(told))


def tell_standing(book: JobBook, job: int, language: str = "en") -> Told:
    """
    Where the set of a job stands, part by part.

    Parameters
    ----------
    book : JobBook
    job : int
    language : str

    Returns
    -------
    Told

    Raises
    ------
    InputError
        No such job or language.
    """
    words, standing = load_words(language), set_standing(book, job, language)
    parts = tuple(
        ToldPart(
            name=words.say("mark", mark.key),
            sentence=mark.sentence + (f"; {mark.partly}" if mark.partly else ""),
            state=_say_states(mark, words),
        )
        for mark in standing.marks
    )
    return Told(
        simulated=words.say("chart", "simulated") if standing.simulated else "",
        headline=words.say(
            "told",
            "stands",
            stage=say_stage_name(standing.stage, words),
            days=standing.days_on_bench,
            steps=len(standing.open_steps),
        ),
        parts=parts,
        next_step=standing.next_step,
    )


def _say_states(mark: Mark, words: Words) -> str:
    """As found, and now where that is another state."""
    found, now = words.say("verdict", mark.as_found), words.say("verdict", mark.now or "")
    return f"{found} -> {now}" if mark.now and mark.now != mark.as_found else found


def _judge(comparison: Comparison, words: Words) -> tuple[str, tuple[ToldPart, ...]]:
    """Headline and parts of what is held against limits."""
    found = {key: judge_part(key, comparison, words) for key in SWEPT}
    parts = tuple(
        ToldPart(
            name=words.say("mark", key),
            sentence=judged[1] if judged else words.say("told", "not_swept"),
            state=words.say("verdict", judged[0] if judged else "not tested"),
        )
        for key, judged in found.items()
    )
    states = (judged[0] for judged in found.values() if judged)
    state = min(states, key=rank_verdict, default="not comparable")
    wanted = [key for key, judged in found.items() if judged and judged[0] == state]
    side = "does" if state == "within" else "do"
    is_wide = state == "within" and comparison.against.kind == WIDE_KIND
    headline = words.say(
        "told",
        f"headline_{state}" + ("_wide" if is_wide else ""),
        verdict=words.say("verdict", state),
        stage=say_stage_name(comparison.stage, words),
        does=_list([words.say("told", f"{side}_{key}") for key in wanted], state, words),
        type=_say_type(comparison, words),
        against=_say_against(comparison, words),
    )
    return headline, parts


def _list(names: Sequence[str], state: str, words: Words) -> str:
    """Names in a row, "and" or "or" before the last."""
    if len(names) < 2:
        return "".join(names)
    joint = words.say("told", "and" if state == "within" else "or")
    return f"{', '.join(names[:-1])} {joint} {names[-1]}"


def _say_type(comparison: Comparison, words: Words) -> str:
    kind = comparison.against.kind
    name = comparison.against.name
    return words.say("told", "any" if kind == WIDE_KIND else kind, name=name)


def _say_against(comparison: Comparison, words: Words) -> str:
    against = comparison.against
    return words.say("told", f"against_{against.kind}", n=against.n or 0, name=against.name)


def tell_change(
    comparison: Comparison, words: Words, ends: Mapping[str, Comparison | None] = NO_ENDS
) -> tuple[str, tuple[ToldPart, ...]]:
    """
    Headline and parts of what is held against another stage.

    Parameters
    ----------
    comparison : Comparison
    words : Words
    ends : mapping of str to Comparison or None
        The stage itself, then the other, each held against the type, where that is known.
    """
    against = comparison.against
    parts, changed = [], {}
    for key in SWEPT:
        findings = choose_findings(key, comparison.findings)
        phrases = tell_differences(findings, against, words, is_sure_said=False)
        state = find_gravest(one.verdict for one in findings) if phrases else "not comparable"
        if len(phrases) > MOST_PHRASES:
            more = words.say("told", "more", n=len(phrases) - MOST_PHRASES)
            phrases = [*phrases[:MOST_PHRASES], more]
        reason = next((one.reason for one in findings if one.reason), "")
        missing = words.say("told", "not_compared", reason=reason or words.say("told", "one_side"))
        part = ToldPart(
            name=words.say("mark", key),
            sentence="; ".join(phrases) or missing,
            state=words.say("told", f"change_{state}"),
        )
        moved = _say_moved(key, ends, words) if state == "within" else ""
        if moved:
            part = ToldPart(
                name=part.name, sentence=moved, state=words.say("told", "change_unproven")
            )
        parts.append(part)
        if phrases:
            changed[key] = state
    gravest = find_gravest(changed.values())
    names = [words.say("mark", key) for key, state in changed.items() if state == gravest]
    headline = words.say(
        "told",
        f"changed_{gravest}",
        names=", ".join(names),
        stage=say_stage_name(comparison.stage, words),
        other=say_stage_name(against.name, words),
    )
    return headline, tuple(parts)


def _say_since(comparison: Comparison, words: Words) -> tuple[str, ...]:
    """What changed since the set came in, where that was held beside limits that say little."""
    said = []
    for beside in comparison.beside:
        if beside.against.kind == "before":
            headline, parts = tell_change(beside, words)
            changed = words.say("told", "change_outside")
            told = [f"{one.name}: {one.sentence}" for one in parts if one.state == changed]
            said.append(" ".join((headline, *map(write_sentence, told))))
    return tuple(said)


def _say_moved(key: MarkKey, ends: Mapping[str, Comparison | None], words: Words) -> str:
    """That a part is another to its type than it was, though no change is proven by itself."""
    parts = [judge_part(key, held, words) for held in ends.values() if held is not None]
    states = [part[0] for part in parts if part is not None]
    if len(states) < 2 or states[0] == states[1]:
        return ""
    now, was = states
    said = {name: words.say("verdict", state) for name, state in (("now", now), ("was", was))}
    return words.say("told", "moved", **said)


def _hold_ends(book: JobBook, comparison: Comparison) -> dict[str, Comparison | None]:
    """
    The stage itself held against its type, then the set as found where that is the other end.

    `None` stands for a stage that cannot be held against anything.
    """
    stages = [comparison.stage]
    if comparison.against.kind == "before":
        stages.append(comparison.against.name)
    ends: dict[str, Comparison | None] = {}
    for stage in stages:
        try:
            ends[stage] = hold(book, comparison.job or 0, stage=stage)
        except InputError:
            ends[stage] = None
    return ends


def _say_ends(ends: Mapping[str, Comparison | None], words: Words) -> tuple[str, ...]:
    """How the set stands to its type now, and as it was found."""
    keys = ("now", "was")
    return tuple(
        _say_end(stage, held, key, words)
        for key, (stage, held) in zip(keys, ends.items(), strict=False)
    )


def _say_end(stage: str, held: Comparison | None, key: str, words: Words) -> str:
    if held is None:
        return words.say("told", "no_verdict", stage=say_stage_name(stage, words))
    headline, parts = _judge(held, words)
    state = words.say("verdict", held.overall)
    wrong = [write_sentence(f"{one.name}: {one.sentence}") for one in parts if one.state == state]
    if held.overall not in TELLING or not wrong:
        return words.say("told", f"{key}_well", headline=headline[:1].lower() + headline[1:])
    return words.say(
        "told",
        key,
        verdict=state,
        stage=say_stage_name(stage, words),
        against=_say_against(held, words),
        wrong=" ".join(wrong),
    )


def _say_likely(comparison: Comparison, words: Words) -> tuple[str, ...]:
    """The likely causes, each with its test."""
    if not comparison.hints:
        return ()
    first, *rest = comparison.hints
    if first.code == OTHER:
        return (words.say("told", "no_cause"),)
    left = _say_left(comparison, words)
    if not _is_likely(first):
        return _say_hint(first, "unlikely", comparison, words) + left
    said = _say_hint(first, "likely", comparison, words) + left
    # A book from before there was "other" may have one cause alone.
    if not rest or not _is_likely(rest[0]):
        return said
    return said + _say_hint(rest[0], "or", comparison, words)


def _say_left(comparison: Comparison, words: Words) -> tuple[str, ...]:
    """What the first cause does not explain, and what may be wrong besides."""
    left = comparison.hints[0].unexplained
    if not left:
        return ()
    said = [words.say("told", "unexplained", what=words.unexplained(left))]
    for hint in comparison.hints:
        if hint.beside:
            said += _say_hint(hint, "beside", comparison, words)
    return tuple(said)


def _is_likely(hint: Hint) -> bool:
    is_named = hint.code != OTHER and not hint.beside
    return is_named and (hint.probability or 0.0) >= LIKELY


def _say_hint(hint: Hint, key: str, comparison: Comparison, words: Words) -> tuple[str, ...]:
    """A cause with its test, and the command that does the test."""
    test = words.say_own("hint_next", hint.code, hint.separate_by)
    said = words.say(
        "told",
        f"{key}_cause",
        cause=words.say_own("hint_cause", hint.code, hint.cause).replace("; ", ", "),
        chance=words.chance(hint.probability, hint.confidence),
        test=write_sentence(test),
    )
    command = find_command(hint.next_test, comparison.job)
    return (said, words.say("told", "test_by", command=command)) if command else (said,)


def _say_seats(book: JobBook, job: int, stage: str, words: Words) -> str:
    """Seats of what was swept at a stage, path by path."""
    runs = [run for run in book.read_traces([job])[job].runs if not run.aside]
    used = choose_current(runs, lambda run: run.n_seats)
    swept = set(PATHS.values())
    counts = {run.n_seats for (path, at), run in used.items() if at == stage and path in swept}
    if not counts:
        return words.say("told", "no_seat")
    n = str(min(counts)) if len(counts) == 1 else f"{min(counts)}-{max(counts)}"
    return words.say("told", "seat_one" if n == "1" else "seats", n=n)


def _say_sure(comparison: Comparison, seats: str, words: Words) -> str:
    key = f"sure_{comparison.against.kind}"
    return words.say("told", key, n=comparison.against.n or 0, seats=seats)


def _say_sure_change(comparison: Comparison, seats: str, words: Words) -> str:
    known = {
        one.path: one.detectable
        for one in comparison.findings
        if one.quantity == SMALLEST_OF and one.value is not None and one.detectable is not None
    }
    if not known:
        smallest = words.say("change", "smallest_unknown")
    elif says_nothing(max(known.values()), "dB"):
        smallest = words.say("change", "smallest_wide")
    else:
        amounts = [
            words.say(
                "change",
                "smallest_part",
                part=words.say("mark", key),
                amount=words.number(known[path]),
            )
            for key, path in PATHS.items()
            if path in known
        ]
        smallest = words.say("change", "smallest_parts", amounts=", ".join(amounts))
    return words.say("told", "sure_change", seats=seats, smallest=smallest)
