"""What the outside door keeps: answers to posts, so that a post sent again does nothing twice, and what has changed."""

from __future__ import annotations

import uuid

from django.db import models
from django.db.models import Q

from fleet.estate.scope import ScopedModel


class KeptAnswer(ScopedModel):
    """The answer once given to a post with this key. Written in the transaction of the change itself."""

    holder = models.CharField(max_length=40, help_text="Person or service token that sent it")
    key = models.CharField(max_length=200)
    digest = models.CharField(max_length=64, help_text="Of method, address and content")
    status = models.PositiveSmallIntegerField(default=0)
    headers = models.JSONField(default=dict)
    body = models.TextField(blank=True)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        indexes = [models.Index(fields=["organisation", "created_at"])]
        constraints = [
            models.UniqueConstraint(fields=["organisation", "holder", "key"], name="one_answer_a_key")
        ]

    def __str__(self) -> str:
        return self.key


class ChangedRow(ScopedModel):
    """That a row of the record is new, changed or gone. One row each: the latest change moves it to the end.

    The database's own triggers write here, so that no verb, import or mending by hand can forget to. `place` stays
    empty until a reader gives it out (`feed.settle`): numbers given out at writing would not be in the order in which
    concurrent transactions become visible.
    """

    property_path = "property"
    # Without constraints: what is gone has to stay on this list after its organisation's rows went. Without indexes of
    # their own: one row comes here for each row of the record, and nobody asks by these columns alone.
    organisation = models.ForeignKey(
        "estate.Organisation", on_delete=models.CASCADE, related_name="+", db_constraint=False, db_index=False
    )
    property = models.ForeignKey(
        "estate.Property",
        null=True,
        on_delete=models.DO_NOTHING,
        related_name="+",
        db_constraint=False,
        db_index=False,
    )
    left_property_id = models.BigIntegerField(null=True, help_text="Where it stood before it was moved")
    kind = models.CharField(max_length=24)
    row_id = models.BigIntegerField()
    gone = models.BooleanField(default=False)
    place = models.BigIntegerField(null=True)

    class Meta:
        indexes = [
            models.Index(
                fields=["organisation", "id"], condition=Q(place__isnull=True), name="changed_unsettled"
            )
        ]
        constraints = [
            models.UniqueConstraint(fields=["kind", "row_id"], name="changed_row_once"),
            models.UniqueConstraint(fields=["organisation", "place"], name="changed_place_once"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.row_id}"


class ChangedSpan(ScopedModel):
    """That very many rows came at once, by the span of their numbers: a reader of the feed makes single rows of them
    (`feed.settle`). Most feeds are never read, and a row for each was a third of what taking them in cost.

    What lies in a span and belongs to others has its own row or span; to be told it twice does no harm.
    """

    property_path = None
    organisation = models.ForeignKey(
        "estate.Organisation", on_delete=models.CASCADE, related_name="+", db_constraint=False
    )
    kind = models.CharField(max_length=24)
    first_id = models.BigIntegerField()
    last_id = models.BigIntegerField()

    def __str__(self) -> str:
        return f"{self.kind} {self.first_id} to {self.last_id}"


class ChangeFeed(ScopedModel):
    """How far the places of an organisation's changes have been given out. Its name tells two feeds apart."""

    name = models.UUIDField(default=uuid.uuid4)
    last_place = models.BigIntegerField(default=0)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["organisation"], name="one_feed_an_organisation")]

    def __str__(self) -> str:
        return str(self.name)
