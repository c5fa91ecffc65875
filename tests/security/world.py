"""Two houses with a row of everything that an address can name: what the matrix of addresses is held against.

A row of any model can be made from the model alone; `SPECIAL` says what a page needs beyond that. Three places:
'own' (the house, the first property), 'beyond' (the house, a property that the narrow member does not reach) and
'foreign' (the other house).
"""

from __future__ import annotations

import io
import itertools
import uuid
from collections.abc import Iterator
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from django.apps import apps
from django.core.files.base import ContentFile
from django.db import models
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver
from django.utils import timezone
from PIL import Image

from fleet.estate.access import Need
from fleet.estate.models import AccessGrant, Membership, Organisation, Person, Property
from fleet.estate.scope import Level, unscoped
from tests.conftest import Cast, make_heater

PLACES = ("own", "beyond", "foreign")
# 'narrow' reaches the first property only; 'granted' belongs to a company that was given access to it.
ROLES = ("owner", "planner", "technician", "contractor", "viewer", "narrow", "granted")
MISSING = 999_999_999
_number = itertools.count(1)


def every_address(
    resolver: URLResolver | None = None, before: str = "", space: str = ""
) -> Iterator[tuple[str, str, URLPattern, Any]]:
    """(full name, route, pattern, need) of every address in the whole map."""
    for entry in (resolver or get_resolver()).url_patterns:
        where = before + str(entry.pattern)
        if isinstance(entry, URLResolver):
            inside = f"{space}{entry.namespace}:" if entry.namespace else space
            yield from every_address(entry, where, inside)
        elif isinstance(entry, URLPattern):
            yield f"{space}{entry.name}", where, entry, getattr(entry.callback, "need", None)


# What a model needs beyond its columns for its pages to have something to show.
SPECIAL: dict[str, dict[str, Any]] = {
    "heaters.Attachment": {"content_type": "image/jpeg"},
    "heaters.ImportBatch": {"state": "ready", "columns": {"sheets": []}},
    "care.Task": {"kind": "flush"},
    "care.UnsafeFinding": {"what": "tank_leaking"},
    "estate.AccessGrant": {"level": Level.OUTLOOK.value, "company": lambda world: world.company},
    "contracts.Offer": {"years": 5},
    "contracts.Contract": {"starts_on": date(2026, 1, 1), "ends_on": date(2030, 12, 31)},
    "contracts.ReceivedOffer": {"company": lambda world: world.company},
    "estate.AccessToken": {"kind": "personal", "needs": ["read"]},
    "reminders.Delivery": {"channel": "mail"},
    "reminders.EscalationRule": {"after_minutes": 60},
    "mfa.Authenticator": {
        "type": "webauthn",
        "data": {"name": "a key", "passwordless": True, "credential": {}},
    },
    "estate.Job": {"kind": "roll_forward", "state": "done"},
}


