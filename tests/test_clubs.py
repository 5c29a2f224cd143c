"""Baselines that clubs pass on: small, checked on the way in, merged with their spread."""

from __future__ import annotations

import copy
import dataclasses
import io
import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bench_sets import build_on_bench, take_on_bench
from factories import make_run
from helpers import run_program
from jobbook_samples import draw_recording

from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.records import Recipe, SetType
from voicecheck.records.clubfile import compute_fingerprint, read_club
from voicecheck.verdicts import compare_to_baseline
from voicecheck.verdicts.clubs import merge_baselines, weigh_benches
from voicecheck.workflow.papers.clubs import list_clubs, make_club, take_club
from voicecheck.workflow.papers.comparing import build_baselines, compare
from voicecheck.workflow.papers.lookup import find_baselines, find_kindred


def test_healthy_sets_stay_within_what_clubs_bring_together() -> None:
    """
    Benches that differ by 1 dB: at most 5 of 100 healthy sets outside, with own sets and without.

    Forty times four benches, five sets of each draw; five of one draw count as one and a half.
    """
    random = np.random.default_rng(5)
    outside = {"own": 0, "others": 0}
    for _ in range(40):
        offsets_db = random.normal(0.0, 1.0, 4)
        parts = [
            build_on_bench(random, n, offset_db, f"bench {k}")
            for k, (n, offset_db) in enumerate(zip((3, 5, 5, 5), offsets_db, strict=True))
        ]
        others = {f"club {k}": one for k, one in enumerate(parts[1:], start=1)}
        merged = {
            "own": merge_baselines(parts[0], others), "others": merge_baselines(None, others),
        }  # fmt: skip
        for _ in range(5):
            run = {"transmit": take_on_bench(random, float(offsets_db[0]), 99, "bench 0")}
            for name, one in merged.items():
                found = compare_to_baseline(run, {"transmit": one}, job=None, stage="after")
                outside[name] += found.overall == "outside"
    assert max(outside.values()) / 200 <= 0.05 + 0.04


def test_others_narrow_the_limits_of_few_own_sets() -> None:
    """Three sets of one's own with three clubs of eight: half the width, the middle still one's."""
    random = np.random.default_rng(8)
    own = build_on_bench(random, 3, 0.0, "here")
    others = {f"club {k}": build_on_bench(random, 8, 0.3 * k, f"bench {k}") for k in range(3)}
    merged = merge_baselines(own, others)
    width, was = (np.nanmean(one.high_db - one.low_db) for one in (merged, own))
    assert width < 0.7 * was
    assert merged.n == 27
    assert "benches are taken to differ by" in merged.method
    assert merged.conditions.bench == "here"


def test_spread_between_benches_widens_what_they_lend() -> None:
    """The same sets on benches 6 dB apart: wider limits, and the spread is told."""
    near, far = (
        [build_on_bench(np.random.default_rng(k), 6, step_db * k, f"b{k}") for k in range(3)]
        for step_db in (0.0, 6.0)
    )
    widths = [
        float(np.nanmean(one.high_db - one.low_db))
        for one in (merge_baselines(None, {b.conditions.bench: b for b in s}) for s in (near, far))
    ]
    assert widths[1] > widths[0] + 6.0
    both = weigh_benches(
        [np.zeros(3), np.full(3, 6.0), np.full(3, 12.0)], [6, 6, 6], 1.0, 1.0, has_own=False
    )
    # (3 * 1 + 2 * (36 - 1/6)) / 5: drawn towards the stated variance of 1 with three.
    assert both.between == pytest.approx((3.0 + 2.0 * (36.0 - 1.0 / 6.0)) / 5.0)
    assert both.mean == pytest.approx(np.full(3, 6.0))


def test_own_sets_outweigh_a_far_bench() -> None:
    """With the benches far apart one's own eight sets are hardly moved."""
    found = weigh_benches(
        [np.zeros(2), np.full(2, 10.0), np.full(2, -10.0)], [8, 8, 8], 1.0, 1.0, has_own=True
    )
    assert np.max(np.abs(found.mean)) < 0.2
    assert found.variance < 1.0 / 8.0


def test_one_other_bench_alone_widens_every_limit_and_says_so() -> None:
    """Neither curve nor figure is held as finely as on the bench that it comes from."""
    theirs = build_on_bench(np.random.default_rng(2), 8, 0.0, "there")
    merged = merge_baselines(None, {"club": theirs})
    assert np.all(merged.high_db > theirs.high_db)
    assert any("one other bench alone" in warning for warning in merged.warnings)
    wide, fine = (
        {q.quantity: q.high for q in one.quantities if q.high is not None and q.family == "level"}
        for one in (merged, theirs)
    )
    assert len(fine) == 4
    assert all(wide[name] > fine[name] for name in fine)
    assert not any(one.unit == "dBFS" for one in merged.quantities)


