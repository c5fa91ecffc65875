"""Reminders, crews, people and what else an organisation rules for itself, through the API."""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import timedelta
from typing import Any
from urllib.parse import urlsplit

from django.utils import timezone
from pypdf import PdfReader

from fleet.care.models import Visit
from fleet.estate.models import Membership, Person
from fleet.estate.people_rows import SecurityEvent
from fleet.estate.scope import unscoped
from tests.api.conftest import Api, token_for
from tests.conftest import Cast


def test_a_person_says_how_she_wants_to_hear_and_takes_it_back(api: Api, cast: Cast) -> None:
    general = api.read("reminder-preferences/general")
    assert (general["own"], general["rhythm"]) == (False, "weekly")
    assert api.patch("reminder-preferences/general", {"hour": 9}).status_code == 428
    answer = api.change("reminder-preferences/general", {"hour": 9})
    assert (answer.json()["own"], answer.json()["hour"], answer.json()["rhythm"]) == (True, 9, "weekly")
    place = f"reminder-preferences/{cast.property.pk}"
    assert api.change(place, {"rhythm": "daily"}).json()["own"] is True
    assert [row["property_id"] for row in api.read("reminder-preferences")["items"]] == [cast.property.pk]
    assert api.ask("DELETE", place).status_code == 204
    assert api.read(place)["own"] is False
    assert api.change(place, {"hour": 24}).status_code == 422


def test_a_secret_is_given_once_and_never_kept_with_a_key(api: Api) -> None:
    assert api.post("calendar", idempotency_key="k").status_code == 400
    first, second = api.post("calendar").json()["address"], api.post("calendar").json()["address"]
    assert first != second
    opened = [api.client.get(urlsplit(address).path).status_code for address in (first, second)]
    assert opened == [404, 200]
    assert api.read("calendar")["open"] is True
    assert api.ask("DELETE", "calendar").status_code == 204
    assert api.read("calendar")["open"] is False


def test_a_service_has_no_wishes_and_is_told_nothing(cast: Cast) -> None:
    service = Api(token_for(cast.owner, kind="service"))
    assert service.get("reminder-preferences").status_code == 409
    assert service.post("calendar").status_code == 409
    assert service.read("inbox")["items"] == []


def test_a_token_for_some_properties_does_not_speak_for_its_person(cast: Cast) -> None:
    """Else it could make itself a calendar's address, which shows all that she sees."""
    narrower = Api(token_for(cast.owner, property_ids=[cast.property.pk]))
    for path in ("calendar", "reminder-preferences", "reminder-preferences/general"):
        assert narrower.get(path).status_code == 409, path
    assert narrower.post("calendar").status_code == 409
    assert Api(token_for(cast.owner)).read("calendar")["open"] is False
    assert narrower.patch("reminder-preferences/general", {"hour": 9}, if_match="*").status_code == 409


def test_crews_are_given_visits_in_order(api: Api, cast: Cast, api_of: Callable[[str], Api]) -> None:
    body = {"name": "North", "licences": ["licensed_plumber"], "person_ids": [cast.technician.pk]}
    crew = api.post("crews", body).json()
    assert crew["person_ids"] == [cast.technician.pk]
    assert api.change(f"crews/{crew['id']}", {"minutes_a_day": 300}).json()["person_ids"] == [
        cast.technician.pk
    ]
    assert api.change(f"crews/{crew['id']}", {"minutes_a_day": 5}).status_code == 422
    assert api.post("crews", {"name": "X", "person_ids": [cast.outsider.pk]}).status_code == 422
    day = timezone.now().date() + timedelta(days=3)
    with unscoped("test"):
        visit = Visit.objects.create(organisation=cast.house, building=cast.building, day=day)
    fitter = api_of("technician")
    given = fitter.post(f"visits/{visit.pk}/give", {"crew_id": crew["id"], "reason": "nearer"})
    assert (given.json()["crew"], given.json()["team_id"]) == ("North", crew["id"])
    order = {"day": day.isoformat(), "crew": "North", "visit_ids": [visit.pk]}
    assert fitter.post("visits/order", order).status_code == 204
    assert fitter.read(f"visits/{visit.pk}")["place_in_day"] == 1
    assert fitter.post(f"visits/{visit.pk}/begin").json()["started_at"]
    assert fitter.post("crews", body).status_code == 403


