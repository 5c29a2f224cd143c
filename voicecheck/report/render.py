"""Records -> one self-contained HTML file, and the same as PDF."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from voicecheck.charts import (
    OWNER_PATHS,
    RESPONSE_PATHS,
    describe_response,
    draw_job_sheet,
    draw_owner_picture,
    draw_summary,
    inline_svg,
    list_conditions,
    order_runs,
    render_figure,
    say_stage,
)
from voicecheck.records import Hint
from voicecheck.report import intervals, notes, owner, sentences, tables
from voicecheck.report.content import Picture, ReportContent
from voicecheck.report.printing import TEMPLATE_FOLDER, embed, make_environment, mark_up, print_pdf
from voicecheck.words import Words, load_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_HINTS = 3
BARE_HEIGHT_MM = 74.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """
    The figures of a report, drawn once for all that shows them.

    `owner` has a picture for each path that an owner knows, `bare` is the summary without what the
    page says beside it; without any run there is none of them.
    """

    summary: Figure | None = None
    bare: Figure | None = None
    sheet: Figure | None = None
    owner: Mapping[str, Figure] = field(default_factory=dict)


def draw_figures(content: ReportContent) -> Figures:
    """Figures of the report: talking and hearing for the owner, all curves for the bench."""
    if not any(run.path in RESPONSE_PATHS for run in content.runs):
        return Figures()
    words = load_words(content.language)
    bench = words.for_bench.code
    summary, bare = (
        draw_summary(
            content.runs,
            baselines=content.baselines,
            comparison=content.latest,
            set_type=content.set_type,
            language=bench,
            bare_height_mm=height_mm,
        )
        for height_mm in (None, BARE_HEIGHT_MM)
    )
    return Figures(
        summary=summary,
        bare=bare,
        sheet=draw_job_sheet(
            content.job,
            content.set_type,
            content.runs,
            content.baselines,
            content.latest,
            language=bench,
        ),
        owner={
            path: draw_owner_picture(
                [run for run in content.runs if run.path == path],
                content.baselines.get(path),
                content.latest,
                words,
            )
            for path in list_owner_paths(content)
        },
    )


def list_owner_paths(content: ReportContent) -> tuple[str, ...]:
    """Paths that the owner's page shows: talking and hearing, else the first that there is."""
    shown = tuple(path for path in OWNER_PATHS if path in content.paths)
    return shown or content.paths[:1]


def render_html(content: ReportContent, figures: Figures | None = None) -> str:
    """
    The report as one HTML file that needs nothing else: no script, no outside request.

    Parameters
    ----------
    content : ReportContent
    figures : Figures, optional
        Drawn when left out.

    Returns
    -------
    str
        Prints to one page for the owner and further ones for the bench, on the content's paper.

    Raises
    ------
    InputError
        An unknown language.
    """
    words = load_words(content.language)
    bench = words.for_bench
    figures = figures or draw_figures(content)
    template = make_environment().get_template("report.html.j2")
    style = (TEMPLATE_FOLDER / "report.css").read_text(encoding="utf-8")
    html = template.render(
        words=words,
        bench=bench,
        content=content,
        style=mark_up(style + _page_rules(content, words)),
        chart=_inline(figures.bare, "chart", _join_numbers(content, bench)),
        sheet=_inline(figures.sheet, "sheet", bench.say("report", "sheet_chart")),
        **_gather_owner_page(content, figures, words),
        **_gather_bench_page(content, bench),
    )
    # A label may hold half a surrogate pair, which no file can: it is shown as a question mark.
    return str(html).encode("utf-8", "replace").decode("utf-8")


def _inline(figure: Figure | None, prefix: str, title: str) -> Any:
    if figure is None:
        return ""
    return mark_up(inline_svg(render_figure(figure, "svg"), prefix, title))


def _page_rules(content: ReportContent, words: Words) -> str:
    """Paper and what stands above and below each page; the owner's is the first."""
    rules = f"@page {{ size: {content.paper}; {_margin_boxes(content, words.for_bench)} }}\n"
    if words.for_bench is not words:
        rules += f"@page :first {{ {_margin_boxes(content, words)} }}\n"
    return rules


def _margin_boxes(content: ReportContent, words: Words) -> str:
    made = words.say("report", "made", date=words.date(content.now_utc), version=content.version)
    label = f"{words.say('report', 'job')} {content.job.job}. {made}"
    page = f"{words.say('report', 'page')} "
    shout = words.say("chart", "simulated") if content.is_simulated else ""
    return (
        f"@top-center {{ content: {_css_string(shout)}; }} "
        f"@bottom-left {{ content: {_css_string(label)}; }} "
        f"@bottom-right {{ content: {_css_string(page)} counter(page); }}"
    )


def _css_string(text: str) -> str:
    """A string inside a style sheet, everything but letters and digits escaped."""
    return '"' + "".join(c if c.isalnum() else f"\\{ord(c):x} " for c in text) + '"'


def _gather_owner_page(content: ReportContent, figures: Figures, words: Words) -> dict[str, Any]:
    told = {path: owner.describe_picture(content, path, words) for path in figures.owner}
    shown = [
        (_inline(figure, f"owner-{path}", told[path]), told[path])
        for path, figure in figures.owner.items()
    ]
    return {
        "page": owner.tell_owner(content, words),
        "owner_pictures": shown,
        "voices": _list_voices(content, words),
        "photograph": embed(content.photograph, "image/jpeg"),
        "facts": _list_facts(content, words),
    }