class World:
    """The cast's two houses, and rows made on demand, each once per place (and person, where it is somebody's own)."""

    def __init__(self, cast: Cast) -> None:
        self.cast = cast
        self.people: dict[str, Person] = {
            name: getattr(cast, name) for name in ("owner", "planner", "technician", "contractor", "outsider")
        }
        for name in ("viewer", "narrow"):
            self.people[name] = Person.objects.create_user(
                f"{name}@almanac.example", "water-heater-9", name=name.title()
            )
        Membership.objects.create(organisation=cast.house, person=self.people["viewer"], role="viewer")
        narrow = Membership.objects.create(
            organisation=cast.house, person=self.people["narrow"], role="planner", all_properties=False
        )
        self.company = Organisation.objects.create(
            name="Fir Plumbing (invented)", kind="company", invented=True
        )
        self.people["granted"] = Person.objects.create_user("granted@almanac.example", "water-heater-9")
        Membership.objects.create(organisation=self.company, person=self.people["granted"], role="owner")
        self._rows: dict[tuple[str, str, str], models.Model] = {}
        with unscoped("building the world of the matrix"):
            beyond = make_heater(cast.house, "Cedar Yard", "C-1")
            narrow.properties.set(Property.objects.filter(pk=cast.property.pk))
            grant = AccessGrant.objects.create(
                organisation=cast.house,
                company=self.company,
                level=Level.OUTLOOK.value,
                granted_at=timezone.now(),
                granted_by="the matrix",
            )
            grant.properties.set([cast.property])
        for place, heater in (("own", cast.heater), ("beyond", beyond), ("foreign", cast.foreign_heater)):
            for row in (
                heater,
                heater.position,
                heater.position.building,
                heater.position.building.property,
                heater.organisation,
            ):
                self._rows[row._meta.label, place, ""] = row
        for place, name in (("own", "viewer"), ("beyond", "narrow"), ("foreign", "outsider")):
            self._rows["estate.Membership", place, "fixed"] = self.people[name].memberships.get()

    def row(self, label: str, place: str, role: str = "") -> models.Model:
        """The row of a model at a place. Where the model has a person, it is that role's own."""
        model = apps.get_model(label)
        label = model._meta.label
        if model is Person:
            return self.people["outsider" if place == "foreign" else role or "owner"]
        personal = any(field.related_model is Person for field in model._meta.concrete_fields)
        if (label, place, "fixed") in self._rows:
            return self._rows[label, place, "fixed"]
        key = (label, place, role if personal else "")
        if key not in self._rows:
            self._rows[key] = self._make(model, place, role)
        return self._rows[key]

    def _make(self, model: Any, place: str, role: str) -> models.Model:
        values: dict[str, Any] = {}
        for field in model._meta.concrete_fields:
            special = SPECIAL.get(model._meta.label, {})
            if field.name in special:
                value = special[field.name]
                values[field.name] = value(self) if callable(value) else value
            elif field.is_relation and self._wanted(model, field):
                values[field.name] = self.row(field.related_model._meta.label, place, role)
            elif not (
                field.primary_key or field.is_relation or field.has_default() or field.null or field.blank
            ):
                values[field.name] = _value(field)
        with unscoped("a row for the matrix"):
            row: models.Model = model(**values)
            row.save()
        return row

    @staticmethod
    def _wanted(model: Any, field: Any) -> bool:
        """Fill every required relation, whose row it is, and the property it lies in where it may be left out."""
        if not field.null:
            return True
        return field.name in {"person", "property", "user"}


def _picture() -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (8, 8)).save(out, "JPEG")
    return out.getvalue()


def _value(field: Any) -> Any:
    number = next(_number)
    if field.choices:
        return field.choices[0][0] or field.choices[1][0]
    made: dict[type, Any] = {
        models.UUIDField: uuid.uuid4,
        models.DateTimeField: lambda: timezone.now() + timedelta(days=3),
        models.DateField: lambda: date(2026, 1, 1) + timedelta(days=number % 300),
        models.DecimalField: lambda: Decimal("5.00"),
        models.FloatField: lambda: 0.5,
        models.IntegerField: lambda: number % 200 + 1,
        models.BooleanField: lambda: True,
        models.JSONField: dict,
        models.BinaryField: lambda: b"made",
        models.FileField: lambda: ContentFile(_picture(), name=f"{number}.jpg"),
        models.GenericIPAddressField: lambda: "192.0.2.1",
        models.CharField: lambda: f"made {number}"[: field.max_length],
        models.TextField: lambda: f"made {number}",
    }
    return next(make() for kind, make in made.items() if isinstance(field, kind))


def client_of(world: World, role: str) -> Client:
    client = Client(raise_request_exception=False)
    if role != "stranger":
        client.force_login(world.people[role])
    return client


def may(role: str, need: Need) -> bool:
    """What each role may do, written down a second time by hand."""
    reads, works, plans = {Need.READ}, {Need.READ, Need.WORK}, {Need.READ, Need.WORK, Need.PLAN}
    table = {
        "owner": plans | {Need.ADMIN},
        "planner": plans,
        "narrow": plans,
        "granted": plans | {Need.ADMIN},
        "technician": works,
        "contractor": works,
        "viewer": reads,
        "stranger": set(),
    }
    return need is Need.PUBLIC or (need is Need.SELF and role != "stranger") or need in table[role]
