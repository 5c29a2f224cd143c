"""Records -> one self-contained HTML file, and the same as PDF."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from voicecheck.charts import (
    OWNER_PATHS,
    describe_response,
    draw_job_sheet,
    draw_summary,
    inline_svg,
    list_conditions,
    order_runs,
    render_figure,
    say_conclusion,
    say_stage,
)
from voicecheck.errors import InputError
from voicecheck.records import Comparison, Hint
from voicecheck.report import intervals, notes, sentences, tables
from voicecheck.report.content import ReportContent
from voicecheck.words import Words, load_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure

TEMPLATE_FOLDER = Path(__file__).parents[1] / "data" / "report"
MOST_HINTS, MOST_HINTS_WHEN_FULL = 3, 2
CHART_HEIGHTS_MM = (66.0, 98.0)
LINE_CHARACTERS, LINE_MM = 88, 4.4
LINES_AT_LOWEST = {"A4": 23, "Letter": 20}
"""Lines of the owner's text that leave room for the lowest chart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """The figures of a report, drawn once for all that shows them."""

    summary: Figure
    bare: Figure
    sheet: Figure


def draw_figures(content: ReportContent) -> Figures:
    """Figures of the report: talking and hearing for the owner, all curves for the bench."""
    summary, bare = (
        draw_summary(
            content.runs,
            baselines=content.baselines,
            comparison=content.latest,
            set_type=content.set_type,
            language=content.language,
            bare_height_mm=height_mm,
        )
        for height_mm in (None, _find_chart_height_mm(content))
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
            language=content.language,
        ),
    )


