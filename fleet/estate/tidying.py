"""Rows of finished background work are kept for a while and then removed."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.utils import timezone

from fleet.estate.background import Running, register
from fleet.estate.background_rows import Job

KEPT_DAYS = 90


@register("tidy_up", every="day", limit_minutes=10)
def tidy_up(job: Running) -> dict[str, Any]:
    before = timezone.now() - timedelta(days=KEPT_DAYS)
    gone, _ = Job.objects.filter(state__in=["done", "cancelled"], finished_at__lt=before).delete()
    return {"removed": gone}
