# mypy: disable-error-code="attr-defined"
"""Nothing that a browser can send makes a fault: every route, hostile values, in any order."""

import random
import re
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from pagetest import HOST, HOSTILE, ORIGIN, TAB, TOKEN, fill_book, invite
from starlette.testclient import TestClient

from voicecheck.web.app import make_app

PLAIN = (
    "", "0", "1", "2", "-1", "1.5", "nan", "inf", "1e999", "9" * 400, "before", "after",
    "reference", "transmit", "receive", "carbon", "simulated:carbon", "files:", "bench:none",
    "Lakeside 4",
    "baseline", "mask:none", "element:x", "1:before", "JOB:STAGE", "dial", "healthy", "%",
    "\\", "\n",
)  # fmt: skip
FILES = (
    b"",
    b"RIFF\x24\0\0\0WAVEfmt ",
    b"fLaC\0\0\0\x22",
    b"PK\x03\x04",
    b"\x89PNG\r\n\x1a\n",
    b"x",
)
NAMES = (
    "a.wav",
    "a.flac",
    "a.zip",
    "a.png",
    "a.txt",
    "../a.txt",
    "\u202ea.wav",
    "a" * 300 + ".wav",
)
N_REQUESTS = 700


def list_field_names() -> Any:
    """Every field that a template of the page has."""
    folder = files("voicecheck") / "data" / "web"
    texts = [one.read_text(encoding="utf-8") for one in folder.iterdir() if one.suffix == ".html"]
    return sorted({name for text in texts for name in re.findall(r'name="([a-z_0-9]+)"', text)})


def make_request(draw: Any, app: Any, fields: Any) -> Any:
    """A route with its parameters filled in at random, a query, a form, perhaps files."""
    route = draw.choice([one for one in app.routes if one.path != "/events"])
    values = (*PLAIN, *HOSTILE)

    def fill(found: Any) -> Any:
        likely = "1" if found[1] in {"job", "index"} else draw.choice(PLAIN)
        text = draw.choice((likely, likely, draw.choice(values)))
        return re.sub(r"[^!-~]", "_", text) or "_"

    path = re.sub(r"\{(\w+)(?::\w+)?\}", fill, route.path)
    names = draw.sample(fields, draw.randint(0, 12))
    form = {name: draw.choice(values) for name in names if name != "tab"}
    query = {name: draw.choice(values) for name in draw.sample(fields, draw.randint(0, 4))}
    # Work is begun now and then only, since it takes its time even when it is stopped at once.
    if draw.random() < 0.03:
        form["tab"] = TAB
    sent = {}
    if draw.random() < 0.4:
        sent["files"] = [
            (draw.choice(fields), (draw.choice(NAMES), draw.choice(FILES)))
            for _ in range(draw.randint(1, 3))
        ]
    method = "POST" if "POST" in route.methods else draw.choice(("GET", "GET", "HEAD", "PUT"))
    return (
        method,
        path,
        {"params": query, "data": form, **sent} if method == "POST" else {"params": query},
    )


@pytest.mark.parametrize("seed", range(3))
def test_random_requests_to_every_route_make_no_fault(tmp_path: Path, seed: Any) -> None:
    draw = random.Random(seed)
    fields = list_field_names()
    app = make_app(fill_book(tmp_path), invite(HOST))
    seen = set()
    with TestClient(
        app, base_url=f"http://{HOST}", headers=ORIGIN, raise_server_exceptions=False
    ) as client:
        client.get("/enter", params={"token": TOKEN})
        app.state.desk.open_tab(TAB)
        for number in range(N_REQUESTS):
            method, path, sent = make_request(draw, app, fields)
            answer = client.request(method, path[:8000], follow_redirects=False, **sent)
            assert answer.status_code < 500, (seed, number, method, path, sent)
            if answer.headers.get("content-type", "").startswith("text/html"):
                assert "<script>alert" not in answer.text, (seed, number, path)
                assert "<img src=x" not in answer.text, (seed, number, path)
            seen.add((path.split("/")[1], answer.status_code))
            app.state.desk.stop()
            app.state.desk.wait(60)
        assert client.get("/").status_code == 200
    # A fuzzer that is turned away everywhere finds nothing.
    assert {status for _, status in seen} >= {200, 303, 400, 404}


BODIES = (
    b"",
    b"--b",
    b"--b\r\n\r\n",
    b"--b\r\ncontent-disposition: form-data\r\n\r\nx\r\n--b--",
    b'--b\r\ncontent-disposition: form-data; name="text"; filename="\xff\0"\r\n\r\nx\r\n--b--',
    b"\xff\xfe=%ff&%=%&text=%00&&=&" * 50,
    b"&".join(b"f%d=1" % number for number in range(2000)),
    b'--b\r\ncontent-disposition: form-data; name="files"; filename="a.txt"\r\n\r\n\r\n' * 100,
)
TYPES = (
    "multipart/form-data; boundary=b",
    "multipart/form-data",
    "multipart/form-data; boundary=" + "x" * 500,
    'multipart/form-data; boundary=""; charset=utf-16',
    "application/x-www-form-urlencoded",
    "application/x-www-form-urlencoded; charset=unicode_escape",
)


def test_bodies_that_are_no_form_make_no_fault(tmp_path: Path) -> None:
    app = make_app(fill_book(tmp_path), invite(HOST))
    with TestClient(
        app, base_url=f"http://{HOST}", headers=ORIGIN, raise_server_exceptions=False
    ) as client:
        client.get("/enter", params={"token": TOKEN})
        for body in BODIES:
            for kind in TYPES:
                for path in ("/jobs/1/note", "/jobs/1/attach", "/desk/stop"):
                    headers = {"content-type": kind}
                    answer = client.post(
                        path, content=body, headers=headers, follow_redirects=False
                    )
                    assert answer.status_code < 500, (body[:60], kind, path)


def test_every_route_is_among_those_that_are_tried(tmp_path: Path) -> None:
    app = make_app(tmp_path, invite(HOST))
    fields, draw = list_field_names(), random.Random(1)
    tried = {make_request(draw, app, fields)[1].split("/")[1] for _ in range(2000)}
    assert {route.path.split("/")[1] for route in app.routes} - tried <= {"events"}
