"""The owner's page in words: is it well, what was wrong, what was done, how it is now."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from voicecheck.charts import is_wide, order_runs
from voicecheck.charts.style import clean_text
from voicecheck.records import Comparison, Finding
from voicecheck.records.quantities import family_of
from voicecheck.records.standing import Mark
from voicecheck.records.verdicts import TELLING, rank_verdict
from voicecheck.report import notes
from voicecheck.report.content import ReportContent
from voicecheck.report.loudness import say_loudness
from voicecheck.report.sentences import list_done
from voicecheck.words import Words, load_words

MOST_FOUND, MOST_DONE = 5, 4
LONGEST_TOLD, LONGEST_DONE = 240, 110
"""Letters of a complaint and of a note on this page; the bench pages have all of them."""
LETTERS_A_LINE = {"whole": 62, "left_open": 85, "told": 90, "found": 56, "done": 36, "now": 90}
FITS = {"A4": ((15, "roomy"), (20, "snug")), "Letter": ((11, "roomy"), (16, "snug"))}
"""Lines up to which the page is set that wide; beyond it is "tight"."""
PATHS = ("transmit", "receive", "sidetone")
NOISES = ("crackle", "hum", "noise")
TOLD_OF_PATH = ("level", "shape", "distortion", "linearity", "steadiness", "feed", "position")
"""Families that an owner hears of, the gravest for somebody on the telephone first."""
LOW_BELOW_HZ, HIGH_FROM_HZ = 500.0, 2000.0
"""Where low tones end and high ones begin, as the bands of the table have it."""
HARSH_FROM_PERCENT = 3.0
"""Distortion below is none that one would hear in speech (common practice, no source)."""
CHECK_MARKS = ("dials", "rings", "cord", "line")
TESTED = ("within", "doubtful", "outside")


@dataclass(frozen=True, slots=True, kw_only=True)
class StripMark:
    """One mark in words: what it is, how it was found, how it is now; "" where not told."""

    name: str
    found: str
    now: str
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnerPage:
    """
    Everything said on the owner's page, in its order.

    `mind_english` is empty, or the cautions once more: no native reader has proofed the language.
    """

    is_after: bool
    state: str
    sentence: str
    left_open: tuple[str, ...]
    told: str
    found: tuple[str, ...]
    done: tuple[str, ...]
    now: tuple[str, ...]
    strip: tuple[StripMark, ...]
    mind: tuple[str, ...]
    mind_english: tuple[str, ...]

    def find_fit(self, paper: str) -> str:
        """
        How wide the page may be set to stay one page of this paper.

        Parameters
        ----------
        paper : str

        Returns
        -------
        str
            "roomy", "snug" or "tight".
        """

        def count(name: str, *lines: str) -> int:
            return sum(math.ceil(len(line) / LETTERS_A_LINE[name]) for line in lines)

        n_lines = count("whole", self.sentence) + count("left_open", *self.left_open)
        n_lines += count("told", self.told) + count("now", *self.now)
        n_lines += max(count("found", *self.found), count("done", *self.done))
        n_lines += len(self.mind_english)
        return next((name for most, name in FITS[paper] if n_lines <= most), "tight")


def tell_owner(content: ReportContent, words: Words) -> OwnerPage:
    """
    The owner's page of a report.

    Parameters
    ----------
    content : ReportContent
    words : Words
    """
    states: dict[str, str] = {mark.key: _state_now(mark, content) for mark in content.marks}
    return OwnerPage(
        is_after=_is_after(content),
        state=_find_whole(states.values()),
        sentence=_say_whole(content, states, words),
        left_open=_tell_left_open(content, states, words),
        told=clean_text(content.job.complaint, LONGEST_TOLD) if content.job.complaint else "",
        found=_tell_found(content, words),
        done=_tell_done(content, words),
        now=_tell_changes(content.find_change_comparison(), words),
        strip=_list_strip(content, words),
        mind=notes.list_cautions("owner", words),
        # Nobody is to be hurt by a word that was translated badly.
        mind_english=() if words.is_proofed else notes.list_cautions("owner", load_words()),
    )


def _is_after(content: ReportContent) -> bool:
    """Whether anything is said of the set after the work."""
    return any(mark.now is not None for mark in content.marks)


def _state_now(mark: Mark, content: ReportContent) -> str:
    """What is known of a mark at the stage that the report is about."""
    return (mark.now or "not tested") if _is_after(content) else mark.as_found


def _find_whole(states: Iterable[str]) -> str:
    """The gravest of what was tested; "" where nothing could be judged."""
    tested = [state for state in states if state in TESTED]
    return min(tested, key=rank_verdict, default="")


def _say_whole(content: ReportContent, states: dict[str, str], words: Words) -> str:
    set_name = words.say("owner_page", "set_now" if _is_after(content) else "set_before")
    whole = _find_whole(states.values())
    if not whole:
        return words.say("owner_page", "whole_none", set=set_name)
    latest = content.latest
    kind = "kind_any" if latest is not None and is_wide(latest) else "kind_own"
    parts = {
        f"{verdict}_parts": _join(
            [
                words.say("owner_fails" if verdict == "outside" else "owner_does", key)
                for key, state in states.items()
                if state == verdict
            ],
            words,
        )
        for verdict in TESTED
    }
    parts["kind"] = words.say("owner_page", kind)
    said = [words.say("owner_page", f"whole_{whole}", set=set_name, **parts)]
    if whole == "outside" and parts["doubtful_parts"]:
        said.append(words.say("owner_page", "also_doubtful", **parts))
    if whole != "within" and parts["within_parts"]:
        said.append(words.say("owner_page", "also_within", **parts))
    return " ".join(said)


def _tell_left_open(
    content: ReportContent, states: dict[str, str], words: Words
) -> tuple[str, ...]:
    """What the sentence does not speak of: not tested, not judged, tested in part."""
    told = []
    for state, key in (("not tested", "untested"), ("not comparable", "unjudged")):
        names = [words.say("owner_thing", mark) for mark, one in states.items() if one == state]
        if names:
            told.append(words.say("owner_page", key, names=_join(names, words)))
    partly = [
        _say_partly(mark, words)
        for mark in content.marks
        if mark.partly and states[mark.key] in TESTED
    ]
    if partly:
        told.append(words.say("owner_page", "partly", names=_join(partly, words)))
    return tuple(told)


def _say_partly(mark: Mark, words: Words) -> str:
    """What is missing of a check; of sweeps the bench pages say it, in words of the trade."""
    thing = words.say("owner_thing", mark.key)
    return f"{thing} ({mark.partly})" if mark.key in CHECK_MARKS else thing


def _join(parts: Sequence[str], words: Words) -> str:
    if len(parts) < 2:
        return "".join(parts)
    first = ", ".join(parts[:-1])
    return words.say("owner_page", "and", first=first, last=parts[-1])


def _tell_found(content: ReportContent, words: Words) -> tuple[str, ...]:
    comparison = content.find_limits_comparison(is_before=True)
    findings = comparison.findings if comparison is not None else ()
    bad = [one for one in findings if one.verdict in TELLING and _is_heard(one)]
    told = [
        _hedge(words.say("owner_found", mark.key), mark.as_found, words)
        for mark in content.marks
        if mark.key in CHECK_MARKS and mark.as_found in TELLING
    ]
    by_path = [_tell_path(path, bad, words) for path in PATHS]
    # What somebody on the telephone notices first: how loud, how noisy, then all the rest.
    told = [
        *(line for lines in by_path for line in lines[:1]),
        *_tell_noise(bad, words),
        *told,
        *(line for lines in by_path for line in lines[1:2]),
    ]
    # What is said alike of two paths is one thing to somebody who telephones.
    told = list(dict.fromkeys(told))
    if len(told) > MOST_FOUND:
        told = [*told[:MOST_FOUND], words.say("owner_page", "more_found")]
    if told:
        return tuple(told)
    judged = any(mark.as_found in TESTED for mark in content.marks) or comparison is not None
    is_measured = any(run.stage == "before" for run in content.runs)
    key = "nothing_found" if judged else "no_limits" if is_measured else "not_before"
    return (words.say("owner_page", key),)


def _is_heard(finding: Finding) -> bool:
    """Whether somebody on the telephone could notice it; the bench pages tell of it anyhow."""
    if finding.value is None:
        return False
    return finding.unit != "%" or finding.value >= HARSH_FROM_PERCENT


def _tell_path(path: str, bad: Sequence[Finding], words: Words) -> list[str]:
    """What is wrong with one path, the gravest for somebody on the telephone first."""
    worst: dict[str, Finding] = {}
    for finding in sorted(
        (one for one in bad if one.path == path), key=lambda one: rank_verdict(one.verdict)
    ):
        family = {"response": "shape"}.get(finding.quantity, family_of(finding.quantity))
        worst.setdefault(family, finding)
    shape = worst.get("shape")
    # The worst point of the curve says once more what the level has said.
    if "level" in worst and shape is not None and shape.quantity == "response":
        del worst["shape"]
    told = [
        _hedge(
            SAY_FAMILY.get(family, _say_plain)(worst[family], words), worst[family].verdict, words
        )
        for family in TOLD_OF_PATH
        if family in worst
    ]
    return list(dict.fromkeys(told))


def _say_level(finding: Finding, words: Words) -> str:
    loud = say_loudness(_measure_off(finding), "should", words)
    return words.say("owner_found", f"{finding.path}_level", loud=loud)


def _measure_off(finding: Finding) -> float:
    """How far a level lies from the middle of what is usual, dB."""
    limits = [one for one in (finding.low, finding.high) if one is not None]
    middle = finding.reference
    if middle is None:
        middle = sum(limits) / len(limits) if limits else 0.0
    return (finding.value or 0.0) - middle


def _say_shape(finding: Finding, words: Words) -> str:
    hz = finding.worst_hz or 1000.0
    place = "low" if hz < LOW_BELOW_HZ else "high" if hz >= HIGH_FROM_HZ else "mid"
    side = "strong" if _measure_off(finding) > 0.0 else "weak"
    tone = words.say("owner_tone", f"{place}_{side}")
    return words.say("owner_found", f"{finding.path}_shape", tone=tone)


def _say_plain(finding: Finding, words: Words) -> str:
    family = {"linearity": "distortion"}.get(
        family_of(finding.quantity), family_of(finding.quantity)
    )
    own = f"{finding.path}_{family}"
    return words.say("owner_found", own if words.has("owner_found", own) else family)


SAY_FAMILY: dict[str, Callable[[Finding, Words], str]] = {
    "level": _say_level,
    "shape": _say_shape,
}


def _tell_noise(bad: Sequence[Finding], words: Words) -> list[str]:
    """Crackle and hum; a noise by itself where neither of them makes it."""
    told: list[str] = []
    for family in NOISES:
        found = [one for one in bad if family_of(one.quantity) == family]
        if found and not (told and family == NOISES[-1]):
            gravest = min(found, key=lambda one: rank_verdict(one.verdict))
            told.append(_hedge(words.say("owner_found", family), gravest.verdict, words))
    return told


def _hedge(sentence: str, verdict: str, words: Words) -> str:
    return words.say("owner_page", "perhaps", said=sentence) if verdict == "doubtful" else sentence


def _tell_done(content: ReportContent, words: Words) -> tuple[str, ...]:
    done = list_done(content.job, words) if content.work_done is None else content.work_done
    told = [clean_text(note, LONGEST_DONE) for note in done]
    if len(told) > MOST_DONE:
        left = len(told) - MOST_DONE + 1
        told = [*told[: MOST_DONE - 1], words.count("owner_page", "more_done", left)]
    return tuple(told) or (words.say("owner", "no_work"),)


def _tell_changes(comparison: Comparison | None, words: Words) -> tuple[str, ...]:
    """How loud it talks and hears now against before, and its noise where that changed surely."""
    if comparison is None:
        return ()
    told = []
    for path in PATHS[:2]:
        found = [one for one in comparison.findings if one.path == path]
        level = next(
            (one for one in found if family_of(one.quantity) == "level" and one.value is not None),
            None,
        )
        if level is None:
            continue
        # What may be chance is no change: it is not told as one.
        change_db = (level.value or 0.0) if level.verdict == "outside" else 0.0
        loud = say_loudness(change_db, "before", words)
        told.append(words.say("owner_found", f"{path}_now", loud=loud))
    noise = [
        one.value
        for one in comparison.findings
        if family_of(one.quantity) == "noise" and one.verdict == "outside" and one.value
    ]
    if noise:
        loud = say_loudness(max(noise, key=abs), "before", words)
        told.append(words.say("owner_found", "noise_now", loud=loud))
    return tuple(told)


def _list_strip(content: ReportContent, words: Words) -> tuple[StripMark, ...]:
    is_after, strip = _is_after(content), []
    for mark in content.marks:
        now = (mark.now or "not tested") if is_after else ""
        found = "" if now and now == mark.as_found else _say_state(mark.as_found, words)
        strip.append(
            StripMark(
                name=words.say("mark", mark.key),
                found=found,
                now=_say_state(now, words) if now else "",
                state=now or mark.as_found,
            )
        )
    return tuple(strip)


def _say_state(state: str, words: Words) -> str:
    return f"{words.say('verdict_mark', state)} {words.say('owner_state', state)}"


def describe_picture(content: ReportContent, path: str, words: Words) -> str:
    """
    What the owner's picture of one path shows, for those who cannot see it.

    Parameters
    ----------
    content : ReportContent
    path : str
    words : Words
    """
    runs = order_runs([run for run in content.runs if run.path == path])
    lines = []
    for run in runs:
        stage = words.say_own("owner_stage", run.stage, run.stage)
        off_db = _find_off(content, path, run.stage)
        if off_db is None:
            lines.append(stage)
        else:
            loud = say_loudness(off_db, "usual", words)
            lines.append(words.say("owner_page", "picture_line", stage=stage, loud=loud))
    name = words.say("path", path)
    return words.say("owner_page", "picture", path=name, lines="; ".join(lines))


def _find_off(content: ReportContent, path: str, stage: str) -> float | None:
    """How far the level of a stage lies from what is usual, dB; `None` where nothing says so."""
    comparison = content.find_limits_comparison(is_before=stage == "before")
    if comparison is None or comparison.stage != stage:
        return None
    for finding in comparison.findings:
        is_level = finding.path == path and family_of(finding.quantity) == "level"
        if is_level and finding.value is not None:
            return _measure_off(finding)
    return None
