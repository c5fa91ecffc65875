"""Federal efficiency rules as data: what a rule says of a kind and size from a day on, and how sure its status is.

Never a yes or a no: a rule is shown with its citation, its legal status and the day that status was checked.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import date
from functools import cache

from django.conf import settings

SHIPPED_RULES = settings.ROOT / "fixtures" / "efficiency_rules.csv"


@dataclass(frozen=True)
class EfficiencyRule:
    key: str
    from_day: date
    kinds: tuple[str, ...]
    from_gal: float
    to_gal: float | None
    says: str
    citation: str
    status: str
    checked_on: date
    source_mark: str

    def touches(self, kind: str, capacity_gal: float | None) -> bool:
        """Whether the rule speaks of this kind and size; a size that is not known is not left out."""
        if kind not in self.kinds:
            return False
        if capacity_gal is None:
            return True
        return capacity_gal >= self.from_gal and (self.to_gal is None or capacity_gal <= self.to_gal)

    @property
    def words(self) -> str:
        return (
            f"{self.citation}: {self.says}. Legal status: {self.status} (checked {self.checked_on}; "
            f"{self.source_mark}). Check it again before ordering."
        )


@cache
def efficiency_rules() -> tuple[EfficiencyRule, ...]:
    with SHIPPED_RULES.open(newline="", encoding="utf-8") as file:
        return tuple(
            EfficiencyRule(
                row["key"],
                date.fromisoformat(row["from_day"]),
                tuple(row["kinds"].split("|")),
                float(row["from_gal"] or 0),
                float(row["to_gal"]) if row["to_gal"] else None,
                row["says"],
                row["citation"],
                row["status"],
                date.fromisoformat(row["checked_on"]),
                row["source_mark"],
            )
            for row in csv.DictReader(file)
        )


def rules_touching(kind: str, capacity_gal: float | None, until: date) -> list[EfficiencyRule]:
    """Rules that begin by that day and speak of this kind and size, the earliest first."""
    found = [
        rule for rule in efficiency_rules() if rule.touches(kind, capacity_gal) and rule.from_day <= until
    ]
    return sorted(found, key=lambda rule: rule.from_day)
