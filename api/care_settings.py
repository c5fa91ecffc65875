"""What a property decides about its care, the crews that do it, and what came from phones."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.urls import path
from django.utils import timezone
from rest_framework import serializers

from api.door import ApiView
from api.estate import within
from api.operations import operation
from api.rows import Filter, Gathered, Rows
from api.shapes import (
    Given,
    Known,
    Shown,
    StrictChoice,
    StrictText,
    StrictWhole,
    StrictYes,
    number,
)
from api.usual import Doors, Verb, act, listing, one_of, single, whole_only
from fleet.care import crews, services, settling
from fleet.care.kinds import WORKERS
from fleet.care.models import CareSetting, Crew, SentEntry, SiteCare
from fleet.estate.access import Need
from fleet.estate.background import enqueue
from fleet.estate.models import Property

OF_PROPERTY = within("property_id", "Of this property.")


class CareSettingShown(Shown):
    property_id = number()

    class Meta:
        model = CareSetting
        fields = ("id", "property_id", "kind", "interval_months", "source", "done_by", "switched_off")


SETTINGS = Rows(
    "CareSetting", CareSettingShown, lambda: CareSetting.objects.all(), {"property_id": OF_PROPERTY}
)


class CareSettingGiven(Given):
    property_id = Known(Property)
    kind = StrictText(max_length=40, help_text="Code of the task kind")
    source = StrictText(max_length=200, help_text="Where it comes from: a contract, a local rule, a manual")  # type: ignore[assignment]
    interval_months = StrictWhole(
        required=False, allow_null=True, min_value=1, max_value=240, help_text="null: the kind's own"
    )
    switched_off = StrictYes(required=False, help_text="Not done here")
    done_by = StrictChoice(
        choices=["", *WORKERS], required=False, help_text="Who may do it; empty: as the kind says"
    )


class CareSettingsView(ApiView):
    @operation(
        Need.READ,
        "Own intervals, workers and what is not done, by property.",
        lists=SETTINGS,
        tag="care-settings",
    )
    def get(self, request: Any) -> HttpResponse:
        return self.page(SETTINGS)

    @operation(
        Need.PLAN, "Set it for one kind of task at one property; an earlier setting is replaced. The queue follows.",
        takes=CareSettingGiven, gives=CareSettingShown, status=201, tag="care-settings",
    )  # fmt: skip
    def post(self, request: Any) -> HttpResponse:
        given = self.given
        row = services.set_care(
            given["property_id"],
            given["kind"],
            given["source"],
            given.get("interval_months"),
            given.get("switched_off", False),
            given.get("done_by", ""),
        )
        enqueue("roll_forward", {}, row.organisation_id, unique_key="care setting")
        return self.made(SETTINGS, row.pk, request.path)


class SiteCareShown(Shown):
    property_id = number()
    languages = serializers.ListField(child=serializers.CharField(), read_only=True)

    class Meta:
        model = SiteCare
        fields = ("id", "property_id", "licences_checked", "languages")


SITES = Rows("SiteCare", SiteCareShown, lambda: SiteCare.objects.all(), {"property_id": OF_PROPERTY})


class SiteCareGiven(Given):
    property_id = Known(Property)
    licences_checked = StrictYes(help_text="Work is offered only to crews that hold its licence")
    languages = serializers.ListField(
        child=StrictText(max_length=10), max_length=20, help_text="Of cards and notices, beside English"
    )


class SitesView(ApiView):
    @operation(Need.READ, "What properties ask of crews.", lists=SITES, tag="care-settings")
    def get(self, request: Any) -> HttpResponse:
        return self.page(SITES)

    @operation(
        Need.PLAN, "Set it for one property.", takes=SiteCareGiven, gives=SiteCareShown, status=201,
        tag="care-settings",
    )  # fmt: skip
    def post(self, request: Any) -> HttpResponse:
        given = self.given
        row = crews.set_site_care(given["property_id"], given["licences_checked"], given["languages"])
        return self.made(SITES, row.pk, request.path)


# --- crews


def _people(numbers: list[int]) -> dict[int, list[int]]:
    found: dict[int, list[int]] = {}
    rows = Crew.people.through._default_manager.filter(crew_id__in=numbers).order_by("person_id")
    for crew, person in rows.values_list("crew_id", "person_id"):
        found.setdefault(crew, []).append(person)
    return found


class CrewShown(Shown):
    licences = serializers.ListField(child=serializers.CharField(), read_only=True)
    person_ids = serializers.ListField(child=serializers.IntegerField(), read_only=True)

    class Meta:
        model = Crew
        fields = ("id", "name", "minutes_a_day", "licences", "person_ids")


CREWS = Rows("Crew", CrewShown, lambda: Crew.objects.all(), {}, {"person_ids": Gathered(_people)})


class CrewGiven(Given):
    name = StrictText(max_length=80)
    minutes_a_day = StrictWhole(required=False, min_value=30, max_value=1440, help_text="420, if not said")
    licences = serializers.ListField(
        child=StrictChoice(choices=sorted(crews.LICENCES)), required=False, help_text="That somebody has seen"
    )
    person_ids = serializers.ListField(
        child=StrictWhole(min_value=1, max_value=2**53), required=False, max_length=100
    )


class CrewsView(ApiView):
    @operation(Need.READ, "Crews.", lists=CREWS, tag="crews")
    def get(self, request: Any) -> HttpResponse:
        return self.page(CREWS)

    @operation(Need.PLAN, "Put a crew down.", takes=CrewGiven, gives=CrewShown, status=201, tag="crews")
    def post(self, request: Any) -> HttpResponse:
        whole_only(self)
        given = self.given
        row = crews.keep_crew(
            self.caller.organisation,
            given["name"],
            given.get("minutes_a_day", 420),
            given.get("licences", []),
            given.get("person_ids", []),
        )
        return self.made(CREWS, row.pk, request.path)


def _change_crew(view: ApiView, row: Crew) -> None:
    whole_only(view)
    given = view.given
    people = given["person_ids"] if "person_ids" in given else _people([row.pk]).get(row.pk, [])
    crews.keep_crew(
        row.organisation,
        given.get("name", row.name),
        given.get("minutes_a_day", row.minutes_a_day),
        given.get("licences", row.licences),
        people,
        row,
    )


# --- what came from phones


class EntryShown(Shown):
    property_id = number(nullable=True)
    task_id = number(nullable=True)
    visit_id = number(nullable=True)
    person_id = number(nullable=True)
    key = serializers.UUIDField(read_only=True, help_text="Made on the phone")
    sent = serializers.JSONField(read_only=True, help_text="As it came")
    both = serializers.JSONField(
        read_only=True, help_text="Rows of label, value on record, value of the phone"
    )

    class Meta:
        model = SentEntry
        fields = ("id", "property_id", "task_id", "visit_id", "person_id", "key", "kind", "sent", "worked_at",
                  "clock_words", "received_at", "result", "words", "both", "settled_at", "settlement")  # fmt: skip


WAITING = [SentEntry.Result.DECIDE, SentEntry.Result.NOTED]


def _waits(rows: Any, wanted: bool) -> Any:
    waiting = {"result__in": WAITING, "settled_at__isnull": True}
    return rows.filter(**waiting) if wanted else rows.exclude(**waiting)


ENTRIES = Rows(
    "SentEntry",
    EntryShown,
    lambda: SentEntry.objects.all(),
    {
        "property_id": OF_PROPERTY,
        "task_id": within("task_id", "Of this task."),
        "waits": Filter(_waits, serializers.BooleanField(), "Waits for a person, or not."),
    },
    newest_first=True,
)


class Choice(Given):
    choice = StrictChoice(choices=list(settling.CHOICES), help_text="Take the phone's, leave the record, or the "
                          "new heater's in its place")  # fmt: skip
    reason = StrictText(max_length=300)


def _settle(view: ApiView, row: SentEntry) -> None:
    settling.settle(row, view.given["choice"], view.given["reason"], timezone.now())


CREW = Doors(CREWS, "a crew", "crews", Need.PLAN, Need.READ, CrewGiven, _change_crew)
urlpatterns = [
    path("care-settings", CareSettingsView.as_view(), name="care_settings"),
    path("care-settings/<number:pk>", single(SETTINGS, "One setting", "care-settings"), name="care_settings_one"),
    path("site-care", SitesView.as_view(), name="site_care"),
    path("site-care/<number:pk>", single(SITES, "What one property asks", "care-settings"), name="site_care_one"),
    path("crews", CrewsView.as_view(), name="crews"),
    path("crews/<number:pk>", one_of(CREW), name="crews_one"),
    path("phone-entries", listing(ENTRIES, "What phones sent, the newest first", "phone-entries"), name="entries"),
    path("phone-entries/<number:pk>", single(ENTRIES, "One entry of a phone", "phone-entries"), name="entries_one"),
    path(
        "phone-entries/<number:pk>/settle",
        act(ENTRIES, "phone-entries", Verb(
            Need.PLAN, "Settle an entry that waits, with a reason.", _settle, Choice,
        )),
        name="entries_settle",
    ),
]  # fmt: skip
