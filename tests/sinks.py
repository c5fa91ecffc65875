"""A mail server and a web-hook receiver of our own, on loopback, that take, refuse or break off as they are told."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.message import EmailMessage
from email.parser import BytesParser
from email.policy import default as MODERN
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP

TAKE, REFUSE_NOW, REFUSE_FOR_GOOD = "take", "refuse now", "refuse for good"
REFUSE_ADDRESS, DROP_AFTER, DROP_BEFORE = "refuse address", "drop after", "drop before"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class MailSink:
    """`behave` is asked for each mail; what was taken stands in `raw`, each with its envelope's recipient."""

    behave: Callable[[], str] = lambda: TAKE
    raw: list[tuple[str, bytes]] = field(default_factory=list)
    port: int = 0

    def parsed(self) -> list[EmailMessage]:
        """No property: the server reads all of those at each connection."""
        parsed: list[Any] = [BytesParser(policy=MODERN).parsebytes(content) for _, content in self.raw]
        return parsed

    async def handle_RCPT(
        self, server: SMTP, session: Any, envelope: Any, address: str, options: list[str]
    ) -> str:
        session.way = self.behave()
        if session.way == REFUSE_ADDRESS:
            return "550 No such person here"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Any, envelope: Any) -> str:
        if session.way == REFUSE_NOW:
            return "451 Try later"
        if session.way == REFUSE_FOR_GOOD:
            return "554 Not wanted"
        if session.way == DROP_BEFORE:
            server.transport.abort()
            return "451 gone"
        self.raw.append((envelope.rcpt_tos[0], envelope.content))
        if session.way == DROP_AFTER:
            server.transport.abort()
        return "250 Taken"


def controller_of(sink: MailSink) -> Controller:
    """With a name of its own, or it would look its name up for each connection, which can take seconds."""
    return Controller(sink, hostname="127.0.0.1", port=free_port(), server_hostname="sink.example")


@contextmanager
def mail_sink() -> Iterator[MailSink]:
    sink = MailSink()
    controller = controller_of(sink)
    controller.start()
    sink.port = controller.port
    try:
        yield sink
    finally:
        controller.stop()


@dataclass
class HookSink:
    """Answers each call with `behave()`: a status, or 0 to break off after reading it."""

    behave: Callable[[], int] = lambda: 200
    calls: list[tuple[dict[str, str], bytes]] = field(default_factory=list)
    url: str = ""


@contextmanager
def hook_sink() -> Iterator[HookSink]:
    sink = HookSink()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            status = sink.behave()
            if status in (0, 200):
                headers = {name.lower(): value for name, value in self.headers.items()}
                sink.calls.append((headers, body))
            if status == 0:
                self.connection.shutdown(socket.SHUT_RDWR)
                self.close_connection = True
                return
            self.send_response(status)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    sink.url = f"http://127.0.0.1:{server.server_address[1]}/hook"
    try:
        yield sink
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
