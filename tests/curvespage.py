# mypy: disable-error-code="type-arg"
"""A throwaway page with nothing but the figures on it, under the policy of the real one."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread

from voicecheck.web.gate import POLICY

WEB = Path(__file__).parents[1] / "voicecheck" / "data" / "web"
KINDS = {".js": "text/javascript", ".css": "text/css"}
HTML = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>Figures</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<link rel="icon" href="data:,">
<link rel="stylesheet" href="/static/vendor/uPlot.min.css">
<link rel="stylesheet" href="/static/page.css">
<link rel="stylesheet" href="/static/palette.css">
<link rel="stylesheet" href="/static/curves.css">
<script src="/static/vendor/uPlot.iife.min.js" defer></script>
<script src="/static/curves.js" type="module"></script>
</head><body><main><h1>Job 3</h1><section aria-labelledby="title"><h2 id="title">Curves</h2>
<div class="curves" data-source="/jobs/3/curves" %s></div></section></main></body></html>
"""


@contextmanager
def serve_curves(document: dict, about: str = 'data-job="3"') -> Iterator[str]:
    """Address of the page; the document is read anew at each request, so a test may change it."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            name = self.path.removeprefix("/static/")
            if self.path == "/":
                kind, content = "text/html", (HTML % about).encode()
            elif self.path == "/jobs/3/curves":
                kind, content = "application/json", json.dumps(document).encode()
            else:
                kind, content = KINDS[Path(name).suffix], (WEB / name).read_bytes()
            self.send_response(200)
            self.send_header("content-type", f"{kind}; charset=utf-8")
            self.send_header("content-security-policy", POLICY)
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, format: str, *values: object) -> None:  # noqa: A002
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