def test_simulated_and_uncalibrated_sets_are_left_out_and_said() -> None:
    """Neither counts beside telephones in volts and pascals."""
    random = np.random.default_rng(3)
    own = build_on_bench(random, 4, 0.0, "here")
    raw = dataclasses.replace(build_on_bench(random, 4, 0.0, "there"), unit="dB relative")
    made = build_on_bench(random, 4, 0.0, "simulated")
    merged = merge_baselines(own, {"A": raw, "B": made}, apart=["B"])
    assert merged.n == own.n
    assert np.array_equal(merged.low_db, own.low_db)
    told = " ".join(merged.warnings)
    assert "not counted: A: one curve is in" in told
    assert "not counted: B: simulated" in told


def fill_book(book: JobBook, *, seed: int = 1, n_sets: int = 8) -> None:
    """A type with reference sets of all four paths, and its baselines."""
    book.add_type(SetType(name="Hillview 2", transmitter="carbon", notes="bought from Mr Private"))
    for k in range(n_sets):
        job = book.open_job(f"good {k}", "Hillview 2", owner="Mrs Private").job
        for path in ("transmit", "receive", "sidetone", "loop"):
            made = make_run(path, "reference", seed=100 * seed + k, job=job, unit="dB V/Pa")
            book.save_run(made)
    build_baselines(book, "Hillview 2")


