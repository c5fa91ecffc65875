"""A plumbing company's clients, the map of its due work, and its own cost book."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.urls import path
from rest_framework import serializers

from api.door import ApiView
from api.operations import Asked, operation
from api.problems import Problem
from api.rows import Row
from api.shapes import Given, Money, StrictChoice, StrictText
from api.usual import company_of
from fleet.contracts import book as books
from fleet.contracts import clients
from fleet.contracts.models import CompanyBook, CompanyPrice
from fleet.estate import grants
from fleet.estate.access import Need
from fleet.estate.calendar import today_of
from fleet.estate.scope import Level

LEVELS = {Level.SURVEY: "survey", Level.WORK: "work", Level.OUTLOOK: "outlook"}


class OpenedPlace(serializers.Serializer):
    property_id = serializers.IntegerField()
    property_name = serializers.CharField()
    level = serializers.ChoiceField(choices=list(LEVELS.values()))
    until = serializers.DateField(allow_null=True, help_text="Its last day; null: until revoked")
    heaters = serializers.IntegerField()
    tasks = serializers.IntegerField()
    late = serializers.IntegerField()


class ClientShown(serializers.Serializer):
    client_id = serializers.IntegerField()
    client_name = serializers.CharField()
    heaters = serializers.IntegerField()
    tasks = serializers.IntegerField()
    late = serializers.IntegerField()
    properties = OpenedPlace(many=True)


class Clients(serializers.Serializer):
    code = serializers.CharField(help_text="Give it to an owner, who opens properties to it")
    items = ClientShown(many=True)
    next = serializers.CharField(allow_null=True)


class ClientsView(ApiView):
    @operation(
        Need.READ, "What clients opened to the company, and what is due there.", gives=Clients, tag="clients"
    )
    def get(self, request: Any) -> HttpResponse:
        company = company_of(self)
        items = [_client(row) for row in clients.overview(company)]
        return self.answer({"code": grants.code_of(company), "items": items, "next": None})


def _client(row: clients.ClientRow) -> Row:
    organisation, levels = row.client.organisation, row.client.properties
    places = [
        {
            "property_id": one["property"].pk,
            "property_name": one["property"].name,
            "level": LEVELS[levels[one["property"].pk]],
            **{name: one[name] for name in ("until", "heaters", "tasks", "late")},
        }
        for one in row.properties
    ]
    return {
        "client_id": organisation.pk,
        "client_name": organisation.name,
        "properties": places,
        "heaters": row.heaters,
        "tasks": row.tasks,
        "late": row.late,
    }


class Place(serializers.Serializer):
    property_id = serializers.IntegerField()
    property_name = serializers.CharField()
    client_name = serializers.CharField()
    address = serializers.CharField()
    latitude = serializers.FloatField(allow_null=True)
    longitude = serializers.FloatField(allow_null=True)
    tasks = serializers.IntegerField()
    late = serializers.IntegerField()
    hours = serializers.FloatField()
    earliest = serializers.DateField()


class Places(serializers.Serializer):
    items = Place(many=True)
    next = serializers.CharField(allow_null=True)


DAYS = Asked(serializers.IntegerField(min_value=0, max_value=3650), "Days ahead, 60 if not said.")


class PlacesView(ApiView):
    @operation(
        Need.READ, "Where the due work of all clients is, the longest late first.", gives=Places,
        asks={"days": DAYS}, tag="clients",
    )  # fmt: skip
    def get(self, request: Any) -> HttpResponse:
        company = company_of(self)
        rows = clients.due_places(today_of(company), self.asked.get("days", 60))
        items = [
            {
                "property_id": row.property.pk,
                "property_name": row.property.name,
                "client_name": row.client,
                **{name: getattr(row.property, name) for name in ("address", "latitude", "longitude")},
                **{name: getattr(row, name) for name in ("tasks", "late", "hours", "earliest")},
            }
            for row in rows
        ]
        return self.answer({"items": items, "next": None})


# --- its own costs


class CompanyPriceShown(serializers.Serializer):
    item = serializers.CharField()
    subject = serializers.CharField(help_text="Heater kind or task kind; empty: for all")
    words = serializers.CharField()
    unit = serializers.CharField()
    amount = Money(max_digits=12, decimal_places=4)
    status = serializers.ChoiceField(choices=CompanyPrice.Status.choices)
    price_source = serializers.CharField()


class CompanyBookShown(serializers.Serializer):
    id = serializers.IntegerField()
    currency = serializers.CharField()
    valid_from = serializers.DateField()
    saved_at = serializers.DateTimeField()
    saved_by = serializers.CharField()
    prices = CompanyPriceShown(many=True)


class CompanyPriceGiven(Given):
    item = StrictChoice(choices=sorted(books.BY_NAME))
    subject = StrictText(required=False, allow_blank=True, max_length=40)
    amount = Money(max_digits=12, decimal_places=4, min_value=0)


class CompanyBookGiven(Given):
    prices = CompanyPriceGiven(many=True)
    source = StrictText(required=False, allow_blank=True, max_length=300)  # type: ignore[assignment]


def _book_row(book: CompanyBook) -> Row:
    words = {
        (item.name, subject): label or item.label
        for item in books.ITEMS
        for subject, label in books.subjects_of(item)
    }
    return {
        **{name: getattr(book, name) for name in ("id", "currency", "valid_from", "saved_at", "saved_by")},
        "prices": [
            {
                "item": row.item,
                "subject": row.subject,
                "words": words.get((row.item, row.subject), row.item),
                "unit": books.BY_NAME[row.item].unit,
                "amount": row.amount,
                "status": row.status,
                "price_source": row.source,
            }
            for row in book.prices.all()
            if row.item in books.BY_NAME
        ],
    }


class CompanyBookView(ApiView):
    @operation(
        Need.PLAN,
        "The company's own costs, what every price stands on.",
        gives=CompanyBookShown,
        tag="clients",
    )
    def get(self, request: Any) -> HttpResponse:
        return self.answer(_book_row(books.ensure_book(company_of(self))))

    @operation(
        Need.PLAN, "Save a new version: all the figures sent or none.", takes=CompanyBookGiven,
        gives=CompanyBookShown, edits=True, tag="clients",
    )  # fmt: skip
    def patch(self, request: Any) -> HttpResponse:
        company = company_of(self)
        current = books.ensure_book(company)
        CompanyBook.objects.select_for_update().get(pk=current.pk)
        self.must_match(_book_row(books.ensure_book(company)))
        known = {(row.item, row.subject) for row in current.prices.all()}
        written, errors = {}, []
        for index, line in enumerate(self.given["prices"]):
            key = (line["item"], line.get("subject", ""))
            if key not in known:
                words = f"There is no figure {key[0]} {key[1]} in the book.".replace("  ", " ")
                errors.append({"pointer": f"/prices/{index}/subject", "detail": words})
            written[key] = str(line["amount"])
        if errors:
            raise Problem("refused", errors=errors)
        return self.answer(_book_row(books.save_book(company, written, self.given.get("source", ""))))


urlpatterns = [
    path("clients", ClientsView.as_view(), name="clients"),
    path("clients/places", PlacesView.as_view(), name="clients_places"),
    path("company-cost-book", CompanyBookView.as_view(), name="company_book"),
]
