"""Calls that leave the house: to addresses that people typed in, so each is looked up, judged and pinned first.

A name may lead to this machine, to a neighbour behind the same wall or to a cloud's own data address; such a call is
refused before a byte is sent. The address that was judged is the address that is called, so that a name which
changes its answer in between gains nothing. A redirect is judged anew. Where the operator names the hosts that may
be called (ALMANAC_CALLS_TO), no other is. Time, size and number of hops are bounded.
"""

from __future__ import annotations

import ipaddress
import socket
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from urllib.parse import urljoin, urlsplit

import httpx
from django.conf import settings
from django.http.request import validate_host

MAX_ANSWER_BYTES = 256 * 1024
MAX_REDIRECTS = 3
MAX_ADDRESSES = 3
IPAddress = ipaddress.IPv4Address | ipaddress.IPv6Address
# Data addresses of hosting companies that do not lie in the link-local range; never called, whatever is allowed.
_NEVER = {ipaddress.ip_address("fd00:ec2::254"), ipaddress.ip_address("100.100.100.200")}
_NAT64 = ipaddress.ip_network("64:ff9b::/96")
_PRIVATE_HEADERS = {"authorization", "cookie", "proxy-authorization"}


class OutgoingError(Exception):
    """The call did not come back with an answer; the message may be shown to the organisation's owner."""


class Refused(OutgoingError):
    """The address may not be called. Trying again changes nothing."""


class Unreachable(OutgoingError):
    """No connection was made, so nothing was sent: safe to try again."""


class NoAnswer(OutgoingError):
    """The request left, and no complete answer came: the other side may or may not have acted."""


@dataclass(frozen=True)
class Answer:
    status: int
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""


def send(
    method: str,
    url: str,
    *,
    content: bytes = b"",
    headers: Mapping[str, str] | None = None,
    timeout_seconds: float = 10.0,
    allow_private: bool = False,
) -> Answer:
    """Make one call. `allow_private` lets it go to this machine and private networks, and over plain HTTP.

    A GET follows redirects; other methods follow only those that keep method and content (307 and 308).
    """
    deadline = time.monotonic() + timeout_seconds
    kept = dict(headers or {})
    for _ in range(MAX_REDIRECTS + 1):
        answer = _one_call(method, url, content, kept, deadline, allow_private)
        onward = _onward(method, url, answer)
        if onward is None:
            return answer
        if urlsplit(onward).netloc != urlsplit(url).netloc:
            kept = {name: value for name, value in kept.items() if name.lower() not in _PRIVATE_HEADERS}
        url = onward
    raise Refused(f"The address leads on more than {MAX_REDIRECTS} times. Enter the address where it ends.")


def check(url: str, *, allow_private: bool = False) -> None:
    """Refuse an address that could never be called: for the form where it is entered."""
    _addresses(url, allow_private)


def _onward(method: str, url: str, answer: Answer) -> str | None:
    followed = {301, 302, 303, 307, 308} if method.upper() in {"GET", "HEAD"} else {307, 308}
    where = answer.headers.get("location")
    if answer.status not in followed or not where:
        return None
    onward = urljoin(url, where)
    if url.startswith("https:") and not onward.startswith("https:"):
        raise Refused("The address leads on from https to an address without it.")
    return onward


def _addresses(url: str, allow_private: bool) -> tuple[str, int, list[IPAddress]]:
    """The host, the port and the judged addresses of a URL."""
    try:
        parts = urlsplit(url)
        port = parts.port or (443 if parts.scheme == "https" else 80)
    except ValueError as error:
        raise Refused(f"{url!r} is not an address. Right would be https://name.example/path.") from error
    if parts.scheme not in ({"https", "http"} if allow_private else {"https"}) or not parts.hostname:
        raise Refused(f"{url[:200]!r} cannot be called. Right would be https://name.example/path.")
    if settings.CALLS_TO and not validate_host(parts.hostname, settings.CALLS_TO):
        raise Refused(
            f"{parts.hostname!r} is not among the hosts that this installation calls. Ask its operator."
        )
    if parts.username or parts.password:
        raise Refused("An address with a user name or password in it cannot be called.")
    try:
        addresses = _look_up(parts.hostname, port)
    except (OSError, UnicodeError) as error:
        raise Unreachable(f"The name {parts.hostname!r} leads nowhere.") from error
    for address in addresses:
        if not _may_be_called(address, allow_private):
            raise Refused(
                f"The name {parts.hostname!r} leads to an address inside a private network, which is not called."
            )
    return parts.hostname, port, addresses[:MAX_ADDRESSES]


def _look_up(host: str, port: int) -> list[IPAddress]:
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(ipaddress.ip_address(str(row[4][0]).split("%")[0]) for row in found))


def _meant(address: IPAddress) -> IPAddress:
    """The IPv4 address that an IPv6 address stands for, where it does."""
    if isinstance(address, ipaddress.IPv4Address):
        return address
    if address in _NAT64:
        return ipaddress.IPv4Address(int(address) & 0xFFFFFFFF)
    return address.ipv4_mapped or address.sixtofour or address


def _may_be_called(address: IPAddress, allow_private: bool) -> bool:
    meant = _meant(address)
    if meant in _NEVER or meant.is_link_local or meant.is_multicast or meant.is_unspecified:
        return False
    if allow_private and (meant.is_private or meant.is_loopback):
        return True
    return meant.is_global and not meant.is_reserved


def _one_call(
    method: str, url: str, content: bytes, headers: Mapping[str, str], deadline: float, allow_private: bool
) -> Answer:
    host, _, addresses = _addresses(url, allow_private)
    failure: Exception | None = None
    for address in addresses:
        left = deadline - time.monotonic()
        if left <= 0:
            break
        try:
            return _call_pinned(method, url, host, address, content, headers, left, deadline)
        except (httpx.ConnectError, httpx.ConnectTimeout, httpx.PoolTimeout) as error:
            failure = error
        except (httpx.HTTPError, httpx.InvalidURL, httpx.StreamError) as error:
            raise NoAnswer(f"{host} took the call and did not answer: {type(error).__name__}.") from error
    raise Unreachable(f"No connection to {host} could be made.") from failure


def _call_pinned(
    method: str,
    url: str,
    host: str,
    address: IPAddress,
    content: bytes,
    headers: Mapping[str, str],
    left: float,
    deadline: float,
) -> Answer:
    """Call the judged address; the certificate is still checked against the name."""
    asked = httpx.URL(url)
    own = {name: value for name, value in headers.items() if name.lower() not in {"host", "accept-encoding"}}
    # No compression is asked for, so that a small answer cannot unfold into a large one.
    own |= {"Host": asked.netloc.decode("ascii"), "Accept-Encoding": "identity"}
    with (
        httpx.Client(trust_env=False, follow_redirects=False, timeout=left) as client,
        client.stream(
            method,
            asked.copy_with(host=str(address)),
            content=content,
            headers=own,
            extensions={"sni_hostname": host},
        ) as response,
    ):
        body = bytearray()
        for chunk in response.iter_raw():
            body += chunk
            if len(body) > MAX_ANSWER_BYTES:
                del body[MAX_ANSWER_BYTES:]
                break
            if time.monotonic() > deadline:
                raise httpx.ReadTimeout("The answer took too long.")
        return Answer(response.status_code, dict(response.headers), bytes(body))
