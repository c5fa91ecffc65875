"""Choosing among properties: few stand in a list; where there are many, names are written and looked up here."""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import Q, QuerySet
from django.http import QueryDict

from fleet.estate.models import Property
from fleet.estate.row_numbers import row_number

FEW = 8  # properties seen at once in a list; a name is typed quicker than more are read
MOST_LISTED = 100  # beyond it nobody reads the list, and to write it out is what a page waits for
SHOWN = 5  # names that a refusal gives

Properties = QuerySet[Property]


def sought(words: str, rows: Properties | None = None) -> Properties:
    """Properties of which every word stands in the name, the address or the name of their owner."""
    found: Properties = Property.objects.all() if rows is None else rows
    for word in words.split()[:6]:
        found = found.filter(
            Q(name__icontains=word) | Q(address__icontains=word) | Q(organisation__name__icontains=word)
        )
    return found.select_related("organisation").order_by("name", "id")


def listed(rows: Properties | None = None) -> list[Property] | None:
    """All of them by name, or None where they are too many to be read."""
    found = list(sought("", rows)[: MOST_LISTED + 1])
    return found if len(found) <= MOST_LISTED else None


class NotOne(ValueError):
    """What was written leads to no property, or to several; the message says what would be right."""


def named(written: str, rows: Properties) -> Property:
    """The property of this name, or the only one that these words lead to."""
    exact = list(rows.filter(name__iexact=written)[:2])
    if len(exact) == 1:
        return exact[0]
    found = list(sought(written, rows)[: SHOWN + 1])
    if len(found) == 1:
        return found[0]
    if not found:
        raise NotOne(
            f"No property here is called {written[:200]!r}. Write its name, or words of its name or address, as they "
            "stand in the list of properties."
        )
    names = "; ".join(f"{row.name}, {row.address}" if row.address else row.name for row in found[:SHOWN])
    more = " and more" if len(found) > SHOWN else ""
    raise NotOne(f"{written[:200]!r} leads to several properties: {names}{more}. Write enough of one.")


@dataclass(frozen=True)
class Which:
    """Of which properties a list is: of one, of those that words lead to, or of all."""

    chosen: Property | None
    words: str
    listed: list[Property]
    searched: bool  # the field for words stands beside the list, or in its place

    @property
    def ids(self) -> list[int] | None:
        """None for all."""
        if self.words:
            return list(sought(self.words).values_list("pk", flat=True))
        return [self.chosen.pk] if self.chosen else None


def which(query: QueryDict) -> Which:
    """What the fields of `pages/which_properties.html` ask; words go before a choice."""
    asked, words = query.get("property", ""), query.get("words", "").strip()[:100]
    chosen = None
    if asked and not words:
        chosen = Property.objects.select_related("organisation").filter(pk=row_number(asked)).first()
    found = listed()
    few = found is not None and len(found) <= FEW
    return Which(chosen, words, found or ([chosen] if chosen else []), bool(words) or not few)
