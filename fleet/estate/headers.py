"""What every answer carries besides its content, and how large a request may be."""

from __future__ import annotations

from collections.abc import Callable

from django.conf import settings
from django.http import HttpRequest, HttpResponse

# No page asks for a device of the phone or computer; keys (passkeys) are asked for by these pages only. Photos come
# through the ordinary file chooser, which needs no leave.
PERMISSIONS = ", ".join(
    [
        *(
            f"{name}=()"
            for name in (
                "accelerometer",
                "autoplay",
                "camera",
                "display-capture",
                "geolocation",
                "gyroscope",
                "magnetometer",
                "microphone",
                "midi",
                "payment",
                "usb",
            )
        ),
        "publickey-credentials-create=(self)",
        "publickey-credentials-get=(self)",
    ]
)


class HeadersMiddleware:
    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if _too_large(request):
            return HttpResponse(
                f"This is too large. At most {settings.REQUEST_MAX_BYTES // 2**20} MB are taken.",
                status=413,
                content_type="text/plain; charset=utf-8",
            )
        if settings.TLS and request.path.startswith("/api/") and not request.is_secure():
            return HttpResponse(
                "The API is asked over https only. Revoke the token that was sent here in the clear.",
                status=403,
                content_type="text/plain; charset=utf-8",
            )
        response = self.get_response(request)
        response.setdefault("Permissions-Policy", PERMISSIONS)
        response.setdefault("Cross-Origin-Resource-Policy", "same-origin")
        if not response.has_header("Cache-Control") and _is_somebodys(request):
            # What one person has seen is not kept for the next one at the same machine.
            response["Cache-Control"] = "private, no-store"
        return response


def _too_large(request: HttpRequest) -> bool:
    try:
        return int(request.META.get("CONTENT_LENGTH") or 0) > settings.REQUEST_MAX_BYTES
    except ValueError:
        return True


def _is_somebodys(request: HttpRequest) -> bool:
    user = getattr(request, "user", None)
    return user is not None and user.is_authenticated
