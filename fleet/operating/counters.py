"""What each process counts as it goes. With several processes they share a folder (PROMETHEUS_MULTIPROC_DIR)."""

from __future__ import annotations

from prometheus_client import CollectorRegistry, Counter, Histogram

OWN = CollectorRegistry(auto_describe=True)
REQUESTS = Counter("almanac_requests", "Requests answered", ["method", "status"], registry=OWN)
REQUEST_SECONDS = Histogram(
    "almanac_request_seconds",
    "Seconds from a request's arrival to its answer",
    ["method", "route"],
    buckets=(0.01, 0.025, 0.05, 0.1, 0.2, 0.3, 0.5, 1, 2.5, 5, 10),
    registry=OWN,
)
