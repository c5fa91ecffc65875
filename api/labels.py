"""Labels of heaters, shut-off cards and notices, as plain values and to print."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpResponse
from django.urls import path, reverse
from rest_framework import serializers

from api.door import ApiView
from api.estate import BUILDINGS
from api.heaters import HEATERS
from api.operations import operation
from api.usual import PDF, File, Verb, act, as_file, file_of
from fleet.care import labels, notices, printed
from fleet.care.models import Visit
from fleet.estate.access import Need
from fleet.estate.models import Building
from fleet.estate.pages_address import pages_address
from fleet.heaters.models import Heater


class LabelShown(serializers.Serializer):
    heater_id = serializers.IntegerField()
    heater_tag = serializers.CharField()
    position_label = serializers.CharField()
    code = serializers.CharField()
    address = serializers.CharField(help_text="What the label's picture code opens")


class Labels(serializers.Serializer):
    items = LabelShown(many=True)
    next = serializers.CharField(allow_null=True)


def _address(view: ApiView, code: str) -> str:
    return pages_address(view.request._request, reverse("care:scanned", args=[code]))


def _labels(view: ApiView, building: Building) -> list[tuple[Heater, str, str]]:
    heaters = printed.in_service(building)
    codes = labels.label_heaters(heaters)
    return [(row, codes[row.pk].code, _address(view, codes[row.pk].code)) for row in heaters]


def _give_codes(view: ApiView, building: Building) -> dict[str, Any]:
    items = [
        {
            "heater_id": heater.pk,
            "heater_tag": heater.tag,
            "position_label": heater.position.label,
            "code": code,
            "address": address,
        }
        for heater, code, address in _labels(view, building)
    ]
    return {"items": items, "next": None}


def _sheet(view: ApiView, building: Building) -> tuple[bytes, str]:
    place = f"{building.property.name}, {building.name}"
    return printed.labels_pdf(place, _labels(view, building)), f"labels-{building.pk}.pdf"


def _card(view: ApiView, heater: Heater) -> tuple[bytes, str]:
    code = labels.label_heaters([heater])[heater.pk].code
    return printed.card_pdf(heater, code, _address(view, code)), f"card-{code}.pdf"


class NoticePart(serializers.Serializer):
    language = serializers.CharField()
    heading = serializers.CharField()
    day = serializers.CharField(help_text="As the language writes it")
    lines = serializers.ListField(child=serializers.CharField())
    translated = serializers.BooleanField(help_text="Ours, not checked by a sworn translator")


class NoticeShown(serializers.Serializer):
    place = serializers.CharField()
    day = serializers.DateField()
    contact = serializers.CharField()
    parts = NoticePart(many=True)


class NoticeView(ApiView):
    @operation(
        Need.READ, "The notice of a visit for the people served, in the property's languages.", gives=NoticeShown,
        tag="visits",
    )  # fmt: skip
    def get(self, request: Any, pk: int) -> HttpResponse:
        found = notices.notice_of(_visit(pk))
        parts = [vars(part) for part in found.parts]
        return self.answer({"place": found.place, "day": found.day, "contact": found.contact, "parts": parts})


class NoticeTextView(ApiView):
    @operation(Need.READ, "The same notice as text, ready to be mailed.", file="text/plain", tag="visits")
    def get(self, request: Any, pk: int) -> HttpResponse:
        return as_file(notices.notice_of(_visit(pk)).text, f"notice-{pk}.txt", "text/plain")


def _visit(pk: int) -> Visit:
    rows = Visit.objects.select_related("building__property", "organisation")
    found: Visit | None = rows.filter(pk=pk).first()
    if found is None:
        raise Http404
    return found


urlpatterns = [
    path(
        "buildings/<number:pk>/labels",
        act(BUILDINGS, "labels", Verb(
            Need.WORK, "Give each heater of a building its code; again gives the same.", _give_codes, gives=Labels,
        )),
        name="labels",
    ),
    path(
        "buildings/<number:pk>/labels.pdf",
        file_of(BUILDINGS, "labels", File(Need.WORK, "The labels of a building to print.", PDF, _sheet)),
        name="labels_pdf",
    ),
    path(
        "heaters/<number:pk>/card.pdf",
        file_of(HEATERS, "labels", File(Need.WORK, "The shut-off card of a heater to print.", PDF, _card)),
        name="card_pdf",
    ),
    path("visits/<number:pk>/notice", NoticeView.as_view(), name="notice"),
    path("visits/<number:pk>/notice.txt", NoticeTextView.as_view(), name="notice_text"),
]  # fmt: skip
