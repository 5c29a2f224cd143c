"""Jobs and baselines sent as files: all of it arrives, twice is once, nothing is overwritten."""

from __future__ import annotations

import csv
import dataclasses
import hashlib
import io
import json
import math
import shutil
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import factories
import numpy as np
import pytest
import soundfile
from jobbook_samples import (
    draw_comparison,
    draw_likely_baseline,
    draw_measurement,
    draw_recording,
    draw_run,
    make_type,
)

from voicecheck.errors import InputError, JobBookError
from voicecheck.jobbook import JobBook
from voicecheck.records import Recipe
from voicecheck.records.arrays import is_same
from voicecheck.records.jobwords import JOB_WORDS
from voicecheck.records.sanity import check_sanity


def fill_job(book: Any, tmp_path: Path, label: str = "hall set", stage: str = "before") -> Any:
    """A job with everything that a job can have; gives it with its run and recording."""
    book.add_type(make_type())
    job = book.open_job(label, "Lakeside 4", owner="Mrs Größe", complaint="it crackles")
    stored = book.save_recording(draw_recording(job.job, 600), Recipe())
    run = draw_run(
        job.job, job=job.job, stage=stage, recordings=(draw_measurement(7, stored.sha256),)
    )
    book.save_run(run)
    book.save_comparison(draw_comparison(job.job))
    book.add_note(job.job, "clapper bent")
    photo = tmp_path / "photo.jpg"
    photo.write_bytes(b"picture" * 500)
    book.attach_file(job.job, photo)
    return book.load_job(job.job), run, stored


@pytest.fixture
def source(tmp_path: Path) -> Iterator[Any]:
    with JobBook.open(tmp_path / "source") as book:
        yield book


@pytest.fixture
def target(tmp_path: Path) -> Iterator[Any]:
    with JobBook.open(tmp_path / "target") as book:
        yield book


@pytest.fixture
def parcel(source: Any, tmp_path: Path) -> Any:
    fill_job(source, tmp_path)
    return source.export_job(1, tmp_path / "hall.zip")


def tell(merged: Any) -> Any:
    return [(one.what, one.outcome, one.stands_as) for one in merged]


def test_job_arrives_whole_in_another_book(source: Any, target: Any, tmp_path: Path) -> None:
    job, run, stored = fill_job(source, tmp_path)
    target.add_type(make_type("Other"))
    target.open_job("mine", "Other")
    merged = target.import_parcel(source.export_job(1, tmp_path / "hall.zip", with_owner=True))
    assert tell(merged) == [("set type", "added", "Lakeside 4"), ("job", "added", "2")]
    arrived = target.load_job(2)
    assert arrived == dataclasses.replace(job, job=2, set=2)
    assert target.list_runs(job=2)[0].same_as(dataclasses.replace(run, job=2))
    assert target.list_comparisons(2) == (draw_comparison(2),)
    assert is_same(target.load_recording(stored.sha256), stored)
    kept = target.locate_attachment(job.attachments[0].sha256)
    assert kept.read_bytes() == b"picture" * 500
    assert target.count_jobs(search="clapper größe") == 1
    there, here = source.list_events(1), target.list_events(2)
    assert here[:-1] == there
    assert here[-1].kind == "imported"
    assert target.verify() == ()


def test_same_parcel_twice_changes_nothing(parcel: Any, target: Any, source: Any) -> None:
    target.import_parcel(parcel)
    before = (target.list_jobs(), target.list_events(1), target.count_runs())
    assert tell(target.import_parcel(parcel)) == [
        ("set type", "same", "Lakeside 4"),
        ("job", "same", "1"),
    ]
    assert (target.list_jobs(), target.list_events(1), target.count_runs()) == before
    assert tell(source.import_parcel(parcel))[1] == ("job", "same", "1")


def test_what_was_added_since_is_merged(
    parcel: Any, source: Any, target: Any, tmp_path: Path
) -> None:
    target.import_parcel(parcel)
    source.save_run(draw_run(5, job=1, stage="after"))
    source.add_note(1, "new element")
    later = source.export_job(1, tmp_path / "later.zip")
    assert tell(target.import_parcel(later))[1] == ("job", "merged", "1")
    assert [run.stage for run in target.list_runs(job=1)] == ["before", "after"]
    assert target.load_job(1).notes == ("clapper bent", "new element")
    assert target.count_jobs(search="element") == 1
    assert tell(target.import_parcel(later))[1] == ("job", "same", "1")


def test_job_that_differs_is_kept_beside_once(parcel: Any, target: Any) -> None:
    target.import_parcel(parcel)
    target.edit_job(1, complaint="it hums")
    for outcome in ("kept beside", "same"):
        assert tell(target.import_parcel(parcel))[1] == ("job", outcome, "2")
    listed = {job.label: job.complaint for job in target.list_jobs()}
    assert listed == {"hall set": "it hums", "hall set (2)": "it crackles"}


