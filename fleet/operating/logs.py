"""Logs: one JSON object a line in the full mode, plain lines in the embedded one; each with its request or job.

No secret leaves here: names that mean one and texts that look like one are struck out, and a failed request is
logged by its route, never by its address, which may hold the secret of a shared page or a calendar.
"""

from __future__ import annotations

import logging
import re
from collections.abc import MutableMapping
from typing import Any

import structlog

Event = MutableMapping[str, Any]
STRUCK_OUT = "(struck out)"
_SECRET_NAME = re.compile(r"passw|secret|token|authori[sz]ation|cookie|session_?id|api_?key", re.IGNORECASE)
_SECRET_IN_TEXT = (
    (re.compile(r"\b(\w{1,30}://[^/\s:@]{0,200}):[^@\s/]{1,500}@"), rf"\1:{STRUCK_OUT}@"),
    (re.compile(r"\b(bearer|basic)\s+[\w.~+/=-]{6,}", re.IGNORECASE), rf"\1 {STRUCK_OUT}"),
    (
        re.compile(
            r"((?:passw(?:or)?d|secret|token|authori[sz]ation|cookie|sessionid|api_?key)\w*[\"']?\s*[=:]\s*[\"']?)"
            r"[^\s\"'&,;)}]+",
            re.IGNORECASE,
        ),
        rf"\1{STRUCK_OUT}",
    ),
)


def without_secrets(logger: Any, method: str, event: Event) -> Event:
    for name, value in event.items():
        if _SECRET_NAME.search(name):
            event[name] = STRUCK_OUT
        elif isinstance(value, str):
            event[name] = struck_out(value)
    return event


def struck_out(text: str) -> str:
    for pattern, instead in _SECRET_IN_TEXT:
        text = pattern.sub(instead, text)
    return text


def by_route(logger: Any, method: str, event: Event) -> Event:
    """Django names the address of a failed request in its message: put the route in its place."""
    record: logging.LogRecord | None = event.get("_record")
    request = getattr(record, "request", None)
    if record is not None and request is not None and hasattr(request, "path"):
        event["event"] = f"{getattr(record, 'status_code', '')} {request.method} {route_of(request)}".strip()
    return event


def route_of(request: Any) -> str:
    """The address pattern that answered, such as heaters/<int:pk>/; without one, that there was none."""
    match = getattr(request, "resolver_match", None)
    return match.route or "/" if match is not None else "(no such page)"


def in_plain_words(logger: Any, method: str, event: Event) -> str:
    """`time LEVEL logger message name=value ...`, and the traceback below it."""
    head = f"{event.pop('timestamp')} {event.pop('level').upper()} {event.pop('logger', '')} {event.pop('event')}"
    trace = event.pop("exception", "")
    rest = "".join(f" {name}={value}" for name, value in event.items())
    return head + rest + (f"\n{trace}" if trace else "")


def logging_settings(embedded: bool, level: str) -> dict[str, Any]:
    """Django's LOGGING. Every logger of the house and of its libraries passes the same steps."""
    before: list[Any] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_logger_name,
        structlog.stdlib.add_log_level,
        structlog.stdlib.ExtraAdder(
            allow={"seconds", "status", "method", "route", "kind", "organisation", "person"}
        ),
        by_route,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.format_exc_info,
    ]
    last = in_plain_words if embedded else structlog.processors.JSONRenderer(sort_keys=True, default=str)
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "formatters": {
            "house": {
                "()": structlog.stdlib.ProcessorFormatter,
                "foreign_pre_chain": before,
                "processors": [
                    structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                    without_secrets,
                    last,
                ],
            }
        },
        "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "house"}},
        "root": {"handlers": ["console"], "level": level},
        "loggers": {
            # Django's own handlers would say each thing twice, or mail it.
            "django": {"handlers": [], "propagate": True, "level": level},
            "django.server": {"handlers": [], "propagate": True, "level": level},
        },
    }
