"""A Django view that does nothing, to say what the framework and the server cost by themselves."""

from __future__ import annotations

import django
from django.conf import settings
from django.core.wsgi import get_wsgi_application
from django.http import HttpRequest, HttpResponse
from django.urls import path

settings.configure(ROOT_URLCONF=__name__, ALLOWED_HOSTS=["127.0.0.1"], SECRET_KEY="for-this-test-only")
django.setup()


def nothing(request: HttpRequest) -> HttpResponse:
    return HttpResponse("nothing")


urlpatterns = [path("", nothing)]
application = get_wsgi_application()
