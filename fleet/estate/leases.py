"""Who does a thing that only one process should do: a row, taken for a while by a conditional update."""

from __future__ import annotations

from datetime import timedelta

from django.db import models
from django.utils import timezone


class Lease(models.Model):
    """Of the installation, not of an organisation: two beats, or two loops, share it."""

    name = models.CharField(max_length=80, unique=True)
    until = models.DateTimeField()
    heard_at = models.DateTimeField(null=True, help_text="When this was last taken")

    def __str__(self) -> str:
        return self.name


def take(name: str, seconds: float) -> bool:
    """True for exactly one caller until `seconds` have passed. Usually not given back: it also keeps the pace."""
    now = timezone.now()
    until = now + timedelta(seconds=seconds)
    if Lease.objects.filter(name=name, until__lte=now).update(until=until, heard_at=now):
        return True
    if Lease.objects.filter(name=name).exists():
        return False
    _, made = Lease.objects.get_or_create(name=name, defaults={"until": until, "heard_at": now})
    return made


def give_back(name: str) -> None:
    """Let the next caller have it at once: more is waiting than one turn could do."""
    Lease.objects.filter(name=name).update(until=timezone.now())
