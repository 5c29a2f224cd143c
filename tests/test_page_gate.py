"""The bench page: who may ask, and what a form may hold."""

import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pagetest import HOST, ORIGIN, TOKEN, fill_book, invite, open_client
from starlette.testclient import TestClient

from voicecheck.errors import InputError
from voicecheck.web.app import find_way_back, make_app
from voicecheck.web.forms import UPLOAD_BYTES
from voicecheck.web.gate import TOKEN_S, Keys
from voicecheck.web.serving import open_listener, write_way_in


@pytest.fixture
def app(tmp_path: Path) -> Any:
    return make_app(fill_book(tmp_path), invite(HOST))


@pytest.fixture
def client(tmp_path: Path) -> Iterator[Any]:
    with open_client(fill_book(tmp_path)) as client:
        yield client


def list_paths(app: Any) -> Any:
    return [route.path for route in app.routes]


def test_without_the_token_nothing_is_shown(app: Any) -> None:
    with TestClient(app, base_url=f"http://{HOST}") as stranger:
        paths = [*list_paths(app), "/", "/jobs/1", "/enter?token=%C3%A9", "/nowhere"]
        for path in paths:
            assert stranger.get(path).status_code == 403, path
            assert stranger.post(path, data={"label": "x"}, headers=ORIGIN).status_code == 403


def test_the_token_opens_by_the_address_only(app: Any) -> None:
    """The cookie holds a secret of its own, so that a cookie that leaks is no token."""
    with TestClient(app, base_url=f"http://{HOST}", follow_redirects=False) as client:
        answer = client.get("/enter", params={"token": TOKEN})
        assert TOKEN not in answer.headers["set-cookie"]
        client.cookies.clear()
        client.cookies.set("bench_4711", TOKEN)
        assert client.get("/").status_code == 403


def test_the_cookie_is_of_this_port_and_strict_and_the_policy_has_no_inline(app: Any) -> None:
    with TestClient(app, base_url=f"http://{HOST}", follow_redirects=False) as client:
        answer = client.get("/enter", params={"token": TOKEN})
    cookie = answer.headers["set-cookie"].lower()
    assert cookie.startswith("bench_4711=")
    assert "samesite=strict" in cookie
    assert "httponly" in cookie
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy


def test_an_address_is_good_once_and_a_browser_that_is_in_stays_in(app: Any) -> None:
    with TestClient(app, base_url=f"http://{HOST}") as first:
        first.get("/enter", params={"token": TOKEN})
        assert first.get("/").status_code == 200
        assert first.get("/enter", params={"token": TOKEN}).url.path == "/"
        secret = first.cookies["bench_4711"]
        first.cookies.clear()
        told = first.get("/enter", params={"token": TOKEN})
        assert told.status_code == 403
        assert "press Enter where it runs" in told.text
        assert "Lakeside" not in told.text
        first.cookies.set("bench_4711", secret)
        assert first.get("/").status_code == 200


def test_an_address_is_good_for_five_minutes_and_the_last_one_only() -> None:
    now_s = 0.0
    keys = Keys(HOST, clock=lambda: now_s)
    first, second = keys.invite(), keys.invite()
    assert keys.admit(first) is None
    now_s = TOKEN_S
    assert keys.admit(second) is None
    third = keys.invite()
    secret, now_s = keys.admit(third), now_s + 1e6
    assert keys.is_known(f"{keys.cookie}={secret}")
    other = keys.admit(keys.invite())
    assert secret != other
    assert keys.is_known(f"{keys.cookie}={other}")