@pytest.fixture(scope="module")
def club_file(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    with JobBook.open(tmp_path_factory.mktemp("club") / "book") as book:
        fill_book(book)
        return make_club(book, "Hillview 2", made_by="Old Exchange Society")


def test_file_is_small_and_says_who_made_it_on_what(club_file: bytes) -> None:
    """All four paths under 100 kB, no owner in it, the simulated bench named as such."""
    club = read_club(club_file, "x")
    assert len(club_file) < 100_000
    assert [one.path for one in club.baselines] == ["loop", "receive", "sidetone", "transmit"]
    assert (club.type_name, club.made_by) == ("Hillview 2", "Old Exchange Society")
    assert club.simulated
    assert "shop bench, 2031-04-01" in club.calibration
    assert b"Private" not in club_file


def test_fingerprint_is_of_the_content_however_it_is_written(club_file: bytes) -> None:
    """Other order and blanks change nothing, one digit does; the letters are told apart by ear."""
    document = json.loads(club_file)
    turned = dict(reversed(document.items()))
    assert compute_fingerprint(turned) == document["fingerprint"]
    assert read_club(json.dumps(turned, indent=2).encode(), "x").fingerprint
    document["baselines"][0]["mean_db"][5] += 1e-6
    assert compute_fingerprint(document) != document["fingerprint"]
    with pytest.raises(InputError, match="fingerprint: need"):
        read_club(json.dumps(document).encode(), "x")


def seal(document: dict[str, Any]) -> bytes:
    """The document as somebody writes it who knows how the fingerprint is made."""
    document["fingerprint"] = compute_fingerprint(document)
    return json.dumps(document).encode()


def _set(*places: str | int, to: Any) -> Callable[[dict[str, Any]], None]:
    def change(document: dict[str, Any]) -> None:
        at: Any = document
        for place in places[:-1]:
            at = at[place]
        at[places[-1]] = to

    return change


FIRST = ("baselines", 0)
HOSTILE: list[tuple[Callable[[dict[str, Any]], None], str]] = [
    (_set("schema", to="voicecheck.run/1"), "schema"),
    (_set("type_name", to=" "), "type_name"),
    (_set("type_name", to="a\x1b[2Jb"), "type_name"),
    (_set("made_by", to="x" * 5000), "made_by"),
    (_set("transmitter", to="steam"), "transmitter"),
    (_set("feed_ma", to=0.0), "feed_ma"),
    (_set("baselines", to=[]), "baselines"),
    (_set(*FIRST, "n", to=0), "n: need"),
    (_set(*FIRST, "n", to=10**9), "n: need"),
    (_set(*FIRST, "path", to="../../etc"), "path"),
    (_set(*FIRST, "type_name", to="Another"), "type_name"),
    (_set(*FIRST, "sd_db", 3, to=-1.0), "sd_db: need 0 or more"),
    (_set(*FIRST, "mean_db", 3, to=1e300), "mean_db"),
    (_set(*FIRST, "mean_db", to=[1.0, 2.0]), "mean_db: need"),
    (_set(*FIRST, "mean_db", to=[[1.0], [2.0, 3.0]]), "fit"),
    (_set(*FIRST, "low_db", 3, to=900.0), "low_db: need to lie below"),
    (_set(*FIRST, "frequency_hz", 0, to=1e5), "frequency_hz"),
    (_set(*FIRST, "frequency_hz", to=[]), "frequency_hz"),
    (_set(*FIRST, "dof", to=0.0), "dof"),
    (_set(*FIRST, "n_seats", to=0.0), "n_seats"),
    (_set(*FIRST, "level_share", to=7.0), "level_share"),
    (_set(*FIRST, "quantities", 0, "sd", to=-2.0), "sd: need"),
    (_set(*FIRST, "quantities", 0, "n", to=-2), "n: need"),
    (_set(*FIRST, "quantities", 0, "low", to=1e5), "low"),
    (_set(*FIRST, "quantities", 0, "scale", to="cubic"), "fit"),
    (_set(*FIRST, "covariation", "deviations", to=[[1.0, 2.0]]), "deviations: need shape"),
    (_set(*FIRST, "covariation", "mean", 0, to=1e9), "mean: need"),
    (_set(*FIRST, "covariation", "sd_db", to=-1.0), "sd_db: need 0 or more"),
    (_set(*FIRST, "covariation", "traits", 0, to="a\x1b[2Jb"), "covariation"),
    (
        _set(*FIRST, "doubted", to=[{"job": 1, "path": "x", "probability": 0.0, "why": "\x1b"}]),
        "doubted",
    ),
    (_set("recordings", to=[{"path": "loop", "set_number": 1, "sha256": "/etc"}]), "sha256"),
]


@pytest.mark.parametrize(("change", "field"), HOSTILE)
def test_hostile_file_is_refused_in_one_line_and_leaves_the_book_alone(
    change: Callable[[dict[str, Any]], None], field: str, club_file: bytes, tmp_path: Path
) -> None:
    """The field is named, and neither type nor baseline is there afterwards."""
    document = copy.deepcopy(json.loads(club_file))
    change(document)
    file = tmp_path / "sent.json"
    file.write_bytes(seal(document))
    with JobBook.open(tmp_path / "book") as book:
        with pytest.raises(InputError, match=r"nothing was taken in$") as told:
            take_club(book, file)
        assert field in str(told.value)
        assert "\n" not in str(told.value)
        assert not book.list_types()
        assert not list_clubs(book)


@pytest.mark.parametrize(
    "content", [b"", b"\x00\xff", b"[" * 100_000, b"[]", b'{"schema": 1e999}', b"9" * (5 << 20)]
)
def test_what_is_no_such_document_is_refused(content: bytes, tmp_path: Path) -> None:
    """Neither depth nor length nor nonsense ends in anything but one line."""
    (tmp_path / "sent.json").write_bytes(content)
    with (
        JobBook.open(tmp_path / "book") as book,
        pytest.raises(InputError, match="nothing was taken in"),
    ):
        take_club(book, tmp_path / "sent.json")


def test_taken_in_it_counts_and_stays_out_of_the_job_list(club_file: bytes, tmp_path: Path) -> None:
    """An empty book judges by it, its kindred types borrow from it, and twice is once."""
    file = tmp_path / "hillview-2.baseline.json"
    file.write_bytes(club_file)
    with JobBook.open(tmp_path / "book") as book:
        club, outcome = take_club(book, file)
        assert (club.type_name, outcome) == ("Hillview 2", "added")
        assert take_club(book, file)[1] == "same"
        assert book.count_jobs() == 0
        job = book.open_job("Green wall set", "Hillview 2").job
        book.save_run(make_run(stage="before", job=job, unit="dB V/Pa", seed=77))
        weak = make_run(stage="after", job=job, unit="dB V/Pa", seed=78, gain_db=-25.0)
        book.save_run(weak)
        assert compare(book, job, stage="before").overall == "within"
        found = compare(book, job, stage="after")
        assert (found.against.kind, found.against.n, found.overall) == ("baseline", 8, "outside")
        book.add_type(SetType(name="Other", transmitter="carbon"))
        assert {one.type_name for one in find_kindred(book, "Other")} == {"Hillview 2"}


def test_newer_file_of_one_maker_takes_the_place_of_the_older(tmp_path: Path) -> None:
    """The same sets never count twice: not an older file, not one's own."""
    with JobBook.open(tmp_path / "club") as club:
        fill_book(club, n_sets=3)
        files = [tmp_path / "old.json", tmp_path / "new.json"]
        files[0].write_bytes(make_club(club, "Hillview 2", made_by="S"))
        job = club.open_job("one more", "Hillview 2").job
        club.save_run(make_run("transmit", "reference", seed=55, job=job, unit="dB V/Pa"))
        build_baselines(club, "Hillview 2", "transmit")
        files[1].write_bytes(make_club(club, "Hillview 2", made_by="S"))
        for month, file in enumerate(files, 1):
            document = json.loads(file.read_bytes())
            document["made_utc"] = f"2031-0{month}-01T08:00:00+00:00"
            file.write_bytes(seal(document))
        assert take_club(club, files[1])[1] == "own"
        assert not list_clubs(club)
    with JobBook.open(tmp_path / "book") as book:
        outcomes = [take_club(book, file, as_name="Wall 2")[1] for file in files]
        assert outcomes == ["added", "newer"]
        assert find_baselines(book, "Wall 2")["transmit"].n == 4
    with JobBook.open(tmp_path / "late") as book:
        outcomes = [take_club(book, file, as_name="Wall 2")[1] for file in reversed(files)]
        assert outcomes == ["added", "older"]
        assert find_baselines(book, "Wall 2")["transmit"].n == 4
        assert take_club(book, files[0], as_name="Wall 2")[1] == "same"
    with JobBook.open(tmp_path / "book") as book:
        book.add_type(SetType(name="Plastic", transmitter="electret"))
        with pytest.raises(InputError, match="transmitter: need electret"):
            take_club(book, files[0], as_name="Plastic")


def test_commands_pass_a_baseline_from_one_book_to_another(tmp_path: Path) -> None:
    """Both sides are told the same fingerprint; a type without a baseline of its own is refused."""
    with JobBook.open(tmp_path / "club") as book:
        fill_book(book, n_sets=2)
    sent = run_program(
        "baseline", "export", "Hillview 2", "--by", "S", "--book", "club", "--json", folder=tmp_path
    )
    told = json.loads(sent.stdout)
    assert told["file"] == "hillview-2.baseline.json"
    taken = run_program(
        "baseline", "import", told["file"], "--book", "here", "--json", folder=tmp_path
    )
    assert json.loads(taken.stdout)["fingerprint"] == told["fingerprint"]
    shown = run_program("baseline", "show", "Hillview 2", "--book", "here", folder=tmp_path)
    assert told["fingerprint"] in shown.stdout
    assert "benches are taken to differ by" in shown.stdout
    document = run_program(
        "baseline", "show", "Hillview 2", "--book", "here", "--json", folder=tmp_path
    )
    assert [one["fingerprint"] for one in json.loads(document.stdout)["clubs"]] == [
        told["fingerprint"]
    ]
    again = run_program("baseline", "export", "Hillview 2", "--book", "here", folder=tmp_path)
    assert again.returncode == 2
    (tmp_path / "bad.json").write_text("{}")
    bad = run_program("baseline", "import", "bad.json", "--book", "here", folder=tmp_path)
    assert (bad.returncode, bad.stderr.count("\n")) == (2, 1)


def fill_with_sound(book: JobBook) -> None:
    """Two reference sets with a recording each."""
    book.add_type(SetType(name="Hillview 2", transmitter="carbon"))
    for seed in (1, 2):
        job = book.open_job(f"Mrs Private {seed}", "Hillview 2").job
        stored = book.save_recording(draw_recording(seed, 600), Recipe())
        made = make_run("transmit", "reference", seed=seed, job=job, n_recordings=1)
        info = dataclasses.replace(made.pooled.recording, sha256=stored.sha256)
        one = made.pooled.replace(recording=info)
        book.save_run(dataclasses.replace(made, recordings=(one,)))
    build_baselines(book, "Hillview 2")


def pack(parts: dict[str, bytes]) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return packed.getvalue()


def test_recordings_travel_only_when_asked_for(tmp_path: Path) -> None:
    """They arrive bit for bit, without owner and job; one changed, missing or more: nothing."""
    with JobBook.open(tmp_path / "club") as book:
        fill_with_sound(book)
        digests = set(book.list_recordings())
        assert b"sha256" not in make_club(book, "Hillview 2")
    sent = run_program(
        "baseline", "export", "Hillview 2", "--recordings", "--book", "club", "--json",
        folder=tmp_path,
    )  # fmt: skip
    file = tmp_path / json.loads(sent.stdout)["file"]
    assert file.name == "hillview-2.baseline.zip"
    with zipfile.ZipFile(file) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    assert not any(b"Private" in data for data in parts.values())
    first, second = (name for name in parts if name != "baseline.json")
    wrong = [
        {**parts, first: parts[first][:-1] + b"x"},
        {**parts, first: parts[second]},
        {name: data for name, data in parts.items() if name != first},
        {**parts, "../escape": b"x"},
        {name: data for name, data in parts.items() if name != "baseline.json"},
    ]
    bad = tmp_path / "bad.zip"
    with JobBook.open(tmp_path / "here") as book:
        for content in (*map(pack, wrong), file.read_bytes()[:-60]):
            bad.write_bytes(content)
            with pytest.raises(InputError, match="nothing was taken in"):
                take_club(book, bad)
            assert not book.list_recordings()
            assert not book.list_types()
        assert take_club(book, file)[1] == "added"
        assert set(book.list_recordings()) == digests
        assert book.count_jobs() == 0
        assert not book.verify()
