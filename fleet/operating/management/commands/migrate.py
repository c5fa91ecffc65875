"""manage.py migrate: Django's own, which draws thousands of models up and drops them again, with few searches for circles."""

from __future__ import annotations

from typing import Any

from django.core.management.commands import migrate

from fleet.estate.acting import Acting
from fleet.estate.collecting import seldom_collected


class Command(migrate.Command):
    for_whom = Acting.OPERATOR

    def handle(self, *args: Any, **options: Any) -> Any:
        with seldom_collected():
            return super().handle(*args, **options)
