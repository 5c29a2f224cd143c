# mypy: disable-error-code="arg-type,attr-defined,index"
"""A quantity is described once: what a new one needs, and that it is then seen everywhere."""

from __future__ import annotations

import csv
import dataclasses
import io
import re
from pathlib import Path
from typing import Any

import factories
import msgspec
import numpy as np
import pytest
from reportpage import Page
from set_population import Population, draw_set, measure_set

from voicecheck.cli.show import render_comparison
from voicecheck.records import BaselineQuantity, Comparison, from_json, to_document, to_json
from voicecheck.records import quantities as table
from voicecheck.records.quantities import BY_NAME, QUANTITIES, Quantity
from voicecheck.records.terms import Family, words_of
from voicecheck.records.verdicts import SEVERITY
from voicecheck.report import render_html, tell_comparison
from voicecheck.report.files import make_findings_csv
from voicecheck.verdicts import baseline as baselines
from voicecheck.verdicts import build_baseline, compare_runs, compare_to_baseline, pool_run
from voicecheck.verdicts.limits import FLOOR_DB, SHARE, WEIGHT
from voicecheck.verdicts.readings import READERS
from voicecheck.web.render import _templates
from voicecheck.words import load_words

ENGLISH = load_words("en")
POPULATION = Population()


def list_missing() -> list[str]:
    """What a row of the table lacks, by name."""
    names = {quantity.name for quantity in QUANTITIES}
    missing = [f"reader of {name}" for name in names - READERS.keys()]
    missing += [f"row of {name}" for name in READERS.keys() - names]
    missing += [
        f"word of {name}"
        for name in {*names, *BY_NAME}
        if not load_words("en").has("quantity", name)
    ]
    judged = {quantity.family for quantity in QUANTITIES if quantity.is_judged}
    missing += [f"share of {name}" for name in judged - SHARE.keys() - WEIGHT.keys()]
    missing += [f"floor of {name}" for name in judged - FLOOR_DB.keys()]
    return sorted(missing)


def test_every_row_has_a_reader_a_word_and_a_share_of_the_error_rate() -> None:
    assert list_missing() == []


def test_every_family_has_its_word() -> None:
    assert [name for name in words_of(Family) if not ENGLISH.has("family", name)] == []


def test_no_quantity_has_two_names_and_no_two_share_one() -> None:
    """Idle noise is one quantity in two units, and a report shows one of them."""
    names = [ENGLISH.say("quantity", name) for name in BY_NAME if name != "psophometric_dbm"]
    assert len(set(names)) == len(names)
    assert all(re.search(r"[a-z]", name) for name in names)


def test_verdicts_have_one_order_and_every_verdict_a_mark_and_a_word() -> None:
    assert SEVERITY == ("outside", "doubtful", "not comparable", "within")
    for verdict in SEVERITY:
        for section in ("verdict", "verdict_mark"):
            assert ENGLISH.has(section, verdict)
        assert ENGLISH.has("chart", f"conclude_{verdict}")


def make_run(seed: int, kurtosis: float = 3.0) -> Any:
    seats = measure_set(
        POPULATION, draw_set(POPULATION, np.random.default_rng(seed)), np.random.default_rng(seed)
    )
    seats = [
        seat.replace(noise=dataclasses.replace(seat.noise, kurtosis=kurtosis + 0.01 * index))
        for index, seat in enumerate(seats)
    ]
    return pool_run(seats, job=seed, path="transmit", stage="before")


def compare(run: Any) -> Comparison:
    baseline = build_baseline(
        [make_run(seed) for seed in range(1, 9)], type_name="Hillview 2", path="transmit"
    )
    return compare_to_baseline({"transmit": run}, {"transmit": baseline}, job=1, stage="before")


def find(comparison: Comparison, name: str) -> Any:
    return next(finding for finding in comparison.findings if finding.quantity == name)


def test_kurtosis_has_no_unit() -> None:
    finding = find(compare(make_run(20, kurtosis=40.0)), "kurtosis")
    assert (finding.unit, finding.verdict) == ("", "outside")


def test_a_unit_that_an_older_book_gave_a_bare_number_is_not_shown() -> None:
    old = factories.make_finding("transmit", "kurtosis", 14.0, "outside", low=None, high=4.2)
    old = dataclasses.replace(old, unit="dB V/Pa")
    comparison = factories.replace(factories.make_comparison("before"), findings=(old,))
    page = Page(render_html(factories.make_content(comparisons=(comparison,))))
    row = next(row for row in page.rows if row[0].startswith("crackle"))
    assert row[1] == ""
    assert "dB V/Pa" not in render_comparison(comparison)
    assert "dB V/Pa" not in comparison._repr_html_()
    assert "dB V/Pa" not in " ".join(one.text for one in tell_comparison(comparison, ENGLISH))


