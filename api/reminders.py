"""What a person was told and how she wants to hear of things: inbox, preferences, her calendar's address."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.http import Http404, HttpResponse
from django.urls import path
from rest_framework import serializers

from api.door import ApiView
from api.estate import within
from api.operations import operation
from api.problems import Problem
from api.rows import Filter, Row, Rows
from api.shapes import Given, Shown, StrictChoice, StrictText, StrictWhole, StrictYes, number, text
from api.usual import Verb, act, member_of, single
from fleet.estate import happenings
from fleet.estate.access import Need
from fleet.estate.calendar import today_of
from fleet.estate.models import Membership, Property
from fleet.estate.scope import current_scope
from fleet.reminders import feed, inbox, preferences, selectors
from fleet.reminders.models import InboxNote, Preference
from fleet.reminders.testing import send_test_mail


class NoteShown(Shown):
    property_id = number(nullable=True)
    kind = text("happening.kind")
    sentence = text("happening.sentence")
    urgent = serializers.BooleanField(source="happening.urgent", read_only=True)
    happened_at = serializers.DateTimeField(source="happening.happened_at", read_only=True)
    taken_on_at = serializers.DateTimeField(
        source="happening.taken_on_at", read_only=True, allow_null=True, help_text="When somebody acted"
    )
    taken_on_words = text("happening.taken_on_words")

    class Meta:
        model = InboxNote
        fields = ("id", "property_id", "kind", "sentence", "urgent", "happened_at", "taken_on_at", "taken_on_words",
                  "escalated", "created_at", "read_at")  # fmt: skip


NOTES = Rows(
    "InboxNote",
    NoteShown,
    lambda: InboxNote.objects.filter(person_id=current_scope().person_id or 0),
    {
        "unread": Filter("read_at__isnull", serializers.BooleanField(), "Not read yet, or read."),
        "property_id": within("property_id", "At this property."),
    },
    newest_first=True,
)


class InboxRead(serializers.Serializer):
    read = serializers.IntegerField()


class InboxView(ApiView):
    @operation(
        Need.READ,
        "What you were told, the newest first. A service is told nothing.",
        lists=NOTES,
        tag="inbox",
    )
    def get(self, request: Any) -> HttpResponse:
        return self.page(NOTES)

    @operation(Need.READ, "All of it is read.", gives=InboxRead, tag="inbox")
    def post(self, request: Any) -> HttpResponse:
        return self.answer({"read": inbox.mark_read(current_scope().person_id or 0)})


class TakenOn(Given):
    words = StrictText(required=False, allow_blank=True, max_length=300)


def _take_on(view: ApiView, row: InboxNote) -> None:
    if not happenings.take_on(row.happening, view.given.get("words", "")):
        raise Problem("not-now", "Somebody has taken it on already.")


# --- how she wants to hear


def _hour(says: str) -> serializers.Field:
    return StrictWhole(required=False, min_value=0, max_value=23, help_text=says)


class WishChanged(Given):
    rhythm = StrictChoice(choices=Preference.Rhythm.choices, required=False)
    hour = _hour("Full hour of the property's clock")
    weekday = StrictWhole(required=False, min_value=0, max_value=6, help_text="0 is Monday")
    budget_day = StrictWhole(required=False, min_value=1, max_value=28, help_text="Day of the month")
    quiet_from = _hour("Quiet hours begin")
    quiet_until = _hour("Quiet hours end; the same hour: none")
    alerts_by_mail = StrictYes(required=False)
    alerts_wait = StrictYes(required=False, help_text="Alerts too wait until quiet hours are over")


WISHES = tuple(WishChanged().fields)


class WishShown(serializers.Serializer):
    property_id = serializers.IntegerField(
        allow_null=True, help_text="null: holds where nothing else is said"
    )
    own = serializers.BooleanField(help_text="Said by this person for just this, not taken over")
    rhythm = serializers.ChoiceField(choices=Preference.Rhythm.choices)
    hour = serializers.IntegerField()
    weekday = serializers.IntegerField()
    budget_day = serializers.IntegerField()
    quiet_from = serializers.IntegerField()
    quiet_until = serializers.IntegerField()
    alerts_by_mail = serializers.BooleanField()
    alerts_wait = serializers.BooleanField()


class Wishes(serializers.Serializer):
    mail_set_up = serializers.BooleanField(help_text="false: you are told in the inbox only")
    next_digest_at = serializers.DateTimeField(allow_null=True)
    general = WishShown()
    items = WishShown(many=True, help_text="Properties for which something of their own is said")
    next = serializers.CharField(allow_null=True)


def _wish(member: Membership, property_id: int | None) -> Row:
    found = preferences.own_preferences([member.person_id]).of(member, property_id)
    own = found.pk is not None and found.property_id == property_id
    return {"property_id": property_id, "own": own, **{name: getattr(found, name) for name in WISHES}}


def _keep(view: ApiView, place: Property | None) -> None:
    member = member_of(view)
    before = _wish(member, place.pk if place else None)
    view.must_match(before)
    values = {name: before[name] for name in WISHES} | view.given
    preferences.set_preference(member.person, view.caller.organisation, place, values)


class WishesView(ApiView):
    @operation(Need.READ, "How you want to hear of things.", gives=Wishes, tag="reminders")
    def get(self, request: Any) -> HttpResponse:
        member = member_of(self)
        clock = selectors.next_digest_of(member.person_id)
        said = selectors.own_wishes(member.person_id)
        return self.answer(
            {
                "mail_set_up": settings.MAIL_SET_UP,
                "next_digest_at": clock.next_at if clock else None,
                "general": _wish(member, None),
                "items": [_wish(member, place.pk) for place, _ in said],
                "next": None,
            }
        )


class GeneralWishView(ApiView):
    @operation(Need.READ, "What holds where nothing else is said.", gives=WishShown, tag="reminders")
    def get(self, request: Any) -> HttpResponse:
        return self.answer(_wish(member_of(self), None))

    @operation(
        Need.READ, "Change it: only the fields sent.", takes=WishChanged, gives=WishShown, edits=True, partial=True,
        tag="reminders",
    )  # fmt: skip
    def patch(self, request: Any) -> HttpResponse:
        _keep(self, None)
        return self.answer(_wish(member_of(self), None))


def _place(pk: int) -> Property:
    found: Property | None = Property.objects.filter(pk=pk).first()
    if found is None:
        raise Http404
    return found


class PropertyWishView(ApiView):
    @operation(Need.READ, "How you want to hear of one property.", gives=WishShown, tag="reminders")
    def get(self, request: Any, pk: int) -> HttpResponse:
        return self.answer(_wish(member_of(self), _place(pk).pk))

    @operation(
        Need.READ, "Change it: only the fields sent.", takes=WishChanged, gives=WishShown, edits=True, partial=True,
        tag="reminders",
    )  # fmt: skip
    def patch(self, request: Any, pk: int) -> HttpResponse:
        _keep(self, _place(pk))
        return self.answer(_wish(member_of(self), pk))

    @operation(Need.READ, "Back to what holds for all others.", status=204, tag="reminders")
    def delete(self, request: Any, pk: int) -> HttpResponse:
        preferences.drop_preference(member_of(self).person, _place(pk))
        return HttpResponse(status=204)


class MailAsked(serializers.Serializer):
    asked = serializers.BooleanField(help_text="false: one was asked for a moment ago")


class TestMailView(ApiView):
    @operation(Need.READ, "Ask for a test mail to yourself.", gives=MailAsked, tag="reminders")
    def post(self, request: Any) -> HttpResponse:
        member = member_of(self)
        if not settings.MAIL_SET_UP:
            raise Problem("not-now", "No mail server is set up.")
        organisation = self.caller.organisation
        return self.answer({"asked": send_test_mail(member.person, organisation, today_of(organisation))})


class CalendarShown(serializers.Serializer):
    open = serializers.BooleanField()
    made_at = serializers.DateTimeField(allow_null=True)
    read_at = serializers.DateTimeField(allow_null=True, help_text="When a calendar program last asked")


class CalendarMade(serializers.Serializer):
    address = serializers.CharField(help_text="Shown this once; whoever has it reads your calendar")


class CalendarView(ApiView):
    @operation(
        Need.READ, "Your calendar's address: whether there is one.", gives=CalendarShown, tag="calendar"
    )
    def get(self, request: Any) -> HttpResponse:
        row = selectors.feed_of(member_of(self).person_id, self.caller.organisation.pk)
        return self.answer(
            {
                "open": row is not None,
                "made_at": row.made_at if row else None,
                "read_at": row.read_at if row else None,
            }
        )

    @operation(
        Need.READ, "Make your calendar's address, or renew it: the old one opens nothing from now on.",
        gives=CalendarMade, secret=True, tag="calendar",
    )  # fmt: skip
    def post(self, request: Any) -> HttpResponse:
        return self.answer({"address": feed.new_address(member_of(self).person, self.caller.organisation)})

    @operation(Need.READ, "Close it.", status=204, tag="calendar")
    def delete(self, request: Any) -> HttpResponse:
        feed.close_address(member_of(self).person, self.caller.organisation)
        return HttpResponse(status=204)


urlpatterns = [
    path("inbox", InboxView.as_view(), name="inbox"),
    path("inbox/<number:pk>", single(NOTES, "One note of yours", "inbox"), name="inbox_one"),
    path(
        "inbox/<number:pk>/take-on",
        act(NOTES, "inbox", Verb(
            Need.WORK, "You act on it: nobody else is told because of silence.", _take_on, TakenOn,
        )),
        name="inbox_take_on",
    ),
    path("reminder-preferences", WishesView.as_view(), name="wishes"),
    path("reminder-preferences/general", GeneralWishView.as_view(), name="wishes_general"),
    path("reminder-preferences/test-mail", TestMailView.as_view(), name="wishes_test"),
    path("reminder-preferences/<number:pk>", PropertyWishView.as_view(), name="wishes_property"),
    path("calendar", CalendarView.as_view(), name="calendar"),
]  # fmt: skip
