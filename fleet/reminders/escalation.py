"""The verbs of escalation rules: who is told next when nobody acts, after how long."""

from __future__ import annotations

from django.db import transaction

from fleet.estate.history import record_change
from fleet.estate.models import Membership, Organisation, Property
from fleet.pages.words import a_wait
from fleet.reminders.models import EscalationRule

SHORTEST, LONGEST = 5, 60 * 24 * 30


class RuleRefused(ValueError):
    def __init__(self, problems: dict[str, str]) -> None:
        super().__init__(" ".join(problems.values()))
        self.problems = problems


@transaction.atomic
def add_rule(
    organisation: Organisation,
    person_id: int,
    after_minutes: int,
    kind: str = "",
    place: Property | None = None,
) -> EscalationRule:
    problems = {}
    if not Membership.objects.filter(organisation=organisation, person_id=person_id).exists():
        problems["person"] = "Choose one of the organisation's people."
    if not SHORTEST <= after_minutes <= LONGEST:
        problems["after_minutes"] = (
            f"{after_minutes} minutes cannot be; give {a_wait(SHORTEST)} to {a_wait(LONGEST)}."
        )
    if problems:
        raise RuleRefused(problems)
    rule: EscalationRule = EscalationRule.objects.create(
        organisation=organisation, person_id=person_id, after_minutes=after_minutes, kind=kind, property=place
    )
    record_change(rule, "escalation rule added", {"rule": (None, str(rule))})
    return rule


@transaction.atomic
def remove_rule(rule: EscalationRule) -> None:
    record_change(rule, "escalation rule removed", {"rule": (str(rule), None)})
    rule.delete()
