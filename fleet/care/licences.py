"""Who may do which task. Site staff are offered what their recorded licences allow; a site can set this aside.

Only people on the site's own staff (the technician's role) are checked: a plumbing company answers for its own
people, and an office enters what somebody else did. Local licence law comes before all of this.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cached_property

from fleet.care.kinds import WORKERS
from fleet.care.models import Crew, SiteCare, Task
from fleet.care.selectors import Workers, workers_of
from fleet.estate.models import Membership
from fleet.estate.scope import current_scope, unscoped

EVERYBODY = "site_staff"


class Offers:
    """What may be offered to the person of the present scope, for tasks of some properties. Read once, and only what
    the tasks ask for: most are everybody's."""

    def __init__(self, organisation_id: int, property_ids: Iterable[int]) -> None:
        self.organisation_id, self.numbers = organisation_id, set(property_ids)
        self.workers: Workers = workers_of(self.numbers)

    @cached_property
    def checked(self) -> bool:
        return _is_site_staff(self.organisation_id)

    @cached_property
    def licences(self) -> frozenset[str]:
        return _licences(self.organisation_id)

    @cached_property
    def set_aside(self) -> frozenset[int]:
        rows = SiteCare.objects.filter(property_id__in=self.numbers, licences_checked=False)
        return frozenset(rows.values_list("property_id", flat=True))

    def refusal(self, task: Task, property_id: int) -> str:
        """Why the task is not offered to this person; empty where it is."""
        needed = self.workers.code_of(property_id, task.task_kind)
        if (
            needed == EVERYBODY
            or not self.checked
            or needed in self.licences
            or property_id in self.set_aside
        ):
            return ""
        return (
            f"{task.task_kind.name} is for a {WORKERS[needed]}, and no such licence is on record for you. The office "
            "enters licences under Crews. If you saw something unsafe, report it as unsafe."
        )


def refusal_for(task: Task) -> str:
    property_id = task.heater.position.building.property_id
    return Offers(task.organisation_id, [property_id]).refusal(task, property_id)


def _is_site_staff(organisation_id: int) -> bool:
    person_id = current_scope().person_id
    if person_id is None:
        return False
    rows = Membership.objects.filter(person_id=person_id, organisation_id=organisation_id)
    return rows.filter(role=Membership.Role.TECHNICIAN).exists()


def _licences(organisation_id: int) -> frozenset[str]:
    person_id = current_scope().person_id
    with unscoped("a person's own crews, also where she sees only some properties"):
        rows = list(
            Crew.objects.filter(organisation_id=organisation_id, people=person_id).values_list(
                "licences", flat=True
            )
        )
    return frozenset(code for codes in rows for code in codes)
