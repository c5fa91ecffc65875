"""An organisation's people: members, invitations, what holds for all, what happened at its doors, service tokens."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.http import Http404, HttpResponse
from django.urls import path
from rest_framework import serializers

from api.door import ApiView
from api.operations import operation
from api.problems import Problem
from api.rows import Filter, Gathered, Row, Rows
from api.shapes import Given, Known, Shown, StrictChoice, StrictText, StrictWhole, StrictYes, number, text
from api.usual import Doors, Verb, act, listing, one_of, single, whole_only
from fleet.estate import account_mail, people, retention, tokens
from fleet.estate.access import Need
from fleet.estate.models import Membership, Property
from fleet.estate.pages_address import pages_address
from fleet.estate.people_rows import Invitation, SecurityEvent
from fleet.estate.scope import current_scope
from fleet.estate.token_rows import AccessToken


def own_organisation_ids() -> list[int]:
    """The organisation whose people may be ruled over: one's own, and only who reaches the whole of it."""
    reaches = current_scope().reaches
    return [one.organisation_id for one in reaches if one.level is None and one.property_ids is None]


def _through(model: Any, name: str) -> Any:
    """Numbers of rows -> the properties chosen for each; null where all are."""
    column = f"{model._meta.model_name}_id"

    def look_up(numbers: list[int]) -> dict[int, list[int]]:
        found: dict[int, list[int]] = {}
        chosen = model._base_manager.filter(pk__in=numbers, all_properties=False)
        for pk in chosen.values_list("pk", flat=True):
            found[pk] = []
        rows = getattr(model, name).through._default_manager.filter(**{f"{column}__in": list(found)})
        for pk, place in rows.order_by("property_id").values_list(column, "property_id"):
            found[pk].append(place)
        return found

    return look_up


def _reach(says: str = "null: all properties") -> serializers.Field:
    return serializers.ListField(
        child=serializers.IntegerField(), read_only=True, allow_null=True, help_text=says
    )


class MemberShown(Shown):
    person_id = number()
    name = text("person.name")
    email = text("person.email")
    property_ids = _reach()

    class Meta:
        model = Membership
        fields = ("id", "person_id", "name", "email", "role", "property_ids")


MEMBERS = Rows(
    "Membership",
    MemberShown,
    lambda: Membership.objects.filter(organisation_id__in=own_organisation_ids()),
    {"role": Filter("role", serializers.ChoiceField(choices=Membership.Role.choices), "With this role.")},
    {"property_ids": Gathered(_through(Membership, "properties"), None)},
)


def _places_given() -> serializers.ListField:
    return serializers.ListField(
        child=Known(Property),
        required=False,
        allow_null=True,
        max_length=1000,
        help_text="null: all properties",
    )


class MemberChanged(Given):
    role = StrictChoice(choices=Membership.Role.choices, required=False)
    property_ids = _places_given()


def _numbers(places: list[Property] | None) -> list[int] | None:
    return None if places is None else [place.pk for place in places]


def _change_member(view: ApiView, row: Membership) -> None:
    given = view.given
    places = (
        _numbers(given["property_ids"]) if "property_ids" in given
        else None if row.all_properties else list(row.properties.values_list("pk", flat=True))
    )  # fmt: skip
    people.change_member(row, given.get("role", row.role), places)


# --- invitations


class InvitationShown(Shown):
    property_ids = _reach()

    class Meta:
        model = Invitation
        fields = ("id", "email", "role", "property_ids", "made_at", "expires_at", "mailed_at", "accepted_at",
                  "withdrawn_at")  # fmt: skip


def _still_open(rows: Any, wanted: bool) -> Any:
    unanswered = {"accepted_at__isnull": True, "withdrawn_at__isnull": True}
    return rows.filter(**unanswered) if wanted else rows.exclude(**unanswered)


INVITATIONS = Rows(
    "Invitation",
    InvitationShown,
    lambda: Invitation.objects.all(),
    {"open": Filter(_still_open, serializers.BooleanField(), "Neither used nor withdrawn, or one of both.")},
    {"property_ids": Gathered(_through(Invitation, "properties"), None)},
    newest_first=True,
)


class InvitationGiven(Given):
    email = StrictText(max_length=254)
    role = StrictChoice(choices=Membership.Role.choices)
    property_ids = _places_given()


class InvitationMade(serializers.Serializer):
    invitation = InvitationShown()
    address = serializers.CharField(
        allow_null=True, help_text="To hand over, shown this once; null: it goes by mail"
    )


class InvitationsView(ApiView):
    @operation(Need.ADMIN, "Invitations, the newest first.", lists=INVITATIONS, tag="people")
    def get(self, request: Any) -> HttpResponse:
        return self.page(INVITATIONS)

    @operation(
        Need.ADMIN, "Invite an address, or renew its open invitation: the earlier link then ends.",
        takes=InvitationGiven, gives=InvitationMade, status=201, secret=True, tag="people",
    )  # fmt: skip
    def post(self, request: Any) -> HttpResponse:
        whole_only(self)
        given, member = self.given, self.caller.membership
        row = people.invite(
            self.caller.organisation,
            given["email"],
            given["role"],
            _numbers(given.get("property_ids")),
            member.person if member else None,
        )
        root = pages_address(request._request)
        address = None if settings.MAIL_SET_UP else account_mail.join_address(row, root)
        if settings.MAIL_SET_UP:
            account_mail.send_invitation(row, root)
        made = {"invitation": INVITATIONS.one(row.pk), "address": address}
        return self.answer(made, 201, {"Location": f"{request.path}/{row.pk}"})