def test_set_type_with_other_values_is_kept_beside(parcel: Any, target: Any) -> None:
    target.add_type(dataclasses.replace(make_type(), feed_ma=60.0))
    assert tell(target.import_parcel(parcel)) == [
        ("set type", "kept beside", "Lakeside 4 (2)"),
        ("job", "added", "1"),
    ]
    assert target.load_type("Lakeside 4").feed_ma == 60.0
    assert target.load_type("Lakeside 4 (2)").feed_ma == 35.0
    assert target.load_job(1).type_name == "Lakeside 4 (2)"
    assert tell(target.import_parcel(parcel))[1] == ("job", "same", "1")
    assert len(target.list_types()) == 2


def test_baseline_travels_with_its_reference_runs_but_not_their_owners(
    source: Any, target: Any, tmp_path: Path
) -> None:
    for label in ("ref 1", "ref 2"):
        fill_job(source, tmp_path, label, "reference")
    fill_job(source, tmp_path, "customer's", "before")
    source.save_run(draw_run(9, job=1, stage="reference", path="receive"))
    source.save_baseline(draw_likely_baseline())
    parcel = source.export_baseline("Lakeside 4", "transmit", tmp_path / "base.zip")
    assert tell(target.import_parcel(parcel)) == [
        ("set type", "added", "Lakeside 4"),
        ("baseline", "added", "Lakeside 4"),
        ("job", "added", "1"),
        ("job", "added", "2"),
    ]
    assert target.load_baseline("Lakeside 4", "transmit").same_as(draw_likely_baseline())
    runs = target.list_runs(type_name="Lakeside 4", stage="reference", path="transmit")
    assert len(runs) == target.count_runs() == 2
    for job in target.list_jobs():
        assert (job.owner, job.complaint, job.notes, job.attachments) == ("", "", (), ())
    everything = b"".join(zipfile.ZipFile(parcel).read(name) for name in list_names(parcel))
    assert "Größe".encode() not in everything
    assert b"crackles" not in everything
    assert target.verify() == ()
    outcomes = {one.outcome for one in target.import_parcel(parcel)}
    outcomes |= {one.outcome for one in source.import_parcel(parcel)}
    assert outcomes == {"same"}


def test_other_baseline_never_takes_the_place_of_ones_own(
    source: Any, target: Any, tmp_path: Path
) -> None:
    fill_job(source, tmp_path, "ref", "reference")
    source.save_baseline(draw_likely_baseline(1))
    parcel = source.export_baseline("Lakeside 4", "transmit", tmp_path / "base.zip")
    target.add_type(make_type())
    target.save_baseline(draw_likely_baseline(2))
    assert tell(target.import_parcel(parcel)) == [
        ("set type", "same", "Lakeside 4"),
        ("baseline", "kept beside", "Lakeside 4 (2)"),
        ("job", "added", "1"),
    ]
    assert target.load_baseline("Lakeside 4", "transmit").same_as(draw_likely_baseline(2))
    beside = target.load_baseline("Lakeside 4 (2)", "transmit")
    assert beside.same_as(draw_likely_baseline(1, "Lakeside 4 (2)"))
    assert target.list_runs(type_name="Lakeside 4") == ()
    assert {one.outcome for one in target.import_parcel(parcel)} == {"same"}
    assert len(target.list_baselines()) == 2


def list_names(parcel: Path) -> list[str]:
    with zipfile.ZipFile(parcel) as archive:
        return archive.namelist()


def test_parcel_is_readable_without_this_program(parcel: Any, source: Any) -> None:
    """ZIP, JSON, CSV and FLAC by general libraries, as the format says."""
    stored = source.load_recording(source.list_recordings()[0])
    run = source.list_runs()[0]
    with zipfile.ZipFile(parcel) as archive:
        assert archive.testzip() is None
        contents = json.loads(archive.read("parcel.json"))
        assert (contents["schema"], contents["kind"]) == ("voicecheck.parcel/1", "job")
        for name, digest in contents["files"].items():
            assert hashlib.sha256(archive.read(name)).hexdigest() == digest
        flac = io.BytesIO(archive.read(f"recordings/{stored.sha256}.flac"))
        np.testing.assert_array_equal(soundfile.read(flac)[0], stored.samples)
        text = archive.read("jobs/001/runs/001.csv").decode()
        job = json.loads(archive.read("jobs/001/job.json"))
    rows = list(csv.DictReader(io.StringIO(text)))
    level_db = [float(row["level_db"]) if row["level_db"] else np.nan for row in rows]
    np.testing.assert_array_equal(level_db, run.pooled.response.level_db)
    assert np.isnan(level_db[3])
    assert job["complaint"] == "it crackles"