def _list_voices(content: ReportContent, words: Words) -> tuple[tuple[str, str], ...]:
    """Name and sound of each player."""
    voices = content.voices
    if voices is None:
        return ()
    parts = (("hear_before", voices.before), ("hear_after", voices.after))
    return tuple((words.say("owner_page", key), embed(one, "audio/flac")) for key, one in parts)


def describe_chart(content: ReportContent, words: Words) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """
    The numbers of the report's chart for each path, for those who cannot see it.

    Parameters
    ----------
    content : ReportContent
    words : Words

    Returns
    -------
    tuple of (str, tuple of str)
        Path in words and its sentences.
    """
    described = []
    for path in list_owner_paths(content):
        runs = order_runs([run for run in content.runs if run.path == path])
        name = f"{words.say('path', path)} ({words.say('path_term', path)})"
        described.append((name, describe_response(runs, content.baselines.get(path), words)))
    return tuple(described)


def _join_numbers(content: ReportContent, words: Words) -> str:
    return " ".join(f"{name}: {'; '.join(told)}." for name, told in describe_chart(content, words))


def _list_facts(content: ReportContent, words: Words) -> tuple[tuple[str, str], ...]:
    set_type = content.set_type
    type_name = set_type.name if set_type is not None else content.job.type_name
    facts = [
        ("owner", content.job.owner),
        ("set_type", type_name),
        ("job", str(content.job.job)),
        ("came_in", words.date(content.job.opened_utc) or ""),
        ("went_out", words.date(content.job.closed_utc) or ""),
        ("date", "" if content.job.closed_utc else words.date(content.now_utc) or ""),
    ]
    return tuple((words.say("report", key), value) for key, value in facts if value)


def _gather_bench_page(content: ReportContent, words: Words) -> dict[str, Any]:
    runs = order_runs(content.runs)
    table = tables.tabulate_findings(content, words)
    loudness = notes.list_loudness(runs, words)
    hints = _list_hints(content, words)
    shown = " ".join([*loudness, *hints, *(r.quantity for g in table.groups for r in g.rows)])
    return {
        "set_line": _list_set(content, words),
        "told_found": sentences.tell_found(content, words),
        "told_left": sentences.tell_left(content, words),
        "told_done": sentences.tell_done(content, words),
        "told_now": sentences.tell_now(content, words),
        "numbers": describe_chart(content, words),
        "pictures": [_show_picture(one, i) for i, one in enumerate(content.pictures)],
        "table": table,
        "check_table": tables.tabulate_checks(content, words),
        "hints": hints,
        "tried": content.tried,
        "conditions": (*list_conditions(runs, words, with_path=True), *loudness),
        "problems": notes.list_problems(runs, words),
        "bench_check": notes.list_bench_check(content.bench_check, words),
        "limits": notes.list_baselines(content, words),
        "not_tested": notes.list_not_tested(content, words),
        "tested": notes.list_tested(content, words),
        "bench_cautions": notes.list_cautions("bench", words),
        "residuals": notes.list_residuals(runs, words),
        "budgets": intervals.tabulate_budgets(runs, words),
        "has_memory": words.say("report", "memory_mark") in shown,
    }


def _list_set(content: ReportContent, words: Words) -> str:
    """Type and transmitter in one line."""
    set_type = content.set_type
    if set_type is None:
        return content.job.type_name
    return f"{set_type.name}, {words.say('transmitter', set_type.transmitter)}"


def _show_picture(picture: Picture, index: int) -> dict[str, Any]:
    is_svg = picture.media == "svg"
    told = f"{picture.title} {picture.told}"
    return {
        "title": picture.title,
        "told": picture.told,
        "drawn": [
            mark_up(inline_svg(one, f"picture-{index}-{part}", told))
            for part, one in enumerate(picture.images)
            if is_svg
        ],
        "sources": [] if is_svg else [embed(one, "image/png") for one in picture.images],
    }


def _list_hints(content: ReportContent, words: Words) -> tuple[str, ...]:
    """The likeliest causes, and after them what may be wrong besides."""
    hints: dict[tuple[bool, str], tuple[str, Hint]] = {}
    # Of a stage that was compared again, the later list counts as a whole.
    newest = {one.stage: one for one in content.comparisons if one.hints}
    for comparison in newest.values():
        for hint in comparison.hints:
            key = (hint.beside, hint.code)
            hints.setdefault(key, (say_stage(comparison.stage, words), hint))
    first = [one for (is_beside, _), one in hints.items() if not is_beside][:MOST_HINTS]
    besides = [one for (is_beside, _), one in hints.items() if is_beside]
    lines = []
    for stage, hint in (*first, *besides):
        line = words.say(
            "report",
            "hint_beside" if hint.beside else "hint",
            stage=stage,
            cause=words.say_own("hint_cause", hint.code, hint.cause),
            chance=words.chance(hint.probability, hint.confidence),
            separate_by=words.say_own("hint_next", hint.code, hint.separate_by),
        )
        if hint.unexplained:
            what = words.unexplained(hint.unexplained)
            line = words.say("report", "hint_open", hint=line, what=what)
        is_memory = tables.is_from_memory(hint.provenance)
        lines.append(f"{line} {words.say('report', 'memory_mark')}" if is_memory else line)
    return tuple(lines)


def render_pdf(content: ReportContent, figures: Figures | None = None) -> bytes:
    """
    The same report as tagged PDF (PDF/UA-1, ISO 14289-1), without the players.

    Parameters
    ----------
    content : ReportContent
    figures : Figures, optional
        Drawn when left out.

    Returns
    -------
    bytes

    Raises
    ------
    InputError
        The optional part for PDF is not installed.
    """
    return print_pdf(render_html(content, figures))
