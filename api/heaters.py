"""Heaters, what was done to them, their water, their photos and papers."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ValidationError
from django.http import FileResponse, Http404, HttpResponse
from django.http.response import HttpResponseBase
from django.urls import path
from rest_framework import serializers

from api.door import ApiView
from api.estate import within
from api.operations import operation
from api.problems import Problem, pointed
from api.resources import Resource, routes
from api.rows import Filter, Rows
from api.shapes import FromModel, Given, Known, Shown, StrictText, number, text
from fleet.estate.access import Need
from fleet.estate.models import Building, Position, Property
from fleet.heaters import attachments, care_record_services, record_services
from fleet.heaters.models import Attachment, Ending, Heater, Kind, ServiceRecord, WaterTest

FACTS = tuple(
    field.name for field in Heater._meta.concrete_fields if field.name in record_services.CHANGEABLE
)
PLACE = ("property_id", "property_name", "building_id", "building_name")
# What the verb calls a date, and the field that was sent for it.
SENT = {name: f"{name}_earliest" for name in ("made", "installed", "removed")}


class HeaterShown(Shown):
    property_id = number("position.building.property_id")
    property_name = text("position.building.property.name")
    building_id = number("position.building_id")
    building_name = text("position.building.name")
    position_id = number()
    position_label = text("position.label")

    class Meta:
        model = Heater
        fields = ("id", *PLACE, "position_id", "position_label", *FACTS, "version", "updated_at")


class HeaterChanged(FromModel):
    reason = StrictText(required=False, max_length=500, allow_blank=True, help_text="Kept in the history")

    class Meta:
        model = Heater
        fields: tuple[str, ...] = (*FACTS, "reason")


class HeaterGiven(HeaterChanged):
    position_id = Known(Position)

    class Meta(HeaterChanged.Meta):
        fields = ("position_id", *HeaterChanged.Meta.fields)


class HeaterEnded(FromModel):
    """How and when it left service. The date may be as vague as it is known: precision unknown will do."""

    ending = serializers.ChoiceField(choices=[one for one in Ending.choices if one[0]])
    reason = StrictText(required=False, max_length=500, allow_blank=True, help_text="Kept in the history")

    class Meta:
        model = Heater
        fields = ("ending", "removed_earliest", "removed_latest", "removed_precision", "reason")


def _in_service(rows: Any, wanted: bool) -> Any:
    return rows.filter(ending="") if wanted else rows.exclude(ending="")


HEATERS = Rows(
    "Heater",
    HeaterShown,
    lambda: Heater.objects.all(),
    {
        "property_id": within("position__building__property_id", "At this property."),
        "building_id": within("position__building_id", "In this building."),
        "position_id": within("position_id", "At this position."),
        "kind": Filter("kind", serializers.ChoiceField(choices=Kind.choices), "Of this kind."),
        "in_service": Filter(_in_service, serializers.BooleanField(), "In service, or ended."),
        "tag": Filter("tag", serializers.CharField(max_length=80), "With exactly this tag."),
        "serial_number": Filter("serial_number", serializers.CharField(max_length=120), "Exactly."),
        "updated_since": Filter("updated_at__gte", serializers.DateTimeField(), "Changed at or after."),
    },
)


def _as_sent(verb: Any, *arguments: Any) -> Any:
    """The verb; what it refuses is pointed at by the names that were sent."""
    try:
        return verb(*arguments)
    except ValidationError as error:
        if not hasattr(error, "error_dict"):
            raise
        raise Problem("refused", errors=pointed(dict(error.message_dict), names=SENT)) from error


def _put_in(view: ApiView, given: dict[str, Any]) -> Heater:
    place, reason = given.pop("position_id"), given.pop("reason", "")
    found: Heater = _as_sent(record_services.put_in_heater, place, given, reason)
    return found


def _change_heater(row: Heater, given: dict[str, Any]) -> Heater:
    reason = given.pop("reason", "")
    found: Heater = _as_sent(record_services.change_heater, row.pk, given, row.version, reason)
    return found


class EndView(ApiView):
    @operation(
        Need.WORK, "Record how and when a heater left service.", takes=HeaterEnded, gives=HeaterShown,
        edits=True, tag="heaters",
    )  # fmt: skip
    def post(self, request: Any, pk: int) -> HttpResponse:
        _change_heater(self.held(HEATERS, pk), self.given)
        return self.answer(HEATERS.one(pk))


class ServiceShown(Shown):
    heater_id = number()
    heater_tag = text("heater.tag")

    class Meta:
        model = ServiceRecord
        fields = ("id", "heater_id", "heater_tag", "kind", "done_earliest", "done_latest", "done_precision",
                  "anode_left_fraction", "setpoint_f", "cost", "done_by", "notes")  # fmt: skip


class ServiceChanged(FromModel):
    reason = StrictText(required=False, max_length=500, allow_blank=True, help_text="Kept in the history")

    class Meta:
        model = ServiceRecord
        fields: tuple[str, ...] = (*ServiceShown.Meta.fields[3:], "reason")


class ServiceGiven(ServiceChanged):
    heater_id = Known(Heater)

    class Meta(ServiceChanged.Meta):
        fields = ("heater_id", *ServiceChanged.Meta.fields)


SERVICES = Rows(
    "ServiceRecord",
    ServiceShown,
    lambda: ServiceRecord.objects.all(),
    {
        "heater_id": within("heater_id", "Of this heater."),
        "property_id": within("heater__position__building__property_id", "At this property."),
        "kind": Filter("kind", serializers.ChoiceField(choices=ServiceRecord.Work.choices), "Of this kind."),
        "done_since": Filter("done_latest__gte", serializers.DateField(), "Done on this day or later."),
    },
)


def _add_service(view: ApiView, given: dict[str, Any]) -> ServiceRecord:
    heater, reason = given.pop("heater_id"), given.pop("reason", "")
    return care_record_services.add_service(heater, given, reason)


def _change_service(row: ServiceRecord, given: dict[str, Any]) -> ServiceRecord:
    return care_record_services.change_service(row.pk, given, given.pop("reason", ""))


class WaterTestShown(Shown):
    property_id = number()
    building_id = number(nullable=True)

    class Meta:
        model = WaterTest
        fields = ("id", "property_id", "building_id", "treatment", "tested_earliest", "tested_latest",
                  "tested_precision", "hardness_mg_l", "calcium_mg_l", "alkalinity_mg_l", "ph",
                  "dissolved_solids_mg_l", "conductivity_us_cm", "chloride_mg_l", "sulfate_mg_l",
                  "temperature_c")  # fmt: skip


class WaterTestChanged(FromModel):
    reason = StrictText(required=False, max_length=500, allow_blank=True, help_text="Kept in the history")

    class Meta:
        model = WaterTest
        fields: tuple[str, ...] = (*WaterTestShown.Meta.fields[3:], "reason")


class WaterTestGiven(WaterTestChanged):
    property_id = Known(Property)
    building_id = Known(Building, required=False, allow_null=True)

    class Meta(WaterTestChanged.Meta):
        fields = ("property_id", "building_id", *WaterTestChanged.Meta.fields)


WATER_TESTS = Rows(
    "WaterTest",
    WaterTestShown,
    lambda: WaterTest.objects.all(),
    {
        "property_id": within("property_id", "Of this property."),
        "building_id": within("building_id", "Of this building."),
    },
)


def _add_water_test(view: ApiView, given: dict[str, Any]) -> WaterTest:
    place, building = given.pop("property_id"), given.pop("building_id", None)
    reason = given.pop("reason", "")
    return care_record_services.add_water_test(place, building, given, reason)


def _change_water_test(row: WaterTest, given: dict[str, Any]) -> WaterTest:
    return care_record_services.change_water_test(row.pk, given, given.pop("reason", ""))


class AttachmentShown(Shown):
    heater_id = number()

    class Meta:
        model = Attachment
        fields = ("id", "heater_id", "name", "content_type", "size_bytes", "sha256", "added_at")


ATTACHMENTS = Rows(
    "Attachment",
    AttachmentShown,
    lambda: Attachment.objects.all(),
    {"heater_id": within("heater_id", "Of this heater.")},
)


class FileGiven(Given):
    file = serializers.FileField(help_text=f"Send {attachments.RIGHT}.")


class AttachmentsView(ApiView):
    @operation(
        Need.READ, "Photos and papers of heaters, a page at a time.", lists=ATTACHMENTS, tag="attachments"
    )
    def get(self, request: Any) -> HttpResponse:
        return self.page(ATTACHMENTS)


class AttachView(ApiView):
    @operation(
        Need.WORK, "Keep a photo or paper with a heater; the same file twice is kept once.", takes=FileGiven,
        gives=AttachmentShown, status=201, form=True, tag="attachments",
    )  # fmt: skip
    def post(self, request: Any, pk: int) -> HttpResponse:
        heater = Heater.objects.filter(pk=pk).first()
        if heater is None:
            raise Http404
        sent = self.given["file"]
        if (sent.size or 0) > attachments.MAX_BYTES:
            raise Problem("too-large", f"Send {attachments.RIGHT}.")
        kept = record_services.attach(heater, attachments.check(sent.name or "file", sent.read()))
        return self.made(ATTACHMENTS, kept.pk, "/api/v1/attachments")


class AttachmentView(ApiView):
    @operation(Need.READ, "What is known of a photo or paper.", gives=AttachmentShown, tag="attachments")
    def get(self, request: Any, pk: int) -> HttpResponse:
        return self.answer(ATTACHMENTS.one(pk))


class AttachmentFileView(ApiView):
    @operation(Need.READ, "The photo or paper itself.", file="application/octet-stream", tag="attachments")
    def get(self, request: Any, pk: int) -> HttpResponseBase:
        row = Attachment.objects.filter(pk=pk).first()
        if row is None:
            raise Http404
        try:
            content = row.file.open("rb")
        except FileNotFoundError as error:
            raise Http404 from error
        response = FileResponse(content, content_type=row.content_type, as_attachment=True, filename=row.name)
        response["X-Content-Type-Options"] = "nosniff"
        response["ETag"] = f'"{row.sha256}"'
        return response


urlpatterns = [
    *routes(
        Resource(HEATERS, "heaters", "a heater", "heaters", Need.WORK, HeaterGiven, HeaterChanged, _put_in, _change_heater)
    ),
    path("heaters/<number:pk>/end", EndView.as_view(), name="heaters_end"),
    path("heaters/<number:pk>/attachments", AttachView.as_view(), name="heaters_attach"),
    *routes(
        Resource(
            SERVICES, "service-records", "a service record", "service records", Need.WORK, ServiceGiven,
            ServiceChanged, _add_service, _change_service,
        )
    ),
    *routes(
        Resource(
            WATER_TESTS, "water-tests", "a water test", "water tests", Need.WORK, WaterTestGiven, WaterTestChanged,
            _add_water_test, _change_water_test,
        )
    ),
    path("attachments", AttachmentsView.as_view(), name="attachments"),
    path("attachments/<number:pk>", AttachmentView.as_view(), name="attachments_one"),
    path("attachments/<number:pk>/file", AttachmentFileView.as_view(), name="attachments_file"),
]  # fmt: skip
