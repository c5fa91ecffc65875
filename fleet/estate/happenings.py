"""`announce`: say, in the transaction of a change, that somebody has to hear of it.

Rooms announce and know nothing of mail or people; the reminders room decides who is told, how and when.
"""

from __future__ import annotations

from datetime import datetime

from django.utils import timezone

from fleet.estate.happening_rows import Happening
from fleet.estate.scope import ScopeMissing, current_scope, scope_of_organisation, scoped


def announce(
    kind: str,
    key: str,
    sentence: str,
    *,
    organisation_id: int,
    property_id: int | None = None,
    address: str = "",
    urgent: bool = True,
    happened_at: datetime | None = None,
) -> Happening:
    """Write the happening once: announced again under the same kind and key, the first row stands."""
    if not current_scope().allows(organisation_id):
        raise ScopeMissing("This would be announced in an organisation outside the current scope.")
    row: Happening
    # Whoever sees only a part of the organisation, or works there by grant, may not see the row that stands.
    with scoped(scope_of_organisation(organisation_id, actor=current_scope().actor)):
        row, _ = Happening.objects.get_or_create(
            organisation_id=organisation_id,
            kind=kind,
            key=key,
            defaults={
                "property_id": property_id,
                "sentence": sentence[:300],
                "address": address[:300],
                "urgent": urgent,
                "happened_at": happened_at or timezone.now(),
            },
        )
    return row


def take_on(happening: Happening, words: str = "") -> bool:
    """Somebody acts: nobody else is told because of silence. False when somebody did already."""
    rows = Happening.objects.filter(pk=happening.pk, taken_on_at=None)
    return bool(
        rows.update(
            taken_on_at=timezone.now(),
            taken_on_by_id=current_scope().person_id,
            taken_on_words=words.strip()[:300],
        )
    )


def settle(kind: str, key: str, *, organisation_id: int, words: str = "") -> None:
    """Called by the room in the transaction that settles the matter: an alert that is over escalates no more."""
    with scoped(scope_of_organisation(organisation_id, actor=current_scope().actor)):
        found = Happening.objects.filter(kind=kind, key=key, taken_on_at=None)
        found.update(taken_on_at=timezone.now(), taken_on_words=words.strip()[:300])
