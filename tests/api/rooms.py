"""A row of each kind of reminders, crews, reports, people and what else an organisation rules for itself."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any
from uuid import uuid4

from django.utils import timezone

from fleet.care.models import CareSetting, Crew, SentEntry, SiteCare, Task, TaskPhoto
from fleet.estate.models import Happening, Membership, Person
from fleet.estate.people_rows import Invitation
from fleet.estate.token_rows import AccessToken
from fleet.heaters.models import Attachment, Heater
from fleet.planning.capital_rows import CapitalPlan
from fleet.planning.models import PlanReview, SuccessorRule, TrustCheck
from fleet.planning.report_rows import PlanReport, SharedLink
from fleet.reminders.models import EscalationRule, InboxNote
from fleet.reminders.outbox_rows import Delivery, WebHook


def fill(heater: Heater, task: Task, paper: Attachment, plan: CapitalPlan, hook: WebHook) -> dict[str, int]:
    mine: dict[str, Any] = {"organisation_id": heater.organisation_id}
    place = heater.position.building.property
    now, later = timezone.now(), timezone.now() + timedelta(days=9)
    person = Person.objects.create_user(f"member{heater.organisation_id}@almanac.example", name="Member")
    member = Membership.objects.create(person=person, role="technician", **mine)
    happening = Happening.objects.create(
        kind="leak_reported", key="made up", sentence="drip", property=place, happened_at=now, **mine
    )
    note = InboxNote.objects.create(
        person=person, happening=happening, property=place, created_at=now, **mine
    )
    rule = EscalationRule.objects.create(person=person, after_minutes=30, **mine)
    delivery = Delivery.objects.create(
        hook=hook, channel="hook", what="test:1", due_on=now.date(), due_at=now, created_at=now,
        state="uncertain", message_id="<made-up>", **mine,
    )  # fmt: skip
    setting = CareSetting.objects.create(property=place, kind="flush", source="made up", **mine)
    site = SiteCare.objects.create(property=place, **mine)
    crew = Crew.objects.create(name="Old", **mine)
    key = uuid4()
    entry = SentEntry.objects.create(
        property=place, key=key, kind="done", task=task, worked_at=now, received_at=now, result="decide",
        sent={"key": str(key), "kind": "done", "task": task.pk, "answers": {}}, **mine,
    )  # fmt: skip
    photo = TaskPhoto.objects.create(task=task, attachment=paper, taken_at=now, **mine)
    check = TrustCheck.objects.create(as_of=now.date(), **mine)
    report = PlanReport.objects.create(
        plan=plan, state="done", content={"as_of": "2026-11-01"}, pdf=b"%PDF", xlsx=b"PK", **mine
    )
    link = SharedLink.objects.create(report=report, key_digest=uuid4().hex * 2, expires_at=later, **mine)
    review = PlanReview.objects.create(
        plan=plan, label="2025", first_day=date(2025, 1, 1), last_day=date(2025, 12, 31),
        content={"currency": "USD", "rows": []}, **mine,
    )  # fmt: skip
    successor = SuccessorRule.objects.create(
        from_kind="electric_storage", to_kind="heat_pump", starts_on=date(2029, 5, 6), **mine
    )
    invitation = Invitation.objects.create(
        email="new@almanac.example", role="viewer", nonce="x", expires_at=later, **mine
    )
    token = AccessToken.objects.create(
        kind="service",
        name="old",
        digest=uuid4().hex * 2,
        ending="xxxx",
        needs=["read"],
        expires_at=later,
        **mine,
    )
    return {
        "inbox": note.pk,
        "reminder-preferences": place.pk,
        "escalation-rules": rule.pk,
        "deliveries": delivery.pk,
        "care-settings": setting.pk,
        "site-care": site.pk,
        "crews": crew.pk,
        "phone-entries": entry.pk,
        "task-photos": photo.pk,
        "trust-checks": check.pk,
        "plan-reports": report.pk,
        "shared-links": link.pk,
        "plan-reviews": review.pk,
        "successor-rules": successor.pk,
        "people": member.pk,
        "persons": person.pk,
        "invitations": invitation.pk,
        "service-tokens": token.pk,
    }


def contents(own: dict[str, int]) -> dict[str, Any]:
    """What the posts and patches of these kinds take, by the end of their paths."""
    place, why = own["properties"], "made up"
    return {
        "/reminder-preferences/general": {"hour": 8},
        "/reminder-preferences/<number:pk>": {"hour": 8},
        "/take-on": {},
        "/deliveries/<number:pk>/settle": {"how": "leave"},
        "/phone-entries/<number:pk>/settle": {"choice": "record", "reason": why},
        "/escalation-rules": {"person_id": own["persons"], "after_minutes": 30, "property_id": place},
        "/care-settings": {"property_id": place, "kind": "flush", "source": why, "interval_months": 6},
        "/site-care": {"property_id": place, "licences_checked": True, "languages": ["es"]},
        "/crews": {"name": "New"},
        "/crews/<number:pk>": {"minutes_a_day": 300},
        "/give": {"crew_id": own["crews"], "reason": why},
        "/visits/<number:pk>/end": {},
        "/visits/order": {"day": "2027-01-01", "visit_ids": [own["visits"]]},
        "/go": {"day": "2027-01-01"},
        "/plan-reviews": {"plan_id": own["capital-plans"]},
        "/successor-rules": {
            "from_kind": "electric_storage", "to_kind": "heat_pump", "starts_on": "2031-05-06", "property_id": place,
        },
        "/priors/return": {"table": "effects", "row_id": "none", "reason": why},
        "/people/<number:pk>": {"role": "viewer"},
        "/invitations": {"email": "newer@almanac.example", "role": "viewer"},
        "/organisation": {"second_factor_required": False},
    }  # fmt: skip
