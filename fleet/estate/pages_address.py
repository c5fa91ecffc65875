"""How links in mails and on paper begin."""

from __future__ import annotations

from django.conf import settings
from django.http import HttpRequest


def pages_address(request: HttpRequest, path: str = "/") -> str:
    """A full address of these pages. The operator's word goes before the request's Host, which a stranger may choose."""
    if settings.ADDRESS_SET_UP:
        return str(settings.ADDRESS) + path
    return request.build_absolute_uri(path)
