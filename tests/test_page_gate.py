"""The bench page: who may ask, and what a form may hold."""

import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pagetest import HOST, ORIGIN, TOKEN, fill_book, open_client
from starlette.testclient import TestClient

from voicecheck.errors import InputError
from voicecheck.web.app import make_app
from voicecheck.web.forms import UPLOAD_BYTES
from voicecheck.web.serving import open_listener


@pytest.fixture
def app(tmp_path: Path) -> Any:
    return make_app(fill_book(tmp_path), TOKEN, HOST)


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
