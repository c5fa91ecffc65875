"""Reading what has changed since a cursor: nothing skipped under concurrent writers, deletions included."""

from __future__ import annotations

from typing import Any

from django.apps import apps
from django.db import IntegrityError, connection, transaction
from django.db.models import F, Q

from api.feed_triggers import WATCHED
from api.models import ChangedRow, ChangedSpan, ChangeFeed
from fleet.estate.scope import Scope, ScopedModel, current_scope, unscoped

AT_A_TIME = 20_000
OF_A_SPAN = 5_000  # its rows are held while they are written down
SPANS = 100  # looked at in one answer at most


class FeedReplaced(ValueError):
    """The cursor belongs to a feed that is no longer there, or to another reach: start from the beginning."""


def feed_of(organisation_id: int) -> ChangeFeed:
    with unscoped("the feed is a whole organisation's, whoever reads"):
        feed = ChangeFeed.objects.filter(organisation_id=organisation_id).first()
        if feed is not None:
            return feed
        try:
            with transaction.atomic():
                return ChangeFeed.objects.create(organisation_id=organisation_id)
        except IntegrityError:
            return ChangeFeed.objects.get(organisation_id=organisation_id)


def settle(feed: ChangeFeed) -> tuple[ChangeFeed, bool]:
    """Give out places to changes that are visible by now, one reader at a time; True where more may be waiting, since
    one answer gives out no more than it can while somebody waits.

    What a transaction still at work has changed is not visible yet; it gets a later place when it is. A row that such
    a transaction holds is skipped, not waited for.
    """
    with unscoped("places are given out for a whole organisation, whoever reads"):
        waiting = ChangedRow.objects.filter(organisation_id=feed.organisation_id, place=None)
        spans = ChangedSpan.objects.filter(organisation_id=feed.organisation_id).order_by("pk")
        if not waiting.exists() and not spans.exists():
            return feed, False
        with transaction.atomic():
            feed = ChangeFeed.objects.select_for_update().get(pk=feed.pk)
            if not waiting.exists():
                written = 0
                for span in list(spans[:SPANS]):
                    written += _write_down(span)
                    if written >= OF_A_SPAN:
                        break
            count = _give_out(feed.organisation_id, feed.last_place)
            feed.last_place += count
            ChangeFeed.objects.filter(pk=feed.pk).update(last_place=feed.last_place)
            return feed, count == AT_A_TIME or spans.exclude(first_id=F("last_id")).exists()


def _write_down(span: ChangedSpan) -> int:
    """Make single changes of the first rows of a span, and say of how many. A row that somebody holds is not waited
    for, nor forgotten (who holds it may leave it as it was): it becomes a span of one."""
    table = next(watched.table for watched in WATCHED if watched.kind == span.kind)
    model = next(model for model in apps.get_models() if model._meta.db_table == table)
    assert issubclass(model, ScopedModel) and model.property_path
    here = model.objects.filter(
        organisation_id=span.organisation_id, pk__gte=span.first_id, pk__lte=span.last_id
    ).order_by("pk")
    numbers = list(here.values_list("pk", flat=True)[:OF_A_SPAN])
    free = here.filter(pk__among=numbers).select_for_update(skip_locked=True, of=("self",), no_key=True)
    places = dict(free.values_list("pk", model.property_path))
    ChangedRow.objects.bulk_create(
        (
            ChangedRow(organisation_id=span.organisation_id, property_id=place, kind=span.kind, row_id=number)
            for number, place in places.items()
        ),
        ignore_conflicts=True,
    )
    held = [number for number in numbers if number not in places]
    ChangedSpan.objects.bulk_create(
        ChangedSpan(organisation_id=span.organisation_id, kind=span.kind, first_id=number, last_id=number)
        for number in held
    )
    if len(numbers) < OF_A_SPAN:
        span.delete()
    else:
        ChangedSpan.objects.filter(pk=span.pk).update(first_id=numbers[-1] + 1)
    return len(places)


def _give_out(organisation_id: int, last: int) -> int:
    skip = "FOR UPDATE SKIP LOCKED" if connection.vendor == "postgresql" else ""
    with connection.cursor() as cursor:
        cursor.execute(
            f"""UPDATE api_changedrow SET place = %s + counted.number FROM (
                    SELECT id, row_number() OVER (ORDER BY id) AS number FROM (
                        SELECT id FROM api_changedrow WHERE organisation_id = %s AND place IS NULL
                        ORDER BY id LIMIT {AT_A_TIME} {skip}) AS unsettled) AS counted
                WHERE api_changedrow.id = counted.id""",
            [last, organisation_id],
        )
        return int(cursor.rowcount)


def changes_after(
    organisation_id: int, place: int, kinds: list[str], limit: int
) -> tuple[list[dict[str, Any]], int]:
    """Changes behind a place, in order, and the place reached. What moved out of the reader's sight is gone for her."""
    scope = current_scope()
    here = _property_ids(scope, organisation_id)
    with unscoped("what moved out of a reader's properties is told her as gone; filtered here by her reach"):
        rows = ChangedRow.objects.filter(organisation_id=organisation_id, place__gt=place)
        if kinds:
            rows = rows.filter(kind__in=kinds)
        if here is not None:
            rows = rows.filter(Q(property_id__in=here) | Q(left_property_id__in=here))
        found = list(rows.order_by("place")[:limit].values("kind", "row_id", "gone", "property_id", "place"))
    for row in found:
        row["gone"] = row["gone"] or (here is not None and row["property_id"] not in here)
    return found, (found[-1]["place"] if found else place)


def _property_ids(scope: Scope, organisation_id: int) -> frozenset[int] | None:
    """The properties in reach; None: all. No reach at all: none."""
    seen: set[int] = set()
    for reach in scope.reaches:
        if reach.organisation_id != organisation_id:
            continue
        if reach.property_ids is None:
            return None
        seen |= reach.property_ids
    return frozenset(seen)
