# mypy: disable-error-code="union-attr"
"""The bench page: jobs, sweeps, comparisons, reports, set types and parcels."""

import io
import threading
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from pagetest import HOSTILE, TAB, fill_book, open_client

from voicecheck.bench.soundfiles import save_sound
from voicecheck.bench.wavfile import save_programme
from voicecheck.errors import InputError
from voicecheck.programme import make_programme
from voicecheck.verdicts.faults import load_fault_table
from voicecheck.workflow.books import open_book
from voicecheck.workflow.separating import CHECKED_BY, ON_THE_BENCH, SWEPT_AGAIN, TRIED_BY
from voicecheck.workflow.takes import list_takes
from voicecheck.workflow.wording import say_found


@pytest.fixture
def folder(tmp_path: Path) -> Any:
    return fill_book(tmp_path / "book")


@pytest.fixture
def client(folder: Any) -> Iterator[Any]:
    with open_client(folder) as client:
        yield client


def sweep_at_once(client: Any, job: Any = 1, **changes: Any) -> Any:
    form = {"tab": TAB, "path": "transmit", "stage": "before", "on": "simulated:carbon", "seats": 1}
    return client.post(f"/jobs/{job}/sweep", data={**form, **changes}, files={"none": b""})


def sweep(client: Any, job: Any = 1, **changes: Any) -> Any:
    done = sweep_at_once(client, job, **changes)
    client.desk.wait(60)
    return done


ODD = ["0", "-1", "999999999999", "9" * 5000, "x", "%00", "1.5", "²"]


@pytest.mark.parametrize("number", ODD)
def test_odd_numbers_are_refused_without_a_fault(client: Any, number: Any) -> None:
    for rest in ("", "/curves", "/report/report.html", "/checks", "/list", "/job.zip"):
        assert client.get(f"/jobs/{number}{rest}").status_code in {400, 404}
    assert client.get("/", params={"page": number}).status_code in {200, 404}
    for action in ("note", "cause", "compare", "sweep", "edit", "state", "attach", "other"):
        done = client.post(f"/jobs/{number}/{action}", data={"text": "x"})
        assert 400 <= done.status_code < 500


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_shown_as_text(client: Any, text: Any) -> None:
    """Whatever is typed stands on the page as it was typed, and is no part of the page."""
    client.post("/jobs/1/note", data={"text": text})
    client.post("/jobs/1/cause", data={"cause": text})
    client.post("/jobs", data={"label": text, "type": "Lakeside 4", "owner": text})
    client.post("/types", data={"name": text, "transmitter": "carbon", "wiring": text})
    client.post("/jobs/1/attach", files={"files": (f"{text}.txt", b"x")})
    for address in ("/", "/jobs/1", "/jobs/2", "/types"):
        page = client.get(address, params={"search": text}).text
        assert "<script>alert" not in page
        assert "<img" not in page
        assert "7 * 7 }}" in page or "49" not in page.partition("{{")[2][:20]
        assert "set-cookie" not in client.get(address).headers


def test_half_a_letter_in_a_character_set_of_the_form_s_own_is_no_fault(client: Any) -> None:
    body = (
        b'--b\r\ncontent-disposition: form-data; name="_charset_"\r\n\r\nunicode_escape\r\n'
        b'--b\r\ncontent-disposition: form-data; name="text"\r\n\r\n\\ud800 x\r\n--b--\r\n'
    )
    for charset in ("unicode_escape", "utf-7", "nonsense", "hex"):
        kind = f"multipart/form-data; boundary=b; charset={charset}"
        done = client.post("/jobs/1/note", content=body, headers={"content-type": kind})
        assert done.status_code < 500


def test_the_list_is_searched_and_served_in_pages(client: Any, folder: Any) -> None:
    with open_book(folder) as book:
        for number in range(60):
            book.open_job(f"set {number}", "Lakeside 4")
        book.close_job(5)
    assert client.get("/").text.count('href="/jobs/') == 50
    assert client.get("/?page=1").text.count('href="/jobs/') == 11
    assert client.get("/?search=green").text.count('href="/jobs/') == 1
    assert client.get("/?state=closed").text.count('href="/jobs/') == 1


