"""Every request gets a number, is counted and timed, and leaves one line in the log."""

from __future__ import annotations

import logging
import re
import time
import uuid
from collections.abc import Callable

import structlog
from django.http import HttpRequest, HttpResponse

from fleet.operating.counters import REQUEST_SECONDS, REQUESTS
from fleet.operating.logs import route_of

logger = logging.getLogger("fleet.requests")
_GIVEN = re.compile(r"[A-Za-z0-9._-]{8,64}")


class SeenMiddleware:
    """Outermost. A number given by the proxy in front (X-Request-ID) is kept where it looks like one."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        given = request.headers.get("X-Request-ID", "")
        number = given if _GIVEN.fullmatch(given) else uuid.uuid4().hex
        started = time.perf_counter()
        with structlog.contextvars.bound_contextvars(request=number):
            answer = self.get_response(request)
            seconds = time.perf_counter() - started
            self._write_down(request, answer.status_code, seconds)
        answer.headers["X-Request-ID"] = number
        return answer

    @staticmethod
    def _write_down(request: HttpRequest, status: int, seconds: float) -> None:
        route, method = route_of(request), request.method or ""
        method = method if method in {"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"} else "OTHER"
        REQUESTS.labels(method, str(status)).inc()
        REQUEST_SECONDS.labels(method, route).observe(seconds)
        membership = getattr(request, "membership", None)
        extra = {"method": method, "route": route, "status": status, "seconds": round(seconds, 4)}
        if membership is not None:
            extra |= {"organisation": membership.organisation_id, "person": membership.person_id}
        logger.info("request", extra=extra)
