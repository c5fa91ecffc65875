"""For whom background work and commands act. Each declares it; a test walks them all and fails on one that does not.

A kind of job that people ask for names the right (`Need`) that asking takes, and the right is looked at once more when
the job begins: who has lost it meanwhile, or has left, sets nothing off any more.
"""

from __future__ import annotations

import enum

from fleet.estate.access import GRANTS, Need, lacks_second_factor, narrowed, scope_of
from fleet.estate.models import Membership, Person


class Acting(enum.Enum):
    ORGANISATION = "one organisation, in its scope; nobody's right is needed"
    PROGRAM = "the program itself, over all organisations"
    OPERATOR = "whoever runs this installation, at its shell"


ForWhom = Need | Acting


def may_still_ask(person: Person, organisation_id: int, for_whom: ForWhom) -> bool:
    """Whether a person may, as things are now, have this done for an organisation."""
    if isinstance(for_whom, Acting):
        return True
    memberships = Membership.objects.filter(person=person, person__is_active=True)
    for membership in memberships.select_related("organisation", "person"):
        if for_whom in GRANTS[membership.role] and not lacks_second_factor(membership):
            reaches = narrowed(scope_of(membership), for_whom).reaches
            if any(reach.organisation_id == organisation_id for reach in reaches):
                return True
    return False
