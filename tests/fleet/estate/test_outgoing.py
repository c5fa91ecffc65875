"""Calls to addresses that people typed in: never into the house, never past the address that was judged."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.estate import outgoing
from fleet.estate.outgoing import NoAnswer, Refused, Unreachable, send


class _Listener(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        self._answer()

    def do_POST(self) -> None:
        self._answer()

    def _answer(self) -> None:
        sent = self.rfile.read(int(self.headers.get("Content-Length") or 0))
        self.server.heard.append((self.command, self.path, dict(self.headers), sent))  # type: ignore[attr-defined]
        where = self.path if self.path == "/round" else self.path.partition("?to=")[2]
        if self.path.startswith("/silent"):
            self.connection.shutdown(socket.SHUT_RDWR)
            return
        self.send_response(307 if where else 200)
        if where:
            self.send_header("Location", where)
        body = b"x" * 400_000 if self.path == "/long" else b"heard"
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        try:
            self.wfile.write(body)
        except OSError:
            self.close_connection = True

    def log_message(self, *_: Any) -> None:
        """Quiet."""


@pytest.fixture
def listener() -> Iterator[tuple[str, list[Any]]]:
    server = ThreadingHTTPServer(("127.0.0.1", 0), _Listener)
    server.heard = []  # type: ignore[attr-defined]
    threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}", server.heard  # type: ignore[attr-defined]
    server.shutdown()
    server.server_close()


def leads_to(monkeypatch: pytest.MonkeyPatch, *answers: str) -> list[str]:
    """Let every name lead to these addresses, one per lookup; the last one stays."""
    asked: list[str] = []

    def look_up(host: str, port: int) -> list[Any]:
        asked.append(host)
        return [outgoing.ipaddress.ip_address(answers[min(len(asked), len(answers)) - 1])]

    monkeypatch.setattr(outgoing, "_look_up", look_up)
    return asked


INSIDE = [
    "127.0.0.1",
    "10.1.2.3",
    "172.16.0.1",
    "192.168.1.1",
    "169.254.169.254",
    "100.64.0.1",
    "100.100.100.200",
    "0.0.0.0",
    "224.0.0.1",
    "255.255.255.255",
    "::1",
    "fe80::1",
    "fd00:ec2::254",
    "::ffff:127.0.0.1",
    "64:ff9b::7f00:1",
    "2002:7f00:1::",
    "2002:a9fe:a9fe::",
]


@pytest.mark.parametrize("address", INSIDE)
def test_a_name_that_leads_inside_is_refused(monkeypatch: pytest.MonkeyPatch, address: str) -> None:
    leads_to(monkeypatch, address)
    with pytest.raises(Refused, match="private network"):
        send("POST", "https://hook.example/here", content=b"{}", headers={})


@pytest.mark.parametrize("address", ["169.254.169.254", "fe80::1", "fd00:ec2::254", "0.0.0.0", "224.0.0.1"])
def test_some_addresses_are_refused_even_where_private_ones_are_allowed(
    monkeypatch: pytest.MonkeyPatch, address: str
) -> None:
    leads_to(monkeypatch, address)
    with pytest.raises(Refused):
        send("GET", "https://hook.example/", allow_private=True)


@given(st.ip_addresses(v=4, network="10.0.0.0/8") | st.ip_addresses(v=4, network="127.0.0.0/8"))
def test_no_dress_of_a_private_address_is_called(address: Any) -> None:
    number = int(address)
    for dressed in (
        f"::ffff:{address}",
        f"64:ff9b::{address}",
        f"2002:{number >> 16:x}:{number & 65535:x}::",
    ):
        assert not outgoing._may_be_called(outgoing.ipaddress.ip_address(dressed), allow_private=False)


@pytest.mark.parametrize("address", ["8.8.8.8", "2001:4860:4860::8888"])
def test_a_public_address_may_be_called(monkeypatch: pytest.MonkeyPatch, address: str) -> None:
    leads_to(monkeypatch, address)
    outgoing.check("https://hook.example/")


@pytest.mark.parametrize(
    "url",
    [
        "http://hook.example/",
        "file:///etc/passwd",
        "gopher://x/",
        "https://",
        "https://a:b@hook.example/",
        "//x",
        "",
    ],
)
def test_only_plain_https_addresses_are_called(monkeypatch: pytest.MonkeyPatch, url: str) -> None:
    asked = leads_to(monkeypatch, "8.8.8.8")
    with pytest.raises(Refused):
        send("GET", url)
    assert asked == []


def test_the_address_judged_is_the_address_called(
    monkeypatch: pytest.MonkeyPatch, listener: tuple[str, list[Any]]
) -> None:
    """The name's second answer would be the data address: it is never asked for a second time within a call."""
    where, heard = listener
    port = where.rpartition(":")[2]
    asked = leads_to(monkeypatch, "127.0.0.1", "169.254.169.254")
    answer = send("POST", f"http://hook.example:{port}/here", content=b"{}", allow_private=True)
    assert (answer.status, answer.body) == (200, b"heard")
    assert asked == ["hook.example"]
    assert heard[0][2]["Host"] == f"hook.example:{port}"