def test_the_way_in_is_a_file_of_this_user_alone(tmp_path: Path) -> None:
    way = write_way_in(tmp_path, "http://127.0.0.1:1/enter?token=abc")
    assert way.stat().st_mode & 0o777 == 0o600
    assert "http://127.0.0.1:1/enter?token=abc" in way.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "referer",
    [
        f"http://{HOST}//bad.example/",
        f"http://{HOST}/\\bad.example/",
        "http://bad.example/jobs/1",
        f"http://user@{HOST}/",
        "http://[/",
        f"http://{HOST}",
        f"javascript://{HOST}/%0aalert(1)//",
    ],
)
def test_the_way_back_is_a_page_of_ours(client: Any, referer: str) -> None:
    refused = client.get("/jobs/999", headers={"referer": referer})
    back = refused.text.rpartition('<a href="')[2].partition('"')[0]
    assert back == find_way_back(referer, HOST)
    assert back.startswith("/")
    assert back[1:2] not in {"/", "\\"}
    assert find_way_back(f"http://{HOST}/jobs/3?mark=bell", HOST) == "/jobs/3"


@pytest.mark.parametrize("origin", ["http://bad.example", "null", f"https://{HOST}", ""])
def test_another_origin_is_refused(client: Any, origin: str) -> None:
    assert client.get("/", headers={"origin": origin}).status_code == 403
    done = client.post("/jobs/1/note", data={"text": "x"}, headers={"origin": origin})
    assert done.status_code == 403


def test_a_post_without_origin_is_refused(app: Any) -> None:
    with TestClient(app, base_url=f"http://{HOST}") as client:
        client.get("/enter", params={"token": TOKEN})
        assert client.post("/jobs/1/note", data={"text": "x"}).status_code == 403


@pytest.mark.parametrize("host", ["bad.example", "127.0.0.1", "localhost:4711", f"{HOST}0"])
def test_another_host_is_refused(client: Any, host: str) -> None:
    assert client.get("/", headers={"host": host}).status_code == 403


def test_a_form_is_bounded_in_size_and_kind(client: Any) -> None:
    large = client.post("/jobs/1/note", data={"text": "x" * 70000})
    assert large.status_code == 413
    assert client.post("/jobs/1/note", json={}).status_code == 415
    assert client.post("/jobs/1/note", content=b"", headers={"content-type": ""}).status_code == 415


def test_an_upload_is_bounded_in_size(client: Any) -> None:
    """The bound holds while the bytes come in, whatever the length that was announced."""
    sent = []

    def make_body() -> Iterator[Any]:
        yield (b'--b\r\ncontent-disposition: form-data; name="files"; filename="a.txt"\r\n\r\n')
        for _ in range(UPLOAD_BYTES // 2**20 + 50):
            sent.append(1)
            yield b"x" * 2**20

    headers = {"content-type": "multipart/form-data; boundary=b"}
    assert client.post("/jobs/1/attach", content=make_body(), headers=headers).status_code == 413
    assert "a.txt" not in client.get("/jobs/1").text


KINDS = [("a.exe", b"MZ"), ("a.html", b"<p>"), ("a.png", b"<svg>"), ("a.svg", b"<svg>"), ("a", b"")]


@pytest.mark.parametrize(("name", "content"), KINDS)
def test_an_upload_of_another_kind_is_refused(client: Any, name: Any, content: Any) -> None:
    done = client.post("/jobs/1/attach", files={"files": (name, content)})
    assert done.status_code == 400
    assert "nothing was kept" in done.text
    assert client.get("/jobs/1").text.count("/files/") == 0


def test_a_static_file_is_one_of_those_that_belong_to_the_page(client: Any) -> None:
    assert client.get("/static/page.css").headers["content-type"].startswith("text/css")
    for name in ("../base.html", "base.html", "..%2Fbase.html", "/etc/passwd", "vendor/", ""):
        assert client.get(f"/static/{name}").status_code == 404


def test_answers_are_sent_at_once() -> None:
    """Else each waits 40 ms for the delayed acknowledgement of a browser (RFC 896, RFC 1122)."""
    with open_listener(0) as listener:
        port = listener.getsockname()[1]
        assert listener.proto == socket.IPPROTO_TCP
        with pytest.raises(InputError, match=rf"port: {port} cannot be used"):
            open_listener(port)