def _find_chart_height_mm(content: ReportContent) -> float:
    """As tall as the words of the first page leave room for."""
    words = load_words(content.language)
    told = [
        *sentences.tell_found(content, words),
        *sentences.tell_done(content, words),
        *sentences.tell_now(content, words),
    ]
    lengths = [len(statement.about) + len(statement.text) for statement in told]
    lengths.append(len(content.job.complaint))
    n_lines = sum(math.ceil(length / LINE_CHARACTERS) for length in lengths)
    lowest, highest = CHART_HEIGHTS_MM
    spare_mm = LINE_MM * (LINES_AT_LOWEST[content.paper] - n_lines)
    return min(max(lowest + spare_mm, lowest), highest)


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
        Prints to two pages of the content's paper, and a third with the uncertainty budget where
        the measurements state one.

    Raises
    ------
    InputError
        An unknown language.
    """
    import jinja2

    words = load_words(content.language)
    figures = figures or draw_figures(content)
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATE_FOLDER),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    template = environment.get_template("report.html.j2")
    style = (TEMPLATE_FOLDER / "report.css").read_text(encoding="utf-8")
    html = template.render(
        words=words,
        content=content,
        style=_Markup(style + _page_rules(content, words)),
        chart=_inline(figures.bare, "chart"),
        sheet=_inline(figures.sheet, "sheet"),
        **_gather_owner_page(content, words),
        **_gather_bench_page(content, words),
    )
    # A label may hold half a surrogate pair, which no file can: it is shown as a question mark.
    return html.encode("utf-8", "replace").decode("utf-8")


def _Markup(text: str) -> Any:  # noqa: N802 (made of our own text only)
    from markupsafe import Markup

    return Markup(text)


def _inline(figure: Figure, prefix: str) -> Any:
    return _Markup(inline_svg(render_figure(figure, "svg"), prefix))


def _page_rules(content: ReportContent, words: Words) -> str:
    made = words.say("report", "made", date=words.date(content.now_utc), version=content.version)
    label = f"{words.say('report', 'job')} {content.job.job}. {made}"
    page = f"{words.say('report', 'page')} "
    shout = words.say("chart", "simulated") if content.is_simulated else ""
    return (
        f"@page {{ size: {content.paper}; @top-center {{ content: {_css_string(shout)}; }} "
        f"@bottom-left {{ content: {_css_string(label)}; }} "
        f"@bottom-right {{ content: {_css_string(page)} counter(page); }} }}\n"
    )


def _css_string(text: str) -> str:
    """A string inside a style sheet, everything but letters and digits escaped."""
    return '"' + "".join(c if c.isalnum() else f"\\{ord(c):x} " for c in text) + '"'


def _gather_owner_page(content: ReportContent, words: Words) -> dict[str, Any]:
    latest = content.latest
    return {
        "verdict": latest.overall if latest is not None else "",
        "verdict_line": _say_verdict(latest, words),
        "found": sentences.tell_found(content, words),
        "done": sentences.tell_done(content, words),
        "now": sentences.tell_now(content, words),
        "numbers": describe_chart(content, words),
        "owner_cautions": notes.list_cautions("owner", words),
        "facts": _list_facts(content, words),
    }


def _say_verdict(comparison: Comparison | None, words: Words) -> str:
    if comparison is None:
        return words.say("report", "verdict_none")
    known = {"before": "before_line", "after": "after_line"}
    stage = comparison.stage
    name = words.say("report", known[stage]) if stage in known else say_stage(stage, words)
    verdict = say_conclusion(comparison, words)
    return words.say("report", "verdict_line", stage=name, verdict=verdict)


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
    shown = [path for path in OWNER_PATHS if path in content.paths] or content.paths[:1]
    for path in shown:
        runs = order_runs([run for run in content.runs if run.path == path])
        name = f"{words.say('path', path)} ({words.say('path_term', path)})"
        described.append((name, describe_response(runs, content.baselines.get(path), words)))
    return tuple(described)


def _list_facts(content: ReportContent, words: Words) -> tuple[tuple[str, str], ...]:
    set_type = content.set_type
    type_name = set_type.name if set_type is not None else content.job.type_name
    facts = [
        ("owner", content.job.owner),
        ("set_type", type_name),
        ("transmitter", words.say("transmitter", set_type.transmitter) if set_type else ""),
        ("job", str(content.job.job)),
        ("date", words.date(content.now_utc) or ""),
    ]
    return tuple((words.say("report", key), value) for key, value in facts if value)


def _gather_bench_page(content: ReportContent, words: Words) -> dict[str, Any]:
    runs = order_runs(content.runs)
    table = tables.tabulate_findings(content, words)
    loudness = notes.list_loudness(runs, words)
    is_full = sum(len(group.rows) for group in table.groups) > tables.MOST_ROWS
    hints = _list_hints(content, words)[: MOST_HINTS_WHEN_FULL if is_full else MOST_HINTS]
    shown = " ".join([*loudness, *hints, *(r.quantity for g in table.groups for r in g.rows)])
    return {
        "table": table,
        "hints": hints,
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


def _list_hints(content: ReportContent, words: Words) -> tuple[str, ...]:
    hints: dict[str, tuple[str, Hint]] = {}
    for comparison in content.comparisons:
        for hint in comparison.hints:
            hints.setdefault(hint.code, (say_stage(comparison.stage, words), hint))
    lines = []
    for stage, hint in hints.values():
        line = words.say(
            "report",
            "hint",
            stage=stage,
            cause=words.say_own("hint_cause", hint.code, hint.cause),
            chance=words.chance(hint.probability, hint.confidence),
            separate_by=words.say_own("hint_next", hint.code, hint.separate_by),
        )
        is_memory = tables.is_from_memory(hint.provenance)
        lines.append(f"{line} {words.say('report', 'memory_mark')}" if is_memory else line)
    return tuple(lines)


def render_pdf(content: ReportContent, figures: Figures | None = None) -> bytes:
    """
    The same report as PDF.

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
    html = render_html(content, figures)
    try:
        import weasyprint
    except (ImportError, OSError) as error:
        reason = re.sub(r"\s+", " ", str(error))[:120]
        raise InputError(
            f"PDF: the extra `pdf` is not usable here ({reason}); install voicecheck[pdf] and the "
            "system's Pango library, or print report.html from a browser"
        ) from error
    pdf: bytes = weasyprint.HTML(string=html, url_fetcher=_refuse_fetch).write_pdf()
    return pdf


def _refuse_fetch(url: str, *_: object, **__: object) -> dict[str, Any]:
    """Nothing outside the file is ever asked for."""
    raise InputError(f"report: would fetch {url[:60]}, which it must not")