def test_a_job_from_sweep_to_report(client: Any, folder: Any) -> None:
    """The numbers on the page are those that the book holds."""
    assert sweep(client).status_code == 200
    assert client.desk.status.line == "Done: 1 of 1 seats are kept with job 1"
    sweep(client, stage="after", on="simulated:electret")
    page = "".join(client.get(f"/jobs/1?mark={mark}").text for mark in ("talks", "crackle"))
    with open_book(folder) as book:
        comparison = book.list_comparisons(1)[-1]
        run = book.list_runs(job=1)[0]
    for finding in comparison.findings:
        if finding.value is not None:
            assert say_found(finding, finding.value) in page
    curves = client.get("/jobs/1/curves").json()
    (path,) = curves["paths"]
    assert path["runs"][0]["level_db"][12] == pytest.approx(
        run.pooled.response.level_db[12], abs=0.001
    )
    report = client.get("/jobs/1/report/report.html")
    assert report.status_code == 200
    assert report.headers["content-security-policy"].startswith("sandbox")
    assert client.get("/jobs/1/report/chart.png").content.startswith(b"\x89PNG")
    assert client.get("/jobs/1/report/findings.csv").text.startswith("stage,against,path")
    assert client.get("/jobs/1/report/other").status_code == 404


def test_all_paths_are_swept_by_one_button_and_held_against_the_set_as_found(
    client: Any, folder: Any
) -> None:
    for stage in ("before", "after"):
        sweep(client, path="all", stage=stage, seed=len(stage))
    assert client.desk.status.line == "Done: 1 of 1 seats are kept with job 1"
    with open_book(folder) as book:
        runs = [(run.stage, run.path) for run in book.list_runs(job=1)]
        change = book.list_comparisons(1)[-1]
    paths = ("transmit", "sidetone", "receive")
    assert runs == [(stage, path) for stage in ("before", "after") for path in paths]
    assert (change.stage, change.against.kind) == ("after", "before")
    assert {finding.path for finding in change.findings} >= set(paths)


def test_a_sweep_of_recordings_is_that_of_the_command_line(
    client: Any, tmp_path: Path, folder: Any
) -> None:
    programme = make_programme()
    save_programme(programme, tmp_path / "signal.wav")
    save_sound(tmp_path / "take.wav", 0.5 * programme.samples, programme.recipe.rate_hz)
    files = [
        ("signal", ("signal.wav", (tmp_path / "signal.wav").read_bytes())),
        ("recordings", ("take.wav", (tmp_path / "take.wav").read_bytes())),
    ]
    form = {"tab": TAB, "path": "loop", "stage": "before", "on": "files:"}
    client.post("/jobs/1/sweep", data=form, files=files)
    client.desk.wait(60)
    with open_book(folder) as book:
        (run,) = book.list_runs(job=1)
    # Half the amplitude is 6.02 dB less at every frequency.
    assert run.pooled.response.level_db == pytest.approx(-6.0206, abs=0.01)


@pytest.mark.parametrize(
    ("chosen", "level_db"), [({"channel": "1"}, -12.04), ({"take": "2"}, -12.04), ({}, -6.02)]
)
def test_channel_and_take_of_a_file_are_those_chosen(
    client: Any, tmp_path: Path, folder: Any, chosen: Any, level_db: float
) -> None:
    """Two takes, the second half as loud, and channel 1 half as loud as channel 2."""
    programme = make_programme()
    sound = np.concatenate([0.5 * programme.samples, 0.25 * programme.samples])
    sides = np.column_stack([0.5 * sound, sound])
    soundfile.write(tmp_path / "take.wav", sides, programme.recipe.rate_hz, subtype="PCM_24")
    save_programme(programme, tmp_path / "signal.wav")
    files = [
        ("signal", ("signal.wav", (tmp_path / "signal.wav").read_bytes())),
        ("recordings", ("take.wav", (tmp_path / "take.wav").read_bytes())),
    ]
    form = {"tab": TAB, "path": "loop", "stage": "before", "on": "files:", **chosen}
    client.post("/jobs/1/sweep", data=form, files=files)
    client.desk.wait(60)
    with open_book(folder) as book:
        (run,) = book.list_runs(job=1)
    assert run.pooled.response.level_db == pytest.approx(level_db, abs=0.05)


REFUSED = [
    {"on": "files:", "take": "0"},
    {"on": "files:", "channel": "0"},
    {"path": "other"},
    {"stage": " "},
    {"seats": "0"},
    {"seats": "nan"},
    {"seats": "1.5"},
    {"on": "simulated:none"},
    {"on": ""},
    {"on": "device:"},
    {"on": "files:"},
    {"level_dbm": "-20", "path": "receive"},
    {"level_dbm": "20", "path": "receive", "on_coupler": "1"},
    {"level_dbm": "-30"},
    {"ear": "nose"},
    {"tab": ""},
    {"feed_ma": "many"},
]


@pytest.mark.parametrize("changes", REFUSED, ids=str)
def test_a_sweep_that_cannot_be_is_refused_and_keeps_nothing(
    client: Any, folder: Any, changes: Any
) -> None:
    done = sweep(client, **changes)
    assert done.status_code == 400 or client.desk.status.is_failed
    with open_book(folder) as book:
        assert book.list_runs(job=1) == ()