def test_old_numbers_of_a_run_travel_too(source: Any, target: Any, tmp_path: Path) -> None:
    from voicecheck.jobbook.runs import insert_run

    fill_job(source, tmp_path)
    again = dataclasses.replace(source.list_runs()[0], level_sd_db=0.99, recordings=())
    with source._writing() as connection:
        insert_run(connection, again, [], origin_id=1)
    parcel = source.export_job(1, tmp_path / "p.zip")
    target.import_parcel(parcel)
    assert [run.level_sd_db for run in target.list_runs(history=True)] == [0.31, 0.99]
    assert [run.level_sd_db for run in target.list_runs()] == [0.99]
    assert tell(target.import_parcel(parcel))[1] == ("job", "same", "1")


def repack(parcel: Path, changes: dict[str, bytes | None], *, honest: bool = True) -> Path:
    """A copy with files changed, added or left out; `honest` puts the digests right again."""
    made = parcel.with_name("made.zip")
    with zipfile.ZipFile(parcel) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    contents = json.loads(files.pop("parcel.json"))
    files |= {name: data for name, data in changes.items() if data is not None}
    files = {name: data for name, data in files.items() if changes.get(name, b"") is not None}
    if honest:
        contents["files"] = {n: hashlib.sha256(d).hexdigest() for n, d in files.items()}
    files.setdefault("parcel.json", json.dumps(contents).encode())
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return made


NAME_64 = "0" * 64


@pytest.mark.parametrize(
    ("changes", "honest", "told"),
    [
        ({"../../etc/evil": b"x"}, True, "no name of the format"),
        ({"/jobs/001/job.json": b"x"}, True, "no name of the format"),
        ({"recordings/..flac": b"x"}, True, "no name of the format"),
        ({"jobs/001/extra.exe": b"x"}, True, "no name of the format"),
        ({"jobs/001/job.json": b"[1]"}, True, "does not fit"),
        ({"jobs/001/job.json": b"\xff\xfe"}, True, "does not fit"),
        ({"jobs/001/job.json": None}, False, "missing or too many"),
        ({"jobs/001/runs/001.json": b"{}"}, False, "has changed since"),
        ({"set_types/001.json": None}, True, "set type 'Lakeside 4' is not in it"),
        ({f"recordings/{NAME_64}.flac": b"x"}, True, "not named by its content"),
        ({f"attachments/{NAME_64}": b"x"}, True, "not named by its content"),
        ({f"recordings/{hashlib.sha256(b'x').hexdigest()}.flac": b"x"}, True, "not a recording"),
        ({"parcel.json": b"{}"}, True, "does not fit"),
        (
            {"parcel.json": b'{"schema":"voicecheck.parcel/9","kind":"job","version":"9",'
             b'"made_utc":"","files":{}}'},
            True,
            "need schema voicecheck.parcel/1",
        ),
    ],
)  # fmt: skip
def test_tampered_parcel_is_refused_and_the_book_stays(
    parcel: Any, target: Any, changes: Any, honest: bool, told: str
) -> None:
    made = repack(parcel, changes, honest=honest)
    with pytest.raises(InputError, match=told) as caught:
        target.import_parcel(made)
    assert "\n" not in str(caught.value)
    assert (target.count_jobs(), target.list_types(), target.count_runs()) == (0, (), 0)
    assert {problem.kind for problem in target.verify()} <= {"unfiled-recording"}
    assert not list(parcel.parent.rglob("evil*"))


def test_zip_bomb_is_refused_before_it_is_unpacked(parcel: Any, target: Any) -> None:
    bomb = repack(parcel, {"jobs/001/runs/002.json": b" " * (65 << 20)})
    assert bomb.stat().st_size < 1 << 20
    with pytest.raises(InputError, match="the limit is"):
        target.import_parcel(bomb)
    with pytest.raises(InputError, match="the limit is 1000"):
        target.import_parcel(parcel, limit_bytes=1000)
    assert target.count_jobs() == 0


def test_names_twice_and_links_are_refused(parcel: Any, target: Any) -> None:
    twice = parcel.with_name("twice.zip")
    shutil.copy(parcel, twice)
    with (
        zipfile.ZipFile(twice, "a") as archive,
        pytest.warns(UserWarning, match="Duplicate name"),
    ):
        archive.writestr("set_types/001.json", b"{}")
    with pytest.raises(InputError, match="same name"):
        target.import_parcel(twice)
    with zipfile.ZipFile(parcel, "a") as archive:
        link = zipfile.ZipInfo("set_types/002.json")
        link.external_attr = 0o120777 << 16
        archive.writestr(link, "/etc/passwd")
    with pytest.raises(InputError, match="link"):
        target.import_parcel(parcel)


