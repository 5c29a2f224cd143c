# mypy: disable-error-code="union-attr"
"""A set whose type has no baseline: what is said all the same, and how far it goes."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from factories import make_baseline, make_run
from pagetest import open_client

from voicecheck.cli.show import render_comparison
from voicecheck.jobbook import JobBook
from voicecheck.records import Baseline, Run, SetType, to_document
from voicecheck.verdicts.floors import judge_floors, load_floors, read_hum_margin, read_snr
from voicecheck.verdicts.kinguide import guide_curve, judge_by_kin
from voicecheck.verdicts.oneset import compare_to_one, make_provisional_baseline
from voicecheck.verdicts.standin import compare_without_baseline
from voicecheck.workflow.papers.comparing import compare
from voicecheck.workflow.papers.reporting import make_report_file


def change(run: Run, **parts: Any) -> Run:
    """The run with parts of every measurement changed, as `noise={"kurtosis": 9.0}`."""

    def change_one(one: Any) -> Any:
        made = {name: dataclasses.replace(getattr(one, name), **to) for name, to in parts.items()}
        return one.replace(**made)

    recordings = tuple(change_one(one) for one in run.recordings)
    return dataclasses.replace(run, recordings=recordings, pooled=change_one(run.pooled))


def make_kin(offsets_db: list[float], **more: Any) -> list[Baseline]:
    """Baselines of types whose curves lie that far from the usual one."""
    usual = make_baseline()
    return [
        dataclasses.replace(usual, type_name=f"Kin {k}", mean_db=usual.mean_db + offset_db, **more)
        for k, offset_db in enumerate(offsets_db)
    ]


def test_every_floor_has_a_source_and_none_from_memory_decides() -> None:
    """Each row says where it comes from; rows from memory and uncertain ones stop at doubtful."""
    for floor in load_floors():
        assert floor.source
        assert floor.provenance in ("PUB", "PUB-2ND", "PROP", "MEM")
        assert (floor.low is None) != (floor.high is None)
        assert floor.gravest == "doubtful" or floor.provenance != "MEM"


@pytest.mark.parametrize(
    ("parts", "quantity", "verdict"),
    [
        ({"noise": {"kurtosis": 9.0}}, "kurtosis", "outside"),
        ({"steadiness": {"losses_per_min": 6.0}}, "losses", "outside"),
        ({"noise": {"mains_dbfs": -40.0}}, "hum_margin_db", "outside"),
        ({"response": {"snr_db": np.full(53, 8.0)}}, "snr_db", "outside"),
        ({"noise": {"psophometric_dbm": -48.0}}, "psophometric_dbm", "doubtful"),
    ],
)
def test_floor_finds_what_is_a_fault_in_any_set(
    parts: dict[str, Any], quantity: str, verdict: str
) -> None:
    """The fault alone is called, and a healthy set by no floor."""
    healthy = make_run()
    assert {finding.verdict for finding in judge_floors(healthy, "carbon")} == {"within"}
    found = {one.quantity: one for one in judge_floors(change(healthy, **parts), "carbon")}
    assert found[quantity].verdict == verdict
    assert "[" in found[quantity].source
    assert {one.verdict for name, one in found.items() if name != quantity} == {"within"}


def test_margins_are_read_as_defined() -> None:
    """Uncalibrated: drive and level over the hum; the sound over the noise is the median."""
    measured = make_run().pooled
    assert read_hum_margin(measured) == pytest.approx(-12.0 - 6.0 + 85.0)
    assert read_snr(measured) == pytest.approx(40.0)
    assert read_hum_margin(measured.replace(noise=type(measured.noise)())) is None


def test_guide_widens_with_the_spread_of_kin_and_narrows_with_their_number() -> None:
    """Nine alike reach less far than three; three far apart reach further."""
    few, many = (guide_curve(make_kin([0.0] * n), "response").reach_db for n in (3, 9))
    far = guide_curve(make_kin([-6.0, 0.0, 6.0]), "response")
    assert many < few < far.reach_db
    assert (far.n_types, far.n_sets) == (3, 24)


def test_guide_holds_a_set_of_one_more_type() -> None:
    """At most 5 of 100 healthy sets of a new type lie beyond, where types differ as stated."""
    random = np.random.default_rng(11)
    beyond, n_draws = 0, 400
    for _ in range(n_draws):
        level_db = random.normal(0.0, 3.0, 4)
        guide = guide_curve(make_kin(list(level_db[:3])), "response")
        own_db = level_db[3] + random.normal(0.0, float(np.mean(make_baseline().sd_db)))
        away_db = make_baseline().mean_db + own_db - guide.mean_db
        beyond += bool(np.max(np.abs(away_db)) > guide.reach_db)
    assert beyond / n_draws <= 0.05 + 0.022


def test_kin_never_call_a_set_outside() -> None:
    """30 dB away is doubtful, with the reach said."""
    found = judge_by_kin(make_run(gain_db=-30.0), make_kin([0.0, 1.0, -1.0]))
    response = next(one for one in found if one.quantity == "response")
    assert response.verdict == "doubtful"
    assert "n = 24 sets of 3 types: a rough guide" in response.reason


def test_kin_in_another_unit_guide_the_shape_alone() -> None:
    """A calibrated curve is not held against uncalibrated levels."""
    found = judge_by_kin(make_run(unit="dB V/Pa"), make_kin([0.0, 1.0]))
    assert [one.quantity for one in found] == ["shape"]


def test_one_reference_set_leaves_open_which_of_the_two_differs() -> None:
    """20 dB weaker is doubtful; kin of little spread narrow the limits."""
    reference = {"transmit": make_run(stage="reference", seed=2, job=1)}
    weak = {"transmit": make_run(gain_db=-20.0)}
    found = compare_to_one(weak, reference, type_name="Hillview 2", stage="after")
    response = next(one for one in found if one.quantity == "response")
    assert response.verdict == "doubtful"
    assert "one reference set" in response.reason
    alone, lent = (
        make_provisional_baseline(reference["transmit"], type_name="Hillview 2", kindred=kin)
        for kin in ((), make_kin([0.0] * 4, sd_db=np.full(53, 0.3)))
    )
    assert np.all(lent.high_db - lent.low_db < alone.high_db - alone.low_db)
    assert "stated" in alone.method


def test_notes_say_what_would_make_it_better() -> None:
    """Two more sets, or one more; a baseline of kin where the book has none."""
    run = {"transmit": make_run()}
    words: dict[str, Any] = {"job": 7, "stage": "after", "type_name": "X", "transmitter": "carbon"}
    none = compare_without_baseline(run, **words, references={})
    one = compare_without_baseline(run, **words, references={"transmit": make_run(seed=3, job=2)})
    kin = compare_without_baseline(run, **words, references={}, kindred=make_kin([0.0, 1.0]))
    assert "n = 16 sets of 2 types: a rough guide" in kin.notes[0]
    assert "two good sets" in none.notes[0]
    assert "one more good set" in one.notes[0]
    assert (none.against.n, one.against.n) == (0, 1)
    assert any("no kindred type" in note for note in none.notes)
    assert not any("no kindred type" in note for note in kin.notes)


def open_day_one(folder: Path) -> JobBook:
    """A book with one type, no reference set, and one job before and after."""
    book = JobBook.open(folder)
    book.add_type(SetType(name="Hillview 2", transmitter="carbon"))
    job = book.open_job("Green wall set", "Hillview 2").job
    crackling = change(
        make_run(stage="before", job=job), noise={"kurtosis": 40.0, "bursts_per_s": 12.0}
    )
    for run in (crackling, make_run("receive", "before", job=job)):
        book.save_run(run)
    mended = dataclasses.replace(make_run(seed=9, job=job), taken_utc="2031-04-02T12:00:00+00:00")
    book.save_run(mended)
    return book


def test_first_job_in_a_book_is_told_something(tmp_path: Path) -> None:
    """Crackle before, its end after, the mask of the receive path; on the terminal and on paper."""
    with open_day_one(tmp_path / "book") as book:
        before, after = (compare(book, 1, stage=stage) for stage in ("before", "after"))
        page = make_report_file(book, 1, "report.html").decode()
        table = json.loads(make_report_file(book, 1, "report.json"))
    assert (before.against.kind, before.overall) == ("stand-in", "outside")
    assert [one.against.kind for one in before.beside] == ["mask"]
    assert [one.against.kind for one in after.beside] == ["before"]
    assert after.overall == "within"
    assert "F03" in [hint.code for hint in before.hints]
    assert (before.hints[-1].code, after.hints) == ("other", ())
    text = render_comparison(after)
    assert "after the work held against as found" in text
    assert "two good sets" in text
    assert "wo good sets of the type" in page
    assert "usual is up to" in page
    assert "healthy set" not in page
    assert "should be for its type" not in page
    kinds = [one["against"]["kind"] for one in table["comparisons"]]
    assert kinds == ["mask", "stand-in", "before", "stand-in"]
    assert to_document(before)["beside"][0]["overall"] == before.beside[0].overall


def test_page_of_the_first_job_tells_limits_mask_and_causes(tmp_path: Path) -> None:
    """The mark's panel says what it rests on; the mask stands by its name; "outside" is a fault."""
    with open_day_one(tmp_path / "book") as book:
        compare(book, 1, stage="before")
    with open_client(tmp_path / "book") as client:
        crackle = client.get("/jobs/1", params={"mark": "crackle"}).text
        hears = client.get("/jobs/1", params={"mark": "hears"}).text
    assert "two good sets of the type" in crackle.lower()
    assert "That was it" in crackle
    assert "≠" not in crackle
    assert "narrowband-handset-receive" in hears


def test_hum_without_a_baseline_has_hum_among_its_causes(tmp_path: Path) -> None:
    """What the floor says stands in for the deviation from the type."""
    with open_day_one(tmp_path / "book") as book:
        humming = change(make_run(stage="before", seed=4), noise={"mains_dbfs": -35.0})
        job = book.open_job("Humming", "Hillview 2").job
        book.save_run(dataclasses.replace(humming, job=job))
        found = compare(book, job)
    assert found.overall == "outside"
    assert found.hints[0].code == "F26"


def test_two_reference_sets_make_a_baseline_in_passing(tmp_path: Path) -> None:
    """They are used without being built first, it is said, and nothing is kept."""
    with open_day_one(tmp_path / "book") as book:
        for seed in (21, 22):
            job = book.open_job(f"Good {seed}", "Hillview 2").job
            book.save_run(make_run(stage="reference", seed=seed, job=job))
        found = compare(book, 1, stage="before")
        assert not book.list_baselines()
    assert (found.against.kind, found.against.n) == ("baseline", 2)
    assert "in passing" in found.notes[0]
    assert [one.against.kind for one in found.beside] == ["stand-in", "mask"]
    assert {one.path for one in found.beside[0].findings} == {"receive"}
