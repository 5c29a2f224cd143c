# mypy: disable-error-code="attr-defined"
"""
Every check is described once and wholly; one that is made up here works everywhere.

What a check needs is asked of its entry, so that a missing part is named by the check it lacks.
"""

import dataclasses
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import pytest
import typer
from msgspec import Meta
from services import need_module
from typer.testing import CliRunner

from voicecheck.bench.simulated.scene import Scene, SceneKind
from voicecheck.checkout.kinds import CheckKind, Guide, Span, Spans, Table
from voicecheck.checkout.options import CheckOptions
from voicecheck.checkout.steps import parse_steps, read_template
from voicecheck.cli import checkout as commands
from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.records import Problem, SetType, from_json, to_json
from voicecheck.records.fields import list_fields
from voicecheck.workflow.checks import kinds
from voicecheck.workflow.checks.checklist import collect_measured, collect_results
from voicecheck.workflow.checks.kinds import (
    CHECKS,
    CheckEntry,
    get_kind,
    has_picture,
    list_kinds,
    list_regions_of,
    load_scene,
)
from voicecheck.workflow.checks.run import list_checks, run_check
from voicecheck.workflow.checks.source import Source, list_source_fields
from voicecheck.workflow.papers.pictures import render_picture

HEARD = [kind.name for kind in list_kinds() if kind.measure is not None]
NAMES = [kind.name for kind in list_kinds()]
TYPED = {"line": {"loop_ma": 31.0, "accepts_pulses": True, "note": "adapter"}}
ON_NO_LIST = {"speak"}
"""Speech is for the owner's ears; a list of one's own may name it all the same."""
LEVEL_DBFS = -26.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HumCheck:
    """A check that is made up: how loud a recording is."""

    level_dbfs: float
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class HumOptions(CheckOptions):
    least_dbfs: Annotated[
        float,
        Meta(ge=-120, le=0, description="What counts as hum.", extra={"unit": "dBFS"}),
    ] = -80.0


def measure_hum(recording: Any, options: Any) -> Any:
    level_dbfs = float(10.0 * np.log10(2.0 * np.mean(recording.samples**2)))
    return HumCheck(level_dbfs=max(level_dbfs, options.least_dbfs))


def make_hum(words: Any, _more: Any, seed: Any) -> Any:
    turn = 2.0 * np.pi * 50.0 * np.arange(48000) / 48000
    samples = 10.0 ** (LEVEL_DBFS / 20.0) * np.sin(turn + seed)
    return Scene(samples=samples, rate_hz=48000, truth=words)


HUM = CheckKind(
    name="hum",
    about="Listen for hum.",
    options=HumOptions,
    guide=Guide(title="Hum", purpose="Hum of the mains.", steps=("Begin.",)),
    load_record=lambda: HumCheck,
    schema="voicecheck.hum/1",
    measure=measure_hum,
    describe=lambda check: f"hum of {check.level_dbfs:.1f} dBFS",
    tabulate=lambda check: (
        Table(name="readings", rows=(("hum level", f"{check.level_dbfs:.1f} dBFS"),)),
    ),
    picture=lambda check: Spans(
        title="Hum", axis="dBFS", rows=(Span(name="hum", parts=((-90.0, check.level_dbfs),)),)
    ),
    report_names={"hum": "hum of the mains"},
)


@pytest.fixture
def with_hum(monkeypatch: pytest.MonkeyPatch) -> None:
    """The made-up check, entered as any other is: one line."""
    scene = SceneKind(words={"healthy": "as quiet as it gets"}, make=make_hum)
    monkeypatch.setattr(kinds, "CHECKS", [*CHECKS, CheckEntry(kind=HUM, load_scene=lambda: scene)])


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Any]:
    with JobBook.open(tmp_path / "book") as opened:
        opened.add_type(SetType(name="Lakeside 4", region="North America"))
        opened.open_job("hall", "Lakeside 4")
        yield opened


def take(name: Any) -> Any:
    """One check of a kind, from its first made scene or from typed readings."""
    kind = get_kind(name)
    if kind.measure is None:
        return run_check(name, None, kind.options(**TYPED[name]))
    return run_check(name, Source(simulated=next(iter(load_scene(name).words))))


@pytest.mark.parametrize("name", NAMES)
def test_every_check_is_described_wholly(name: Any) -> None:
    kind = get_kind(name)
    assert (kind.measure is None) != (kind.rate is None)
    assert kind.about.endswith(".")
    assert kind.guide.title
    assert kind.guide.purpose
    assert kind.schema == f"voicecheck.{name}/1"
    assert dataclasses.is_dataclass(kind.load_record())
    if kind.measure is not None:
        assert kind.guide.steps
        assert kind.guide.list_steps(plays=True, moved="cord")
        assert load_scene(name).words
        assert has_picture(kind)
    if kind.plays != "nothing":
        assert kind.guide.get_caution(plays=True)
    if kind.limits:
        assert list_regions_of(kind)
        assert "region" in {field.name for field in list_fields(kind.options)}