def test_a_comparison_of_an_older_book_is_read_without_its_prose() -> None:
    comparison = factories.make_comparison("before")
    old = {**to_document(comparison), "summary": ["It talks far too quietly."]}
    read = from_json(msgspec.json.encode(old), Comparison)
    assert to_json(read) == to_json(comparison)


def test_a_baseline_of_an_older_book_is_read_with_its_labels() -> None:
    known = factories.make_baseline().quantities[0]
    old = {**to_document(known), "label": "THD at 1000 Hz", "family": "distortion"}
    read = from_json(msgspec.json.encode(old), BaselineQuantity)
    assert (read.family, read.mean) == ("distortion", known.mean)


NEW = Quantity(
    name="rustle_db", unit="dB", family="noise", side="upper", is_judged=True, is_compared=True,
    evidence="rustle",
)  # fmt: skip


@pytest.fixture
def made_up(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A new quantity where the table, its reader and its word are: three lines in all."""
    rows = (*QUANTITIES, NEW)
    for module in (table, baselines, "voicecheck.verdicts.before_after.QUANTITIES"):
        target = module if isinstance(module, str) else f"{module.__name__}.QUANTITIES"
        monkeypatch.setattr(target, rows)
    monkeypatch.setitem(BY_NAME, NEW.name, NEW)
    monkeypatch.setitem(READERS, NEW.name, lambda m: m.noise.slope_db_per_decade)


def test_a_quantity_without_reader_and_word_is_missed_by_name(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(globals(), "QUANTITIES", (*QUANTITIES, NEW))
    assert list_missing() == ["reader of rustle_db", "word of rustle_db"]


def add_rustle(run: Any, rustle_db: float) -> Any:
    def sound(measurement: Any, index: Any) -> Any:
        noise = dataclasses.replace(
            measurement.noise, slope_db_per_decade=rustle_db + 0.1 * (index % 3)
        )
        return measurement.replace(noise=noise)

    seats = [sound(one, index) for index, one in enumerate(run.recordings)]
    return dataclasses.replace(run, recordings=tuple(seats), pooled=sound(run.pooled, 1))


def test_a_new_quantity_is_seen_everywhere(made_up: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Baseline, verdict, change, evidence, sentence, table, CSV, page and terminal."""
    from voicecheck.verdicts import gather_evidence

    references = [add_rustle(make_run(seed), -10.0 + 0.2 * seed) for seed in range(1, 9)]
    baseline = build_baseline(references, type_name="Hillview 2", path="transmit")
    run = add_rustle(make_run(20), 30.0)
    runs, known = {"transmit": run}, {"transmit": baseline}
    comparison = compare_to_baseline(runs, known, job=1, stage="before")
    assert find(comparison, NEW.name).verdict == "outside"
    assert gather_evidence(runs, known)["transmit.rustle"] == pytest.approx(39.1, abs=0.3)

    before = {"transmit": add_rustle(make_run(20), -9.0)}
    against = factories.make_change().against
    change = compare_runs(runs, before, job=1, stage="after", against=against)
    assert find(change, NEW.name).verdict == "outside"

    only = factories.replace(comparison, findings=(find(comparison, NEW.name),))
    sections = {**ENGLISH.sections, "quantity": {**ENGLISH.sections["quantity"]}}
    sections["quantity"][NEW.name] = "rustle"
    words = dataclasses.replace(ENGLISH, sections=sections)
    (told,) = tell_comparison(only, words)
    assert "rustle 30.1 dB, healthy sets up to" in told.text
    content = factories.make_content(comparisons=(only,))
    monkeypatch.setattr("voicecheck.report.render.load_words", lambda _: words)
    assert "rustle" in [row[0] for row in Page(render_html(content)).rows if row]
    rows = list(csv.DictReader(io.StringIO(make_findings_csv(content).decode())))
    assert [row["quantity"] for row in rows] == [NEW.name]
    monkeypatch.setattr("voicecheck.workflow.wording.load_words", lambda *_: words)
    assert "rustle" in render_comparison(only)
    page = _templates().get_template("findings.html").module.show_findings(only.findings, "all")
    assert "<td>rustle</td>" in page
