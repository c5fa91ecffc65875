"""What each method of each view declares once: its need, what it takes and gives, and its words in the documents."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from rest_framework import serializers

from fleet.estate.access import Need

if TYPE_CHECKING:
    from api.rows import Rows

Shape = type[serializers.BaseSerializer]


@dataclass(frozen=True)
class Asked:
    """A parameter of the query."""

    field: serializers.Field
    says: str


@dataclass(frozen=True)
class Operation:
    need: Need
    says: str
    takes: Shape | None = None
    gives: Shape | None = None
    lists: Rows | None = None
    status: int = 200
    edits: bool = False  # needs If-Match
    partial: bool = False
    form: bool = False  # multipart instead of JSON
    clients: bool = (
        False  # a company plans over what its clients opened to it, which it may read and not change
    )
    secret: bool = False  # the answer shows something once that is never kept: no Idempotency-Key
    file: str = ""  # the answer's media type, where it is a file
    asks: dict[str, Asked] = field(default_factory=dict)
    tag: str = ""


Handler = Callable[..., Any]


def operation(need: Need, says: str, **more: Any) -> Callable[[Handler], Handler]:
    declared = Operation(need, says, **more)

    def declare(handler: Handler) -> Handler:
        handler.operation = declared  # type: ignore[attr-defined]
        return handler

    return declare
