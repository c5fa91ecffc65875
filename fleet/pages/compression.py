"""Pages and drawings travel compressed: on a slow phone their size is most of the wait."""

from __future__ import annotations

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.middleware.gzip import GZipMiddleware

COMPRESSED = ("text/html", "image/svg+xml")


class CompressionMiddleware(GZipMiddleware):
    """Only what people look at: the outside door's ETags stay strong, files stay as they are.

    The base adds a random length to each answer, so that its size says nothing about what stands in it.
    """

    def process_response(self, request: HttpRequest, response: HttpResponseBase) -> HttpResponseBase:
        if response.streaming or not response.headers.get("Content-Type", "").startswith(COMPRESSED):
            return response
        smaller: HttpResponseBase = super().process_response(request, response)
        return smaller
