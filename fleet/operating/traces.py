"""Traces of requests, rings at the bell and queries (OpenTelemetry), sent only where the operator names a collector.

ALMANAC_TRACES_TO is the address of a collector that takes OTLP over HTTP. What people typed stays here: an address is
told by its pattern, a query without its values, an error without its words, and no network address goes along.
"""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.exceptions import ImproperlyConfigured

# Names under which versions of the convention tell the whole address, the words asked for, and who asks.
TELLS_ADDRESS = ("http.url", "http.target", "url.full", "url.path", "url.query")
TELLS_PERSON = (
    "net.peer.ip", "net.sock.peer.addr", "client.address", "http.user_agent", "user_agent.original", "http.client_ip",
)  # fmt: skip


def start(service: str) -> None:
    """Begin in this process, before its first request; without a collector nothing is even imported."""
    if not settings.TRACES_TO:
        return
    try:
        _start(service)
    except ImportError as error:
        raise ImproperlyConfigured(
            "ALMANAC_TRACES_TO is set and OpenTelemetry's packages are not installed. Install them with "
            "`uv sync --group traces`, or leave the setting empty."
        ) from error


def _start(service: str) -> None:
    from opentelemetry import trace
    from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
    from opentelemetry.instrumentation.celery import CeleryInstrumentor
    from opentelemetry.instrumentation.django import DjangoInstrumentor
    from opentelemetry.instrumentation.psycopg import PsycopgInstrumentor
    from opentelemetry.sdk.resources import Resource
    from opentelemetry.sdk.trace import SpanLimits, TracerProvider
    from opentelemetry.sdk.trace.export import BatchSpanProcessor

    named = Resource.create({"service.name": f"tank-almanac-{service}", "service.version": settings.VERSION})
    # An error's event would hold its message, and that may repeat what somebody typed.
    provider = TracerProvider(resource=named, span_limits=SpanLimits(max_events=0))
    address = f"{settings.TRACES_TO.rstrip('/')}/v1/traces"
    provider.add_span_processor(BatchSpanProcessor(OTLPSpanExporter(endpoint=address)))
    trace.set_tracer_provider(provider)
    DjangoInstrumentor().instrument(response_hook=_by_its_pattern)
    CeleryInstrumentor().instrument()
    PsycopgInstrumentor().instrument(skip_dep_check=True)


def _by_its_pattern(span: Any, request: Any, response: Any) -> None:
    """An address may hold a secret or a search: only the pattern that it met is told."""
    if not span or not span.is_recording():
        return
    match = getattr(request, "resolver_match", None)
    pattern = f"/{match.route}" if match else ""
    for name in TELLS_ADDRESS:
        if name in span.attributes:
            span.set_attribute(name, "" if name == "url.query" else pattern)
    for name in TELLS_PERSON:
        if name in span.attributes:
            span.set_attribute(name, "")
