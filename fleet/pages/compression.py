"""What people look at travels compressed: on a slow phone its size is most of the wait."""

from __future__ import annotations

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.middleware.gzip import GZipMiddleware

PAGES = ("text/html", "image/svg+xml")
FILES = ("text/css", "text/javascript")  # the full mode has them compressed beforehand


class CompressionMiddleware(GZipMiddleware):
    """Only what people look at: the outside door's ETags stay strong, exports stay as they are.

    The base adds a random length to each answer, so that its size says nothing about what stands in it.
    """

    def process_response(self, request: HttpRequest, response: HttpResponseBase) -> HttpResponseBase:
        what = response.headers.get("Content-Type", "")
        if response.status_code == 206 or not what.startswith(FILES if response.streaming else PAGES):
            return response
        if response.streaming and "gzip" in request.headers.get("Accept-Encoding", ""):
            # A compressed file has no strong ETag, and by a weak one it would never be found unchanged.
            del response.headers["ETag"]
        smaller: HttpResponseBase = super().process_response(request, response)
        return smaller
