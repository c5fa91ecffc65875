"""What this room keeps for a time: the words of somebody who reported a leak, which may name a tenant."""

from __future__ import annotations

from datetime import datetime

from fleet.care.models import LeakReport
from fleet.estate.retention import keeps


@keeps("leak_words", "Words of leak reports, once answered", days=400, least_days=30)
def forget_leak_words(organisation_id: int, before: datetime) -> int:
    answered = LeakReport.objects.filter(organisation_id=organisation_id, answered_at__lt=before)
    return int(answered.exclude(words="").update(words=""))
