"""Tokens: made once, shown once, cut down to what their maker may, dead at once when revoked."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.urls import reverse
from django.utils import timezone

from fleet.estate import tokens
from fleet.estate.access import Need
from fleet.estate.models import AccessToken, HistoryEntry, Membership
from fleet.estate.scope import Reach, scoped, unscoped
from tests.conftest import Cast, make_heater

ADDRESS = "/tokens/"


def membership(cast: Cast, name: str = "owner") -> Membership:
    return Membership.objects.select_related("organisation", "person").get(
        person=getattr(cast, name), organisation=cast.house
    )


def made(cast: Cast, who: str = "owner", **wanted: Any) -> str:
    member = membership(cast, who)
    wishes = {"kind": "personal", "name": "report", "needs": ["read"], "days": 30} | wanted
    from fleet.estate.access import scope_of

    with scoped(scope_of(member)):
        return tokens.make_token(member, **wishes)[1]


def test_a_secret_opens_the_door_and_is_kept_nowhere(cast: Cast) -> None:
    secret = made(cast)
    holder = tokens.find_holder(secret)
    assert holder is not None
    assert holder.organisation == cast.house
    assert holder.needs == {Need.READ}
    with unscoped("test"):
        row = AccessToken.objects.values().get()
        assert secret not in repr(row) + repr(list(HistoryEntry.objects.values()))


@pytest.mark.parametrize("other", ["", "alp_", "alp_" + "x" * 43])
def test_another_secret_opens_nothing(cast: Cast, other: str) -> None:
    made(cast)
    assert tokens.find_holder(other) is None


def test_revoked_expired_and_orphaned_tokens_open_nothing(cast: Cast) -> None:
    secret = made(cast, days=30)
    with time_machine.travel(timezone.now() + timedelta(days=30, seconds=1)):
        assert tokens.find_holder(secret) is None
    assert tokens.find_holder(secret) is not None
    client = cast.client(cast.owner)
    with unscoped("test"):
        pk = AccessToken.objects.get().pk
    assert client.post(reverse("estate:revoke_token", args=[pk])).status_code == 302
    assert tokens.find_holder(secret) is None
    left = made(cast, "planner")
    membership(cast, "planner").delete()
    assert tokens.find_holder(left) is None


def test_a_role_taken_away_is_taken_from_the_token(cast: Cast) -> None:
    secret = made(cast, "planner", needs=["read", "work", "plan"])
    Membership.objects.filter(person=cast.planner).update(role="viewer")
    holder = tokens.find_holder(secret)
    assert holder is not None
    assert holder.needs == {Need.READ}


def test_a_token_for_one_property_sees_no_other_and_never_more_than_its_maker(cast: Cast) -> None:
    with unscoped("test"):
        second = make_heater(cast.house, "Cedar Yard", "C-1").position.building.property
    secret = made(cast, property_ids=[cast.property.pk])
    holder = tokens.find_holder(secret)
    assert holder is not None
    assert holder.scope.reaches == (Reach(cast.house.pk, frozenset({cast.property.pk})),)
    member = membership(cast)
    member.all_properties = False
    member.save()
    with unscoped("test"):
        member.properties.set([second])
    narrowed = tokens.find_holder(secret)
    assert narrowed is not None
    assert narrowed.scope.reaches[0].property_ids == frozenset()


@pytest.mark.parametrize(
    ("who", "wanted", "field"),
    [
        ("technician", {"needs": ["plan"]}, "needs"),
        ("technician", {"kind": "service"}, "kind"),
        ("owner", {"needs": []}, "needs"),
        ("owner", {"needs": ["everything"]}, "needs"),
        ("owner", {"days": 0}, "days"),
        ("owner", {"days": 731}, "days"),
        ("owner", {"name": " "}, "name"),
        ("owner", {"property_ids": [999_999]}, "properties"),
    ],
)
def test_what_cannot_be_is_refused_by_field(cast: Cast, who: str, wanted: dict[str, Any], field: str) -> None:
    with pytest.raises(tokens.TokenRefused) as refusal:
        made(cast, who, **wanted)
    assert list(refusal.value.problems) == [field]
    with unscoped("test"):
        assert not AccessToken.objects.exists()


def test_the_property_of_another_house_cannot_be_chosen(cast: Cast) -> None:
    foreign = cast.foreign_heater.position.building.property_id
    with pytest.raises(tokens.TokenRefused):
        made(cast, property_ids=[cast.property.pk, foreign])


def test_the_page_shows_the_secret_once_and_then_only_its_last_letters(cast: Cast) -> None:
    client = cast.client(cast.technician)
    answer = client.post(ADDRESS, {"name": "van", "needs": ["read", "work"], "days": "90"})
    found = re.search(r"<code>(alp_[\w-]+)</code>", answer.content.decode())
    assert found is not None
    holder = tokens.find_holder(found[1])
    assert holder is not None
    assert holder.needs == {Need.READ, Need.WORK}
    page = client.get(ADDRESS).content.decode()
    assert found[1] not in page
    assert found[1][-4:] in page
    assert " UTC" in page  # its use was noted


def test_people_see_their_own_tokens_and_an_owner_the_services_too(cast: Cast) -> None:
    made(cast, "planner", name="hers")
    made(cast, "owner", name="pump", kind="service")
    assert [row.name for row in tokens.tokens_of(membership(cast, "planner"))] == ["hers"]
    assert [row.name for row in tokens.tokens_of(membership(cast, "owner"))] == ["pump"]
    with unscoped("test"):
        hers = AccessToken.objects.get(name="hers").pk
    foreign = cast.client(cast.owner).post(reverse("estate:revoke_token", args=[hers]))
    assert foreign.status_code == 404
    assert cast.client(cast.outsider).post(reverse("estate:revoke_token", args=[hers])).status_code == 404


def test_use_is_noted_at_most_once_a_minute(cast: Cast, django_assert_num_queries: Any) -> None:
    secret = made(cast)
    tokens.find_holder(secret)
    with django_assert_num_queries(2):  # the token and the membership
        tokens.find_holder(secret)
