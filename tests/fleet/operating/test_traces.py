"""Traces leave only where a collector is named, and never with what somebody typed."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from opentelemetry.proto.collector.trace.v1.trace_service_pb2 import ExportTraceServiceRequest

ROOT = Path(__file__).resolve().parents[3]
# The program as it is served, asked twice; then all that waits is sent.
ASKS = """
import io, sys
from fleet.wsgi import application
def ask(path, query=""):
    said = []
    body = application(
        {"REQUEST_METHOD": "GET", "PATH_INFO": path, "QUERY_STRING": query, "SERVER_NAME": "localhost",
         "SERVER_PORT": "80", "HTTP_HOST": "localhost", "wsgi.input": io.BytesIO(), "wsgi.errors": sys.stderr,
         "wsgi.url_scheme": "http", "SERVER_PROTOCOL": "HTTP/1.1", "REMOTE_ADDR": "203.0.113.77",
         "HTTP_USER_AGENT": "hunter2x agent"}, lambda status, headers, *rest: said.append(status))
    body.close()
    print(said[0])
ask("/health")
ask("/c/HUNTER2X/", "q=hunter2x")
if "opentelemetry" in sys.modules:
    from opentelemetry import trace
    trace.get_tracer_provider().shutdown()
print("traced", "opentelemetry.sdk" in sys.modules)
"""


@contextmanager
def collector() -> Iterator[tuple[str, list[bytes]]]:
    """Takes what comes; its address and the bodies."""
    bodies: list[bytes] = []

    class Take(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            bodies.append(self.rfile.read(int(self.headers["Content-Length"])))
            self.send_response(200)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Take)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield f"http://127.0.0.1:{server.server_port}", bodies
    finally:
        server.shutdown()
        server.server_close()


def run(tmp_path: Path, asks: str = ASKS, **settings: str) -> subprocess.CompletedProcess[str]:
    kept = {name: value for name, value in os.environ.items() if not name.startswith("ALMANAC_")}
    kept |= {"ALMANAC_DATA": str(tmp_path), "OTEL_EXPORTER_OTLP_COMPRESSION": "none"} | settings
    command = [sys.executable, "-c", asks]
    return subprocess.run(command, cwd=ROOT, env=kept, capture_output=True, text=True, timeout=120)


def test_a_request_is_told_by_its_pattern_and_with_nothing_that_was_typed(tmp_path: Path) -> None:
    with collector() as (address, bodies):
        done = run(tmp_path, ALMANAC_TRACES_TO=address)
    assert done.stdout.startswith("200 OK"), done.stderr
    assert bodies
    sent = [ExportTraceServiceRequest.FromString(body) for body in bodies]
    groups = [group for one in sent for group in one.resource_spans]
    names = {span.name for group in groups for scope in group.scope_spans for span in scope.spans}
    assert "GET health" in names
    told = b"".join(bodies).lower()
    assert b"tank-almanac-web" in told
    for typed in (b"hunter2x", b"203.0.113.77"):
        assert typed not in told


def test_without_a_collector_nothing_is_loaded(tmp_path: Path) -> None:
    done = run(tmp_path)
    assert done.stdout.splitlines()[-1] == "traced False", done.stderr


def test_without_the_packages_it_says_how_to_get_them(tmp_path: Path) -> None:
    hidden = "import sys; sys.modules['opentelemetry'] = None\n" + ASKS
    done = run(tmp_path, hidden, ALMANAC_TRACES_TO="http://127.0.0.1:9")
    assert done.returncode == 1
    assert "uv sync --group traces" in done.stderr