def test_notes_files_and_state_are_kept_and_seen_in_the_time_line(client: Any, folder: Any) -> None:
    client.post("/jobs/1/note", data={"text": "contacts cleaned"})
    client.post("/jobs/1/attach", files={"files": ("../photo.txt", b"seen")})
    client.post("/jobs/1/state", data={"state": "closed"})
    client.post("/jobs/1/edit", data={"owner": "B. Invented"})
    page = client.get("/jobs/1").text
    for word in ("contacts cleaned", "photo.txt", "closed", "B. Invented", "owner: B. Invented"):
        assert word in page
    with open_book(folder) as book:
        (kept,) = book.load_job(1).attachments
    file = client.get(f"/jobs/1/files/{kept.sha256}/{kept.name}")
    assert file.content == b"seen"
    assert file.headers["content-disposition"].startswith("attachment")
    assert file.headers["content-security-policy"] == "sandbox"
    assert client.get(f"/jobs/1/files/{kept.sha256}/other.txt").status_code == 404
    assert client.get(f"/jobs/1/files/{'0' * 64}/{kept.name}").status_code == 404


def test_a_set_type_with_its_baseline_travels_as_a_parcel(
    client: Any, folder: Any, tmp_path: Path
) -> None:
    for number in range(2, 5):
        client.post("/jobs", data={"label": f"good {number}", "type": "Lakeside 4"})
        sweep(client, number, stage="reference", seed=number)
    page = client.post("/type/baseline", params={"name": "Lakeside 4"}, data={"build": "1"}).text
    assert "transmit" in page
    parcel = client.get("/type/baseline.zip", params={"name": "Lakeside 4", "path": "transmit"})
    assert zipfile.is_zipfile(io.BytesIO(parcel.content))
    with open_client(tmp_path / "other") as other:
        done = other.post("/import", files={"parcel": ("b.zip", parcel.content)})
        assert done.status_code == 200
        there = other.get("/type/curves", params={"name": "Lakeside 4"}).json()
    small = client.get("/type/baseline.json", params={"name": "Lakeside 4", "by": "S <b>"})
    assert "lakeside-4.baseline.json" in small.headers["content-disposition"]
    fingerprint = small.json()["fingerprint"]
    with open_client(tmp_path / "third") as other:
        done = other.post("/import", files={"parcel": ("b.json", small.content)})
        assert fingerprint in done.text
        shown = other.get("/type", params={"name": "Lakeside 4"}).text
        assert fingerprint in shown
        assert "S &lt;b&gt;" in shown
        assert "baseline.zip" not in shown
        bad = other.post("/import", files={"parcel": ("b.json", small.content[:-9])})
        assert bad.status_code == 400
        assert "nothing was taken in" in bad.text
    here = client.get("/type/curves", params={"name": "Lakeside 4"}).json()
    assert there["paths"][0]["baseline"]["mean_db"] == here["paths"][0]["baseline"]["mean_db"]


def test_a_parcel_that_is_none_is_refused(client: Any) -> None:
    for name, content in (("a.zip", b"PK\x03\x04 no"), ("a.zip", b""), ("a.txt", b"PK")):
        assert client.post("/import", files={"parcel": (name, content)}).status_code in {400, 503}


def test_a_type_is_changed_and_keeps_its_name(client: Any) -> None:
    form = {"transmitter": "electret", "feed_ma": "20,5", "normal": "loop current=20..mA\n"}
    client.post("/type/edit", params={"name": "Lakeside 4"}, data=form)
    page = client.get("/type", params={"name": "Lakeside 4"}).text
    assert "20.5 mA" in page
    assert "loop current=20..mA" in page
    for wrong in ({"transmitter": "tin"}, {"feed_ma": "many"}, {"normal": "no limits"}):
        done = client.post("/type/edit", params={"name": "Lakeside 4"}, data={**form, **wrong})
        assert done.status_code == 400


@pytest.mark.parametrize("name", ["check-dial.json", "check-list.json", "CHECK-DIAL.JSON"])
def test_a_file_never_passes_for_a_document_of_the_program(client: Any, name: str) -> None:
    """A file by such a name would be read as a check, and the report would fail at it."""
    done = client.post("/jobs/1/attach", files={"files": (name, b"{}")})
    assert done.status_code == 400
    assert "nothing was kept" in done.text
    assert client.get("/jobs/1/checks").status_code == 200


def test_a_second_piece_of_work_is_refused_while_one_is_under_way(client: Any) -> None:
    begun, ended = threading.Event(), threading.Event()

    def wait(_handle: Any) -> Any:
        begun.set()
        ended.wait(30)
        return "Done"

    client.desk.start("Something", wait, tab=TAB)
    begun.wait(30)
    done = sweep_at_once(client)
    ended.set()
    assert done.status_code == 409
    assert "Something is under way" in done.text