@pytest.mark.parametrize("name", NAMES)
def test_every_check_says_what_it_found(name: Any) -> None:
    """Its record keeps its values as JSON; its line, tables and picture hold what it found."""
    kind = get_kind(name)
    check, document = take(name)
    assert isinstance(check, kind.load_record())
    assert document["schema"] == kind.schema
    assert from_json(to_json(check), kind.load_record()) == check
    assert kind.describe(check)
    tables = [part for part in kind.tabulate(check) if isinstance(part, Table)]
    for table in tables:
        width = len(table.heads) or 2
        assert {len(row) for row in table.rows} == {width}
    assert tables or name == "flex", "a quiet cord has no events; every other check has figures"
    if has_picture(kind, check):
        assert b"</svg>" in render_picture(name, check, "svg")


@pytest.mark.parametrize("name", NAMES)
def test_every_check_means_something_to_the_check_list(name: Any) -> None:
    """A step of the list that comes with the product names it, but for what no step is done by."""
    named = {
        step.filled_by.partition(":")[0]
        for variant in ("desk", "wall")
        for step in parse_steps(read_template(), variant)
    }
    assert (name in named) == (name not in ON_NO_LIST)


@pytest.mark.parametrize("name", NAMES)
def test_every_option_is_described_and_has_bounds(name: Any) -> None:
    """Numbers have both ends, so that a form and a help can show them."""
    kind = get_kind(name)
    for field in (*list_fields(kind.options), *list_source_fields(kind)):
        assert field.about, field.name
        assert field.label, field.name
        if field.kind == "number":
            assert field.bounds.low is not None, field.name
            assert field.bounds.high is not None, field.name


def test_a_made_up_check_works_in_the_workflow(with_hum: Any, book: Any) -> None:
    check, document = run_check("hum", Source(simulated="healthy"), book=book, job=1)
    assert check.level_dbfs == pytest.approx(LEVEL_DBFS, abs=0.01)
    assert (document["schema"], document["stage"]) == ("voicecheck.hum/1", "before")
    (kept,) = list_checks(book, 1)
    assert kept.check == check
    assert kept.sound_sha256 in {one.sha256 for one in book.load_job(1).attachments}
    line = f"hum of {LEVEL_DBFS} dBFS (simulated)"
    assert collect_measured(book, 1)["hum:before"].words == line
    assert collect_results(book, 1)["hum of the mains"] == line
    with pytest.raises(InputError, match="check: need one of dial"):
        run_check("buzz", Source(simulated="healthy"))


def test_a_made_up_check_has_a_command(
    with_hum: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # What is made up ships no schema.
    monkeypatch.setattr("documents.WITHOUT_RECORD", {"voicecheck.hum/1"})
    app = typer.Typer()
    commands.register(app)

    def call(*words: Any) -> Any:
        return CliRunner().invoke(app, ["hum", *words])

    told = call("--help").stdout
    assert "--least-dbfs" in told
    assert "What counts as hum, -120 to 0 dBFS." in told
    assert "--level-dbfs" not in told, "nothing is played for it"
    document = json.loads(call("--simulated", "healthy", "--json").stdout)
    assert document["level_dbfs"] == pytest.approx(LEVEL_DBFS, abs=0.01)
    picture = tmp_path / "hum.svg"
    shown = call("--simulated", "healthy", "--picture", str(picture), "--numbers").stdout
    assert "hum level  -26.0 dBFS" in shown
    assert "Hum" in picture.read_text(encoding="utf-8")
    refused = call("--simulated", "healthy", "--least-dbfs", "3").exception
    assert str(refused) == "least_dbfs: need -120 to 0 dBFS, got 3"
    assert isinstance(call("--simulated", "nonsense:1").exception, InputError)


def test_a_made_up_check_has_a_form_and_a_table(with_hum: Any, tmp_path: Path) -> None:
    need_module("starlette", "PAGE")
    from pagetest import TAB, fill_book, open_client

    with open_client(fill_book(tmp_path / "book")) as client:
        data = {"tab": TAB, "on": "simulated:healthy", "least_dbfs": "-60"}
        form = client.get("/jobs/1/checks").text.partition('aria-label="Hum"')[2]
        field = form.partition("</form>")[0].partition('name="least_dbfs"')[2].partition(">")[0]
        assert 'min="-120"' in field
        assert 'max="0"' in field
        client.post("/jobs/1/checks/hum", data=data, files={"none": ("", b"")})
        client.desk.wait(60)
        section = client.get("/jobs/1/checks").text.partition('<section id="hum"')[2]
        assert f"hum of {LEVEL_DBFS} dBFS (simulated)" in section
        assert '<th scope="row">Hum level</th>' in section
        assert "Hum" in client.get("/jobs/1/checks/hum/0.svg").text
        data["least_dbfs"] = "1"
        refused = client.post("/jobs/1/checks/hum", data=data, files={"none": ("", b"")})
        assert refused.status_code == 400
        assert "least_dbfs: need -120 to 0 dBFS, got 1" in refused.text