def test_labels_and_the_card_are_printed_with_the_same_code(api: Api, cast: Cast) -> None:
    labels = api.post(f"buildings/{cast.building.pk}/labels").json()["items"]
    assert [row["heater_tag"] for row in labels] == ["H-1"]
    api.post("site-care", {"property_id": cast.property.pk, "licences_checked": True, "languages": ["es"]})
    for path in (f"buildings/{cast.building.pk}/labels.pdf", f"heaters/{cast.heater.pk}/card.pdf"):
        answer = api.get(path)
        assert answer["Content-Type"] == "application/pdf"
        text = "".join(page.extract_text() for page in PdfReader(io.BytesIO(answer.content)).pages)
        assert labels[0]["code"] in text
    assert "agua" in text.lower()  # the card speaks the property's languages
    with unscoped("test"):
        assert SecurityEvent.objects.filter(kind="export").count() == 2  # files that left by a token


def test_people_are_invited_changed_and_let_go_by_owners_alone(
    api: Api, cast: Cast, api_of: Callable[[str], Api]
) -> None:
    made = api.post("invitations", {"email": "New@almanac.example", "role": "viewer"})
    assert made.status_code == 201, made.content
    assert made.json()["invitation"]["email"] == "new@almanac.example"
    gone = api.post(f"invitations/{made.json()['invitation']['id']}/withdraw")
    assert gone.json()["withdrawn_at"]
    rows: dict[str, Any] = {row["email"]: row for row in api.read("people")["items"]}
    assert len(rows) == 4
    technician = rows["technician@almanac.example"]
    path = f"people/{technician['id']}"
    changed = api.change(path, {"role": "viewer", "property_ids": [cast.property.pk]})
    assert (changed.json()["role"], changed.json()["property_ids"]) == ("viewer", [cast.property.pk])
    last = next(row for row in rows.values() if row["role"] == "owner")
    assert api.ask("DELETE", f"people/{last['id']}").status_code == 422
    assert api.ask("DELETE", path).status_code == 204
    assert Person.objects.filter(email="technician@almanac.example").exists()
    assert not Membership.objects.filter(person=cast.technician).exists()
    assert api_of("planner").get("people").status_code == 403


def test_what_holds_for_the_house_is_changed_with_what_was_read(api: Api, cast: Cast) -> None:
    days = api.read("organisation")["kept_days"]
    answer = api.change("organisation", {"kept_days": {"security_log": 200}})
    assert answer.json()["kept_days"] == days | {"security_log": 200}
    assert api.change("organisation", {"kept_days": {"nothing": 3}}).status_code == 422
    assert api.change("organisation", {"kept_days": {"security_log": 1}}).status_code == 422
    assert api.read("security-events")["items"]


def test_rules_of_what_goes_in_next_and_who_is_told_next(api: Api, cast: Cast) -> None:
    rule = {"from_kind": "electric_storage", "to_kind": "heat_pump", "starts_on": "2029-05-06"}
    made = api.post("successor-rules", rule)
    assert made.status_code == 201, made.content
    assert api.post("successor-rules", rule | {"to_kind": "boiler_with_tank"}).status_code == 422
    assert api.ask("DELETE", f"successor-rules/{made.json()['id']}").status_code == 204
    units = api.read(f"heaters/{cast.heater.pk}/next-units")
    assert units["items"][0]["like_for_like"] is True
    told = api.post("escalation-rules", {"person_id": cast.planner.pk, "after_minutes": 30})
    assert told.status_code == 201, told.content
    refused = api.post("escalation-rules", {"person_id": cast.outsider.pk, "after_minutes": 30})
    assert refused.json()["errors"][0]["pointer"] == "/person_id"