@pytest.mark.parametrize("place", [0.0, 0.2, 0.5, 0.9, 0.999])
def test_damaged_file_is_refused_or_harmless(parcel: Any, target: Any, place: float) -> None:
    data = bytearray(parcel.read_bytes())
    data[int(place * (len(data) - 1))] ^= 0x41
    parcel.write_bytes(data)
    try:
        target.import_parcel(parcel)
    except InputError:
        assert target.count_jobs() == 0
    else:
        assert target.load_job(1).complaint == "it crackles"
    assert {problem.kind for problem in target.verify()} <= {"unfiled-recording"}


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04", b"not a zip" * 99])
def test_what_is_no_parcel_is_refused(target: Any, tmp_path: Path, data: Any) -> None:
    place = tmp_path / "x.zip"
    place.write_bytes(data)
    with pytest.raises(InputError, match=r"x\.zip: not a parcel"):
        target.import_parcel(place)
    with pytest.raises(InputError, match="no such file"):
        target.import_parcel(tmp_path / "none.zip")


def test_export_is_whole_or_not_at_all(source: Any, tmp_path: Path) -> None:
    _, _, stored = fill_job(source, tmp_path)
    place = tmp_path / "out.zip"
    source.export_job(1, place)
    with pytest.raises(InputError, match="already there"):
        source.export_job(1, place)
    source.export_job(1, place, overwrite=True)
    with pytest.raises(InputError, match="folder that is there"):
        source.export_job(1, tmp_path / "none" / "out.zip")
    with pytest.raises(InputError, match="job 8"):
        source.export_job(8, tmp_path / "other.zip")
    before = place.read_bytes()
    flac = tmp_path / "source" / "recordings" / stored.sha256[:2] / f"{stored.sha256}.flac"
    flac.write_bytes(b"damaged")
    with pytest.raises(JobBookError, match="nothing was exported"):
        source.export_job(1, place, overwrite=True)
    assert place.read_bytes() == before
    assert not list(tmp_path.glob("*.part")) + list(tmp_path.glob(".*.part"))
    assert not (tmp_path / "other.zip").exists()


def test_language_of_a_job_is_stored_changed_and_sent(
    source: Any, target: Any, tmp_path: Path
) -> None:
    """It is one of those that there are: no free word, as the others are."""
    source.add_type(make_type())
    number = source.open_job("set", "Lakeside 4", language="de").job
    source.edit_job(number, language="fr")
    target.import_parcel(source.export_job(number, tmp_path / "one.zip"))
    assert [job.language for job in target.list_jobs()] == ["fr"]
    source.edit_job(number, language="nl")
    told = target.import_parcel(source.export_job(number, tmp_path / "two.zip"))
    assert [one.outcome for one in told if one.what == "job"] == ["kept beside"]


@pytest.mark.parametrize("word", [word for word in JOB_WORDS if word != "language"])
def test_every_word_of_a_job_is_stored_found_changed_and_sent(
    word: Any, source: Any, target: Any, tmp_path: Path
) -> None:
    """A further word in the record that a room of the book forgets is missed here by its name."""
    source.add_type(make_type())
    number = source.open_job("set", "Lakeside 4", **{word: "as Opened"}).job
    assert getattr(source.load_job(number), word) == "as Opened"
    assert [job.job for job in source.list_jobs(search="as opened")] == [number]
    source.edit_job(number, **{word: "as changed"})
    assert [job.job for job in source.list_jobs(search="changed")] == [number]
    assert source.list_jobs(search="opened") == ()
    assert source.list_events(number)[-1].text == f"{word}: as changed"
    target.import_parcel(source.export_job(number, tmp_path / "one.zip", with_owner=True))
    (arrived,) = target.list_jobs(search="changed")
    assert getattr(arrived, word) == "as changed"
    source.edit_job(number, **{word: "another"})
    (merged,) = [
        one
        for one in target.import_parcel(
            source.export_job(number, tmp_path / "two.zip", with_owner=True)
        )
        if one.what == "job"
    ]
    assert merged.outcome == "kept beside"
    with pytest.raises(TypeError, match="shoe"):
        source.open_job("set", "Lakeside 4", shoe="left")


def test_limits_of_two_sets_may_be_wider_than_anything_measured() -> None:
    """A comparison of one's own with them goes out and comes back; what is no number does not."""
    finding = factories.make_finding("transmit", "thd_1000_percent", 4.0, "within", high=2.9e13)
    check_sanity(finding, "finding")
    endless = factories.make_finding("transmit", "thd_1000_percent", 4.0, "within", high=math.inf)
    with pytest.raises(InputError, match=r"finding\.high"):
        check_sanity(endless, "finding")
