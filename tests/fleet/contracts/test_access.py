"""A company sees a client's property by a grant and by nothing else; what it may do there ends with the grant."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest
import time_machine
from django.urls import reverse
from django.utils import timezone

from fleet.care.models import CareSetting, Task
from fleet.care.roll import roll_forward
from fleet.estate import grants
from fleet.estate.access import scope_of
from fleet.estate.happenings import announce
from fleet.estate.models import AccessGrant, HistoryEntry, Membership, Property
from fleet.estate.scope import Level, Scope, ScopeMissing, scope_of_organisation, scoped, unscoped
from fleet.heaters.models import Heater
from fleet.planning.models import ForecastRun, HeaterOutlook
from tests.conftest import Cast, make_heater
from tests.fleet.contracts.conftest import Trade

Open = Callable[..., AccessGrant]


def scope_of_person(person: Any) -> Scope:
    return scope_of(Membership.objects.get(person=person))


def tags(person: Any) -> list[str]:
    with scoped(scope_of_person(person)):
        return [row.tag for row in Heater.objects.all()]


def outlook(cast: Cast) -> None:
    with scoped(scope_of_organisation(cast.house)):
        run = ForecastRun.objects.create(organisation=cast.house, as_of=date(2026, 1, 1), state="done")
        HeaterOutlook.objects.create(
            organisation=cast.house,
            run=run,
            heater=cast.heater,
            rank=1,
            age_years=10,
            age_known=True,
            p_fail_12_months=0.0625,
            p_fail_36_months=0.25,
            remaining_life_p10_years=1,
            remaining_life_median_years=5,
            remaining_life_p90_years=9,
            planned_cost=2000,
            emergency_cost=3000,
        )


def test_without_a_grant_a_company_sees_no_heater(cast: Cast, trade: Trade) -> None:
    assert tags(trade.boss) == []
    client = cast.client(trade.boss)
    assert client.get(reverse("pages:heater", args=[cast.heater.pk])).status_code == 404


def test_a_grant_opens_the_properties_named_and_no_other(cast: Cast, trade: Trade, open_house: Open) -> None:
    with scoped(scope_of_organisation(cast.house)):
        make_heater(cast.house, "Cedar Place", "C-1")
    open_house()
    assert tags(trade.fitter) == ["H-1"]


def test_two_clients_stand_in_one_queue_and_neither_sees_the_other(
    cast: Cast, trade: Trade, open_house: Open
) -> None:
    open_house()
    birch = cast.foreign_heater.position.building.property
    open_house(house=cast.other_house, properties=[birch.pk])
    for house in (cast.house, cast.other_house):
        with scoped(scope_of_organisation(house)):
            roll_forward(house)
    client = cast.client(trade.fitter)
    queue = client.get(reverse("care:queue"), {"days": 365}).content.decode()
    assert "Alder Court" in queue
    assert "Birch Row" in queue
    assert "Birch Homes" in queue
    places = client.get(reverse("contracts:places"), {"days": 365}).content.decode()
    assert "Alder Court" in places
    assert "Birch Row" in places
    for person, mine, theirs in ((cast.owner, "H-1", "B-1"), (cast.outsider, "B-1", "H-1")):
        pages = cast.client(person).get(reverse("care:queue"), {"days": 365}).content.decode()
        assert mine in pages
        assert theirs not in pages
        assert "Copper Lane" not in pages


def test_work_is_done_under_the_companys_name_in_the_owners_history(
    cast: Cast, trade: Trade, open_house: Open
) -> None:
    open_house()
    with scoped(scope_of_organisation(cast.house)):
        roll_forward(cast.house)
        task = Task.objects.filter(heater=cast.heater).first()
    answer = cast.client(trade.fitter).post(
        reverse("care:leave_out", args=[task.pk]), {"reason": "tenant away"}
    )
    assert answer.status_code == 302
    with scoped(scope_of_organisation(cast.house)):
        task.refresh_from_db()
        assert task.state == "skipped"
        entry = HistoryEntry.objects.filter(subject_kind="task", subject_id=task.pk).latest("id")
        assert entry.actor == "Fitter, Copper Lane Plumbing (invented)"


def test_a_survey_reads_the_register_and_changes_nothing(cast: Cast, trade: Trade, open_house: Open) -> None:
    open_house(Level.SURVEY)
    with scoped(scope_of_organisation(cast.house)):
        roll_forward(cast.house)
        task = Task.objects.filter(heater=cast.heater).first()
    client = cast.client(trade.boss)
    assert client.get(reverse("pages:heater", args=[cast.heater.pk])).status_code == 200
    assert client.get(reverse("care:task", args=[task.pk])).status_code == 404
    assert client.get(reverse("pages:edit_heater", args=[cast.heater.pk])).status_code == 404
    assert client.post(reverse("care:leave_out", args=[task.pk]), {"reason": "no"}).status_code == 404
    with scoped(scope_of_person(trade.boss)):
        row = Heater.objects.get()
        with pytest.raises(ScopeMissing):
            row.save()
        with pytest.raises(ScopeMissing):
            announce("unsafe_finding", "1", "made up", organisation_id=cast.house.pk)


def test_outlook_and_plan_stay_closed_to_a_grant_of_work(cast: Cast, trade: Trade, open_house: Open) -> None:
    outlook(cast)
    work = open_house(Level.WORK)
    address = reverse("pages:heater", args=[cast.heater.pk])
    client = cast.client(trade.boss)
    with scoped(scope_of_person(trade.boss)):
        assert HeaterOutlook.objects.count() == 0
    assert "36 months" not in client.get(address).content.decode()
    with scoped(scope_of_organisation(cast.house, actor="Owner")):
        grants.revoke_access(work)
    open_house(Level.OUTLOOK)
    with scoped(scope_of_person(trade.boss)):
        assert HeaterOutlook.objects.count() == 1
        assert ForecastRun.objects.count() == 0
    assert "36 months" in client.get(address).content.decode()


def test_a_companys_planner_does_not_rule_at_a_clients(cast: Cast, trade: Trade, open_house: Open) -> None:
    open_house(Level.OUTLOOK)
    address = reverse("care:settings", args=[cast.property.pk])
    assert cast.client(cast.planner).get(address).status_code == 200
    assert cast.client(trade.boss).get(address).status_code == 404
    with scoped(scope_of_person(trade.boss).own_only()):
        assert Property.objects.count() == 0
        assert CareSetting.objects.count() == 0


def test_a_grant_revoked_closes_at_the_next_request(cast: Cast, trade: Trade, open_house: Open) -> None:
    grant = open_house()
    fitter, owner = cast.client(trade.fitter), cast.client(cast.owner)
    address = reverse("pages:heater", args=[cast.heater.pk])
    assert fitter.get(address).status_code == 200
    owner.post(reverse("contracts:revoke", args=[grant.pk]), {"reason": "contract over"})
    assert fitter.get(address).status_code == 404
    page = owner.get(reverse("contracts:access")).content.decode()
    assert "revoked by Owner" in page
    assert "contract over" in page
    with scoped(scope_of_organisation(cast.house)):
        verbs = list(HistoryEntry.objects.order_by("id").values_list("verb", flat=True))
    assert verbs == ["access granted", "access revoked"]


def test_a_survey_ends_with_its_last_day_in_the_propertys_time_zone(
    cast: Cast, trade: Trade, open_house: Open
) -> None:
    with time_machine.travel("2026-03-01 12:00:00Z", tick=False):
        open_house(Level.SURVEY, days=4)
    with time_machine.travel("2026-03-06 06:59:00Z", tick=False):  # 5 March, 23:59 in Denver
        assert tags(trade.boss) == ["H-1"]
    with time_machine.travel("2026-03-06 07:01:00Z", tick=False):
        assert tags(trade.boss) == []


def test_a_company_person_limited_to_properties_sees_those(
    cast: Cast, trade: Trade, open_house: Open
) -> None:
    with scoped(scope_of_organisation(cast.house)):
        other = make_heater(cast.house, "Cedar Place", "C-1").position.building.property
    open_house(properties=[cast.property.pk, other.pk])
    membership = Membership.objects.get(person=trade.fitter)
    membership.all_properties = False
    membership.save()
    assert tags(trade.fitter) == []
    membership.properties.add(other)
    assert tags(trade.fitter) == ["C-1"]


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"code": "AAAA-AAAA"}, "code"),
        ({"level": 9}, "level"),
        ({"property_ids": []}, "properties"),
        ({"level": 1}, "until"),
        ({"until": date(2020, 1, 1)}, "until"),
    ],
)
def test_access_that_cannot_be_is_refused_with_its_reason(
    cast: Cast, trade: Trade, change: dict[str, Any], field: str
) -> None:
    wanted = {"code": trade.code, "property_ids": [cast.property.pk], "level": 2, "until": None} | change
    with scoped(scope_of_organisation(cast.house)), pytest.raises(grants.GrantRefused) as refused:
        grants.grant_access(cast.house, **wanted)
    assert list(refused.value.problems) == [field]


def test_nobody_grants_a_property_of_another_house(cast: Cast, trade: Trade) -> None:
    foreign = cast.foreign_heater.position.building.property_id
    with scoped(scope_of_organisation(cast.house)), pytest.raises(grants.GrantRefused):
        grants.grant_access(cast.house, trade.code, [foreign], 2)


def test_a_row_forged_across_houses_opens_nothing(cast: Cast, trade: Trade) -> None:
    with unscoped("forging"):
        grant = AccessGrant.objects.create(
            organisation=cast.other_house,
            company=trade.company,
            level=2,
            granted_at=timezone.now(),
            granted_by="x",
        )
        grant.properties.add(cast.property)
    assert tags(trade.boss) == []


def test_the_owner_grants_on_the_page_with_the_companys_code(cast: Cast, trade: Trade) -> None:
    code = trade.code.lower().replace("-", " ")
    until = (timezone.now().date() + timedelta(days=9)).isoformat()
    given = {"code": code, "level": "1", "properties": [cast.property.pk], "until": until}
    assert cast.client(cast.planner).post(reverse("contracts:access"), given).status_code == 403
    assert cast.client(cast.owner).post(reverse("contracts:access"), given).status_code == 302
    page = cast.client(trade.fitter).get(reverse("contracts:clients")).content.decode()
    assert "Alder Homes" in page
    assert "survey for an offer" in page
    wrong = cast.client(cast.owner).post(reverse("contracts:access"), given | {"until": "31.12."})
    assert wrong.status_code == 422
    assert "2026-12-31" in wrong.content.decode()


def test_the_clients_page_is_for_companies(cast: Cast, trade: Trade) -> None:
    assert cast.client(cast.owner).get(reverse("contracts:clients")).status_code == 404
    assert cast.client(trade.boss).get(reverse("pages:portfolio")).url == reverse("contracts:clients")
