"""The bench page: who may ask, what hostile text becomes, and a job from sweep to report."""

import pytest

pytest.importorskip("starlette")
from starlette.testclient import TestClient
from voicecheck.web.pages import make_app

from voicecheck.records import SetType
from voicecheck.workflow.benches import list_simulated
from voicecheck.workflow.books import open_book

HOST, TOKEN = "127.0.0.1:4711", "a-token-of-the-test"
ORIGIN = {"origin": f"http://{HOST}"}
HOSTILE = ["<script>alert(1)</script>", "\u202eabc", "../../etc", "😀" * 50, '"><img src=x>']


@pytest.fixture
def folder(tmp_path):
    with open_book(tmp_path) as book:
        book.add_type(SetType(name="Lakeside 4", transmitter="carbon", feed_ma=40.0))
        book.open_job("hall set", "Lakeside 4")
    return tmp_path


@pytest.fixture
def app(folder):
    return make_app(folder, TOKEN, HOST)


@pytest.fixture
def client(app):
    with TestClient(app, base_url=f"http://{HOST}") as client:
        client.get("/enter", params={"token": TOKEN})
        yield client


def test_without_the_token_nothing_is_shown(app):
    with TestClient(app, base_url=f"http://{HOST}") as stranger:
        for path in ("/", "/jobs/1", "/page.css", "/enter", "/enter?token=%C3%A9", "/nowhere"):
            assert stranger.get(path).status_code == 403
        assert stranger.post("/jobs", data={"label": "x"}, headers=ORIGIN).status_code == 403


@pytest.mark.parametrize("origin", ["http://bad.example", "null", f"https://{HOST}", ""])
def test_another_origin_is_refused(client, origin):
    assert client.get("/", headers={"origin": origin}).status_code == 403
    done = client.post("/jobs/1/note", data={"text": "x"}, headers={"origin": origin})
    assert done.status_code == 403


def test_a_post_without_origin_is_refused(client):
    assert client.post("/jobs/1/note", data={"text": "x"}).status_code == 403


def test_another_host_is_refused(client):
    assert client.get("/", headers={"host": "bad.example"}).status_code == 403


def test_the_cookie_is_strict_and_the_policy_has_no_inline(app):
    with TestClient(app, base_url=f"http://{HOST}", follow_redirects=False) as client:
        answer = client.get("/enter", params={"token": TOKEN})
    cookie = answer.headers["set-cookie"].lower()
    assert "samesite=strict" in cookie
    assert "httponly" in cookie
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_shown_as_text(client, text):
    client.post("/jobs/1/note", data={"text": text}, headers=ORIGIN)
    page = client.get("/jobs/1").text
    assert "<script" not in page
    assert "<img" not in page


ODD = ["0", "-1", "999999999999", "9" * 5000, "x", "%00", "1.5", "²"]


@pytest.mark.parametrize("number", ODD)
def test_odd_numbers_are_refused_without_a_fault(client, number):
    for path in (f"/jobs/{number}", f"/jobs/{number}/report"):
        assert client.get(path).status_code in {400, 404}
    assert client.get("/", params={"page": number}).status_code in {200, 404}
    for action in ("note", "compare", "sweep", "stop", "other"):
        done = client.post(f"/jobs/{number}/{action}", data={"text": "x"}, headers=ORIGIN)
        assert 400 <= done.status_code < 500


def test_a_form_is_bounded_in_size_and_kind(client):
    large = client.post("/jobs/1/note", data={"text": "x" * 70000}, headers=ORIGIN)
    assert large.status_code == 413
    assert client.post("/jobs/1/note", json={}, headers=ORIGIN).status_code == 415


def test_the_list_is_served_in_pages(client, folder):
    with open_book(folder) as book:
        for number in range(60):
            book.open_job(f"set {number}", "Lakeside 4")
    assert client.get("/").text.count('href="/jobs/') == 50
    assert client.get("/?page=1").text.count('href="/jobs/') == 11


def test_a_sweep_is_kept_and_reported(client, app):
    handset = next(iter(list_simulated()[0]))
    form = {"path": "transmit", "stage": "before", "handset": handset, "seats": "1"}
    assert client.post("/jobs/1/sweep", data=form, headers=ORIGIN).status_code == 200
    app.state.sweeper.wait(60)
    assert app.state.sweeper.line == "Done: 1 of 1 seats are kept with job 1"
    assert "transmit, before" in client.get("/jobs/1").text
    report = client.get("/jobs/1/report")
    assert report.status_code == 200
    assert report.headers["content-security-policy"].startswith("sandbox")
