"""What has changed since a cursor."""

from __future__ import annotations

import base64
import json
from typing import Any

from django.http import HttpResponse
from django.urls import path
from rest_framework import serializers

from api.door import ApiView
from api.feed import FeedReplaced, changes_after, feed_of, settle
from api.feed_triggers import WATCHED
from api.operations import Asked, operation
from api.problems import Problem
from api.rows import Row
from api.work_shapes import BY_KIND, Changes
from fleet.estate.access import Need

KINDS = tuple(watched.kind for watched in WATCHED)
FROM = Asked(
    serializers.CharField(max_length=200), "The `cursor` of the last answer; none: from the beginning."
)
ONLY = Asked(
    serializers.CharField(max_length=400), f"With commas between: {', '.join(KINDS)}; all, if not said."
)
HOW_MANY = Asked(serializers.IntegerField(min_value=1, max_value=1000), "Changes an answer, 500 if not said.")


class ChangesView(ApiView):
    @operation(
        Need.READ,
        "Rows new, changed or gone since a cursor, each once with its latest state. Keep the cursor; ask again while "
        "`more`. Nothing is skipped, whoever writes meanwhile; a row may be told twice.",
        gives=Changes, asks={"after": FROM, "kinds": ONLY, "limit": HOW_MANY}, tag="changes",
    )  # fmt: skip
    def get(self, request: Any) -> HttpResponse:
        organisation_id = self.caller.organisation.pk
        kinds = [kind for kind in self.asked.get("kinds", "").split(",") if kind]
        if unknown := sorted(set(kinds) - set(KINDS)):
            words = f"{unknown[0][:40]!r} is not one of {', '.join(KINDS)}."
            raise Problem("parameter", errors=[{"parameter": "kinds", "detail": words}])
        feed = feed_of(organisation_id)
        reach = self._reach()
        place = _place(self.asked.get("after"), str(feed.name), reach)
        if place > feed.last_place:
            raise FeedReplaced("This cursor is ahead of the record. Start from the beginning.")
        limit = self.asked.get("limit", 500)
        # After very many changes a reader is led through those that have their places first.
        rest = feed.last_place >= place + limit
        if not rest:
            feed, rest = settle(feed)
        found, reached = changes_after(organisation_id, place, kinds, limit)
        full = len(found) == limit
        reached = reached if full else max(reached, feed.last_place)
        cursor = _cursor(str(feed.name), reach, reached)
        return self.answer({"items": _with_rows(found), "cursor": cursor, "more": full or rest})

    def _reach(self) -> str:
        """What this reader sees, in short: with another reach the old cursor would leave rows out."""
        from hashlib import blake2b

        seen = sorted(
            (reach.organisation_id, sorted(reach.property_ids) if reach.property_ids is not None else "all")
            for reach in self.caller.scope.reaches
        )
        return blake2b(repr(seen).encode(), digest_size=6).hexdigest()


def _cursor(feed: str, reach: str, place: int) -> str:
    return base64.urlsafe_b64encode(json.dumps([feed, reach, place]).encode()).decode().rstrip("=")


def _place(cursor: str | None, feed: str, reach: str) -> int:
    if cursor is None:
        return 0
    try:
        name, saw, place = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
        place = int(place)
        if not 0 <= place < 2**62:
            raise ValueError
    except (ValueError, TypeError, RecursionError) as error:
        wrong = {"parameter": "after", "detail": "This is not a cursor. Take it from `cursor` as it stands."}
        raise Problem("parameter", errors=[wrong]) from error
    if name != feed:
        raise FeedReplaced("The record was set up anew since. Start from the beginning.")
    if saw != reach:
        raise FeedReplaced("What you may see has changed since. Start from the beginning.")
    return place


def _with_rows(found: list[dict[str, Any]]) -> list[Row]:
    """Each change with its row as the API writes it; the scope has the last word on what is there."""
    rows: dict[tuple[str, int], Row] = {}
    for kind in {one["kind"] for one in found}:
        of_kind = BY_KIND[kind]
        numbers = [one["row_id"] for one in found if one["kind"] == kind and not one["gone"]]
        for row in of_kind.values(of_kind.source().filter(pk__in=numbers), of_kind.columns, of_kind.computed):
            rows[kind, row["id"]] = row
    return [
        {"kind": one["kind"], "id": one["row_id"], "gone": (one["kind"], one["row_id"]) not in rows,
         "row": rows.get((one["kind"], one["row_id"]))}
        for one in found
    ]  # fmt: skip


urlpatterns = [path("changes", ChangesView.as_view(), name="changes")]