def test_a_form_that_stays_is_told_what_is_wrong_in_its_field(client: Any, folder: Any) -> None:
    form = {"tab": TAB, "path": "transmit", "stage": "before", "on": "simulated:carbon"}
    stays = {"x-stays": "1"}
    told = client.post("/jobs/1/sweep", data={**form, "seats": "0"}, headers=stays)
    assert told.status_code == 400
    assert told.text.startswith('<p class="failed" role="alert" data-field="seats">')
    assert "<html" not in told.text
    client.post("/jobs/1/state", data={"state": "closed"})
    closed = client.post("/jobs/1/sweep", data={**form, "seats": "1"}, headers=stays)
    client.desk.wait(60)
    assert "“Reopen the job”" in closed.text or client.desk.status.is_failed
    hostile = {"label": "<b>x</b>", "type": "<i>none</i>"}
    refused = client.post("/jobs", data=hostile, headers=stays)
    assert refused.status_code == 400
    assert "<i>" not in refused.text
    opened = client.post("/jobs", data={"label": "b", "type": "Lakeside 4"}, headers=stays)
    assert (opened.status_code, opened.headers["hx-redirect"]) == (204, "/jobs/2")


def test_a_good_set_is_opened_from_its_type_ready_to_be_a_reference(client: Any) -> None:
    page = client.get("/type", params={"name": "Lakeside 4"}).text
    assert "No good set was swept yet" in page
    query = {"name": "Lakeside 4"}
    opened = client.post(
        "/type/good", params=query, data={"label": "black set"}, follow_redirects=False
    )
    assert opened.headers["location"] == "/jobs/2?stage=reference#sweep"
    page = client.get("/jobs/2?stage=reference").text
    assert page.count('name="stage" value="reference"') == 2


def test_another_job_s_newest_runs_are_laid_beside(client: Any) -> None:
    client.post("/jobs", data={"label": "blue set", "type": "Lakeside 4"})
    sweep(client, 1)
    sweep(client, 2, seed=2, stage="after")
    (alone,) = client.get("/jobs/1/curves").json()["paths"]
    (both,) = client.get("/jobs/1/curves?beside=2").json()["paths"]
    assert [run["is_beside"] for run in both["runs"]] == [False, True]
    assert both["runs"][0] == alone["runs"][0]
    assert both["runs"][1]["stage"] == "job 2, after"
    assert both["runs"][1]["label"].startswith("SIMULATED, job 2, after the work, 1 seat")
    assert "curves?beside=2" in client.get("/jobs/1?beside=2").text
    assert client.get("/jobs/1/curves?beside=99").status_code in {400, 404}


def test_a_run_is_moved_put_aside_and_brought_back_by_the_page(client: Any, folder: Any) -> None:
    sweep(client)
    with open_book(folder) as book:
        (key,) = [take.key for take in list_takes(book, 1)]
    assert f"/jobs/1/takes/{key}" in client.get("/jobs/1?mark=talks").text
    sound = client.get(f"/jobs/1/takes/{key}/1.flac")
    assert (sound.content[:4], sound.headers["content-type"]) == (b"fLaC", "audio/flac")
    for other in (f"{key}/2", f"{key}/0", "run-99/1", "x/1"):
        assert client.get(f"/jobs/1/takes/{other}.flac").status_code in {400, 404}
    for act, stages in (("after", ["after"]), ("aside", []), ("back", ["after"])):
        client.post(f"/jobs/1/takes/{key}", data={"act": act, "reason": "wrong stage"})
        with open_book(folder) as book:
            assert [run.stage for run in book.list_runs(job=1)] == stages
    assert "wrong stage" in client.get("/jobs/1").text
    refused = client.post(f"/jobs/1/takes/{key}", data={"act": "before", "reason": ""})
    assert refused.status_code == 400


def test_a_line_that_ended_well_goes_by_itself_and_a_failed_one_when_it_is_put_away(
    client: Any,
) -> None:
    now = [0.0]
    client.desk.clock = lambda: now[0]
    client.desk.start("Fine", lambda _: "Done: it", tab=TAB)
    client.desk.wait(10)
    assert "Done: it" in client.get("/").text
    now[0] = 31.0
    assert "Done: it" not in client.get("/").text

    def fail(_: Any) -> str:
        raise InputError("seats: none")

    client.desk.start("Bad", fail, tab=TAB)
    client.desk.wait(10)
    now[0] = 100.0
    assert "seats: none" in client.get("/").text
    client.post("/desk/away", data={"away": "1"})
    assert "seats: none" not in client.get("/").text


def test_every_test_that_the_page_does_is_one_of_the_fault_table() -> None:
    known = {row.next_test for row in load_fault_table().rows}
    assert {*CHECKED_BY, *TRIED_BY, *ON_THE_BENCH, *SWEPT_AGAIN} <= known
