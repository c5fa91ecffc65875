"""One line per room; each room's own urls.py says the rest. The API first: it is asked most often."""

from importlib.util import find_spec

from django.urls import include, path

ROOMS = [
    "api.urls",
    "fleet.heaters.urls",
    "fleet.heaters.export_urls",
    "fleet.care.urls",
    "fleet.planning.urls",
    "fleet.reminders.urls",
    "fleet.contracts.urls",
    "fleet.estate.urls",
    "fleet.operating.urls",
    "fleet.pages.urls",
]
urlpatterns = [path("", include(room)) for room in ROOMS if find_spec(room)]
handler400 = "fleet.pages.errors.bad_request"
handler404 = "fleet.pages.errors.not_found"
handler403 = "fleet.pages.errors.forbidden"
handler500 = "fleet.pages.errors.broken"
