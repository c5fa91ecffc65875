"""Who may see which rows: the one place. Every scoped query starts here and fails closed.

A scoped model cannot be queried outside `scoped(...)`: forgetting the scope is an error, not a leak.
"""

from __future__ import annotations

import enum
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar, Self

from django.db import models
from django.db.models import Q

if TYPE_CHECKING:
    from fleet.estate.models import Organisation


class ScopeMissing(RuntimeError):
    """A scoped row was asked for, or written, outside the scope that allows it."""


class Level(enum.IntEnum):
    """How far an owner's organisation opened its properties to a company. Each level holds the ones before it."""

    SURVEY = 1  # read the register, to make an offer
    WORK = 2  # do the care there
    OUTLOOK = 3  # and see what lies ahead of each heater


@dataclass(frozen=True)
class Reach:
    """One organisation, whole (`property_ids` None) or only some of its properties.

    `level` None: a member's own organisation. Else a company's reach into a client's properties, by grant.
    """

    organisation_id: int
    property_ids: frozenset[int] | None = None
    level: Level | None = None

    @property
    def may_write(self) -> bool:
        return self.level is None or self.level >= Level.WORK

    def holds(self, organisation_id: int, property_id: int) -> bool:
        return self.organisation_id == organisation_id and (
            self.property_ids is None or property_id in self.property_ids
        )


@dataclass(frozen=True)
class Scope:
    reaches: tuple[Reach, ...]
    person_id: int | None = None
    actor: str = ""
    everything: bool = False

    def allows(self, organisation_id: int) -> bool:
        """Whether rows of this organisation may be written: its own member, or a company with work granted."""
        return self.everything or any(
            reach.organisation_id == organisation_id and reach.may_write for reach in self.reaches
        )

    def owns(self, organisation_id: int) -> bool:
        return self.everything or any(
            reach.organisation_id == organisation_id and reach.level is None for reach in self.reaches
        )

    def holds(self, organisation_id: int, property_id: int) -> bool:
        return self.everything or any(reach.holds(organisation_id, property_id) for reach in self.reaches)

    @property
    def is_of_places(self) -> bool:
        """Whether some properties of a house are in sight and others are not, so that a row is held against its place."""
        return any(reach.property_ids is not None for reach in self.reaches)

    def where_work_is_allowed(self) -> Scope:
        return replace(self, reaches=tuple(reach for reach in self.reaches if reach.may_write))

    def own_only(self) -> Scope:
        """Without the properties that clients granted: what planning and ruling are done in."""
        return replace(self, reaches=tuple(reach for reach in self.reaches if reach.level is None))


_current: ContextVar[Scope | None] = ContextVar("scope", default=None)


def current_scope() -> Scope:
    scope = _current.get()
    if scope is None:
        raise ScopeMissing("No scope: enter one with `scoped(...)` before touching an organisation's rows.")
    return scope


def houses_in_sight() -> Q:
    """The houses of the current scope, said once more beside it.

    For sums over an index that begins with the house: of "mine, or that client's at these places" the database makes no
    span of such an index, of a list of houses it does.
    """
    scope = current_scope()
    if scope.everything or len(scope.reaches) < 2:
        return Q()
    return Q(organisation_id__in=sorted({reach.organisation_id for reach in scope.reaches}))


@contextmanager
def scoped(scope: Scope) -> Iterator[Scope]:
    token = _current.set(scope)
    try:
        yield scope
    finally:
        _current.reset(token)


def scope_of_organisation(organisation: Organisation | int, actor: str = "the program") -> Scope:
    """The scope of a job or command that serves one organisation."""
    number = organisation if isinstance(organisation, int) else organisation.pk
    return Scope((Reach(number),), actor=actor)


@contextmanager
def unscoped(reason: str) -> Iterator[Scope]:
    """Sweeps over all organisations (back-up, roll-forward tick). The reason stands at the call."""
    assert reason
    with scoped(Scope((), actor="the program", everything=True)) as scope:
        yield scope


class ScopedQuerySet(models.QuerySet[Any]):
    def within(self, scope: Scope) -> Self:
        if scope.everything:
            return self
        allowed = Q(pk__in=[])
        path, opened_at = self.model.property_path, self.model.opened_at
        for reach in scope.reaches:
            if reach.level is not None and (opened_at is None or reach.level < opened_at):
                continue
            part = Q(organisation_id=reach.organisation_id)
            if reach.property_ids is None and reach.level is None:
                allowed |= part
            elif path is not None and reach.property_ids:
                allowed |= part & Q(**{f"{path}__among": reach.property_ids})
        return self.filter(allowed)


class ScopedManager(models.Manager.from_queryset(ScopedQuerySet)):  # type: ignore[misc]
    def get_queryset(self) -> ScopedQuerySet:
        queryset: ScopedQuerySet = super().get_queryset()
        return queryset.within(current_scope())


class ScopedModel(models.Model):
    """A row of one organisation. `property_path` is the lookup to its property; None: whole organisation only.

    `opened_at` is the least grant that shows such rows to a company; None: never, whatever was granted.
    `for_planners`: only who plans reads such rows, so only she reads of them in the history.
    """

    property_path: ClassVar[str | None] = None
    opened_at: ClassVar[Level | None] = None
    for_planners: ClassVar[bool] = False
    organisation = models.ForeignKey("estate.Organisation", on_delete=models.CASCADE, related_name="+")
    objects = ScopedManager()

    class Meta:
        abstract = True

    def save(self, *args: Any, **kwargs: Any) -> None:
        if not current_scope().allows(self.organisation_id):
            raise ScopeMissing("This row belongs to an organisation outside the current scope.")
        super().save(*args, **kwargs)
