"""What every command shares: which organisation it works for."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import CommandError

from fleet.estate.models import Organisation


def add_organisation_argument(parser: ArgumentParser) -> None:
    parser.add_argument("--organisation", metavar="NAME", help="needed when there is more than one")


def organisation_from(options: dict[str, Any]) -> Organisation:
    rows = Organisation.objects.order_by("name")
    if name := options.get("organisation"):
        found = rows.filter(name=name).first()
        if found is None:
            known = ", ".join(rows.values_list("name", flat=True)) or "none yet"
            raise CommandError(f"There is no organisation called {name!r}. Known: {known}.")
        return found
    owners = rows.filter(kind=Organisation.Kind.OWNER)
    if len(owners) == 1:  # a plumbing company beside the only owner has no heaters of its own
        return owners[0]
    if len(rows) != 1:
        names = ", ".join(row.name for row in rows) or "none yet; run `manage.py start` first"
        raise CommandError(f"Say which organisation with --organisation NAME. Known: {names}.")
    return rows[0]
