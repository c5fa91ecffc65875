"""The addresses of API v1. What is not here is not there, and says so as a problem."""

from django.urls import include, path, re_path, register_converter

from api.numbers import Number

register_converter(Number, "number")

from api import (  # noqa: E402 (their addresses use the converter)
    capital,
    care,
    care_settings,
    changes,
    company,
    contracts,
    docs,
    estate,
    grants,
    heaters,
    hooks,
    imports,
    labels,
    offers,
    people,
    planning,
    prices,
    reminders,
    reports,
    successors,
    surveys,
    trust,
    visits,
    work,
)

app_name = "api"
rooms = [
    estate,
    heaters,
    care,
    visits,
    labels,
    care_settings,
    planning,
    prices,
    capital,
    reports,
    successors,
    company,
    surveys,
    offers,
    contracts,
    imports,
    work,
    changes,
    trust,
    reminders,
    hooks,
    grants,
    people,
]
# One step in: what does not begin so is held against none of these.
version_1 = [
    path("openapi.yaml", docs.document, name="document"),
    path("openapi.json", docs.document_json, name="document_json"),
    *(pattern for room in rooms for pattern in room.urlpatterns),
]
urlpatterns = [
    path("api/", docs.docs, name="docs"),
    path("api/v1/", include(version_1)),
    re_path(r"^api/v1/.*$", docs.NothingHere.as_view(), name="nothing"),
]