def test_content_and_headers_arrive(listener: tuple[str, list[Any]]) -> None:
    where, heard = listener
    send("POST", where + "/here", content=b'{"a": 1}', headers={"X-Mark": "7"}, allow_private=True)
    method, path, headers, sent = heard[0]
    assert (method, path, headers["X-Mark"], sent) == ("POST", "/here", "7", b'{"a": 1}')


def test_a_redirect_is_judged_anew(listener: tuple[str, list[Any]]) -> None:
    where, heard = listener
    with pytest.raises(Refused, match="private network"):
        send("POST", where + "/a?to=http://169.254.169.254/latest", content=b"x", allow_private=True)
    assert [row[1] for row in heard] == ["/a?to=http://169.254.169.254/latest"]


def test_a_redirect_to_another_name_takes_no_secrets_along(listener: tuple[str, list[Any]]) -> None:
    where, heard = listener
    other = where.replace("127.0.0.1", "localhost") + "/there"
    send("POST", f"{where}/a?to={other}", headers={"Authorization": "secret"}, allow_private=True)
    assert "Authorization" in heard[0][2]
    assert heard[1][1] == "/there" and "Authorization" not in heard[1][2]


def test_going_round_in_circles_ends(listener: tuple[str, list[Any]]) -> None:
    where, heard = listener
    with pytest.raises(Refused, match="more than 3 times"):
        send("GET", where + "/round", allow_private=True)
    assert len(heard) == 4


def test_a_long_answer_is_cut(listener: tuple[str, list[Any]]) -> None:
    assert len(send("GET", listener[0] + "/long", allow_private=True).body) == outgoing.MAX_ANSWER_BYTES


def test_nothing_sent_is_told_apart_from_nothing_heard(listener: tuple[str, list[Any]]) -> None:
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        closed = held.getsockname()[1]
        with pytest.raises(Unreachable):
            send("GET", f"http://127.0.0.1:{closed}/", allow_private=True)
    with pytest.raises(NoAnswer):
        send("POST", listener[0] + "/silent", allow_private=True)


def test_where_hosts_are_named_no_other_is_called(
    monkeypatch: pytest.MonkeyPatch, listener: tuple[str, list[Any]], settings: Any
) -> None:
    where, heard = listener
    settings.CALLS_TO = ["127.0.0.1", ".works.example"]
    assert send("GET", where + "/here", allow_private=True).status == 200
    elsewhere = where.replace("127.0.0.1", "localhost")
    with pytest.raises(Refused, match="localhost"):
        send("GET", elsewhere + "/here", allow_private=True)
    with pytest.raises(Refused, match="localhost"):  # led on to it
        send("POST", f"{where}/a?to={elsewhere}/there", allow_private=True)
    assert [row[1] for row in heard] == ["/here", f"/a?to={elsewhere}/there"]
    leads_to(monkeypatch, "8.8.8.8")
    outgoing.check("https://hooks.works.example/")
    for other in ("https://works.example.elsewhere.example/", "https://notworks.example/"):
        with pytest.raises(Refused):
            outgoing.check(other)