def _withdraw(view: ApiView, row: Invitation) -> None:
    whole_only(view)
    people.withdraw(row)


# --- what holds for the whole organisation


class HouseShown(serializers.Serializer):
    name = serializers.CharField()
    second_factor_required = serializers.BooleanField()
    kept_days = serializers.DictField(
        child=serializers.IntegerField(), help_text="What is kept for a time -> days"
    )


class HouseChanged(Given):
    name = StrictText(max_length=200, required=False)
    second_factor_required = StrictYes(required=False)
    kept_days = serializers.DictField(child=StrictWhole(min_value=1, max_value=3650), required=False)


class HouseView(ApiView):
    @operation(Need.ADMIN, "What holds for the whole organisation.", gives=HouseShown, tag="people")
    def get(self, request: Any) -> HttpResponse:
        return self.answer(self._row())

    @operation(
        Need.ADMIN, "Change it: only the fields sent.", takes=HouseChanged, gives=HouseShown, edits=True,
        partial=True, tag="people",
    )  # fmt: skip
    def patch(self, request: Any) -> HttpResponse:
        whole_only(self)
        self.must_match(self._row())
        house, given = self.caller.organisation, self.given
        people.change_organisation(
            house,
            given.get("name", house.name),
            given.get("second_factor_required", house.second_factor_required),
        )
        if unknown := sorted(set(given.get("kept_days", {})) - set(retention.known())):
            words = f"{unknown[0][:40]!r} is nothing that is kept for a time."
            raise Problem("refused", errors=[{"pointer": "/kept_days", "detail": words}])
        retention.change_days(house, given.get("kept_days", {}))
        return self.answer(self._row())

    def _row(self) -> Row:
        house = self.caller.organisation
        return {
            "name": house.name,
            "second_factor_required": house.second_factor_required,
            "kept_days": dict(sorted(retention.days_of(house).items())),
        }


class EventShown(Shown):
    person_id = number(nullable=True)

    class Meta:
        model = SecurityEvent
        fields = ("id", "at", "kind", "person_id", "actor", "words", "address")


EVENTS = Rows(
    "SecurityEvent",
    EventShown,
    lambda: SecurityEvent.objects.all(),
    {
        "kind": Filter("kind", serializers.CharField(max_length=40), "Of this kind."),
        "since": Filter("at__gte", serializers.DateTimeField(), "At or after."),
    },
    newest_first=True,
)


class TokenShown(Shown):
    needs = serializers.ListField(child=serializers.CharField(), read_only=True, help_text="What it may do")
    property_ids = _reach()

    class Meta:
        model = AccessToken
        fields = ("id", "name", "ending", "needs", "property_ids", "created_at", "expires_at", "last_used_at",
                  "revoked_at")  # fmt: skip


TOKENS = Rows(
    "AccessToken",
    TokenShown,
    lambda: AccessToken.objects.filter(kind=AccessToken.Kind.SERVICE),
    {},
    {"property_ids": Gathered(_through(AccessToken, "properties"), None)},
    newest_first=True,
)


def _revoke(view: ApiView, row: AccessToken) -> None:
    member = view.caller.membership
    if member is None:
        raise Problem("not-now", "A service token does not end others; a person's token does.")
    if tokens.revoke_token(member, row.pk) is None:
        raise Http404


def _remove_member(view: ApiView, row: Membership) -> None:
    people.remove_member(row)


MEMBER = Doors(
    MEMBERS, "a member", "people", Need.ADMIN, Need.ADMIN, MemberChanged, _change_member, _remove_member
)  # fmt: skip
urlpatterns = [
    path("people", listing(MEMBERS, "Who belongs here", "people", Need.ADMIN), name="people"),
    path("people/<number:pk>", one_of(MEMBER), name="people_one"),
    path("invitations", InvitationsView.as_view(), name="invitations"),
    path(
        "invitations/<number:pk>", single(INVITATIONS, "One invitation", "people", Need.ADMIN),
        name="invitations_one",
    ),
    path(
        "invitations/<number:pk>/withdraw",
        act(INVITATIONS, "people", Verb(Need.ADMIN, "Let its link lead nowhere.", _withdraw)),
        name="invitations_withdraw",
    ),
    path("organisation", HouseView.as_view(), name="organisation"),
    path(
        "security-events", listing(EVENTS, "What happened at the doors, the newest first", "people", Need.ADMIN),
        name="events",
    ),
    path(
        "service-tokens", listing(TOKENS, "Service tokens, the newest first", "people", Need.ADMIN), name="tokens"
    ),
    path(
        "service-tokens/<number:pk>", single(TOKENS, "One service token", "people", Need.ADMIN), name="tokens_one"
    ),
    path(
        "service-tokens/<number:pk>/revoke",
        act(TOKENS, "people", Verb(Need.ADMIN, "End it at once.", _revoke)),
        name="tokens_revoke",
    ),
]  # fmt: skip
