"""The cost book: prices and rates, changed all together, out as a file and in again."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.http import Http404, HttpResponse
from django.urls import path
from rest_framework import serializers

from api.door import ApiView
from api.operations import operation
from api.planning_shapes import CostBookGiven, CostBookShown, CostItemShown, CostLineShown
from api.problems import Problem
from api.rows import Row
from api.shapes import Given, names_of
from api.usual import CSV, XLSX, as_file
from fleet.estate.access import Need
from fleet.planning import cost_book_files, services
from fleet.planning.cost_items import ItemEntry
from fleet.planning.models import CostBook


def _book_row(book: CostBook) -> Row:
    names = [name for name in names_of(CostBookShown) if name not in ("lines", "items")]
    lines, items = names_of(CostLineShown), names_of(CostItemShown)
    return {
        **{name: getattr(book, name) for name in names},
        "lines": [{name: getattr(line, name) for name in lines} for line in book.price_lines()],
        "items": [{name: getattr(item, name) for name in items} for item in book.other_prices()],
    }


class CostBookView(ApiView):
    @operation(Need.READ, "The prices in force.", gives=CostBookShown, tag="prices")
    def get(self, request: Any) -> HttpResponse:
        return self.answer(_book_row(services.cost_book_shown(self.caller.organisation)))

    @operation(
        Need.PLAN, "Change or add prices and rates: all of them or none. A version of an earlier day is kept.",
        takes=CostBookGiven, gives=CostBookShown, edits=True, tag="prices",
    )  # fmt: skip
    def patch(self, request: Any) -> HttpResponse:
        organisation = self.caller.organisation
        CostBook.objects.select_for_update().filter(pk=services.cost_book_shown(organisation).pk).first()
        shown = services.cost_book_shown(organisation)
        self.must_match(_book_row(shown))
        book = services.ensure_cost_book(organisation)
        given = self.given
        rates = ("growth_mean", "growth_sd", "discount_rate")
        services.save_prices(
            organisation,
            [_entry(book, line) for line in given.get("lines", [])],
            {name: given[name] for name in rates if name in given},
            given.get("reason", ""),
            [ItemEntry(**item) for item in given.get("items", [])],
        )
        return self.answer(_book_row(services.cost_book_shown(organisation)))


def _entry(book: CostBook, line: dict[str, Any]) -> services.CostEntry:
    """A line as the verb takes it: what was not sent of an existing line stays as it is.

    Without an id (a book not yet opened has none) kind and size say which line is meant.
    """
    number = line.get("id")
    place = {"kind": line["kind"], "capacity_from_gal": line.get("capacity_from_gal", 0)}
    known = book.lines.filter(**place if number is None else {"pk": number}).first()
    kept = {}
    if known is not None:
        kept = {
            name: getattr(known, name)
            for name in ("capacity_from_gal", "capacity_to_gal", "quoted_by", "quoted_on")
        }
    values = kept | {name: value for name, value in line.items() if name != "id"}
    return services.CostEntry(line_id=known.pk if known and number is None else number, **values)


class CostBookFileView(ApiView):
    @operation(
        Need.READ, "The prices in force as csv or xlsx.", file="application/octet-stream", tag="prices"
    )
    def get(self, request: Any, file_format: str) -> HttpResponse:
        if file_format not in ("csv", "xlsx"):
            raise Http404
        book = services.cost_book_shown(self.caller.organisation)
        name = f"cost-book-{book.valid_from}.{file_format}"
        if file_format == "xlsx":
            return as_file(cost_book_files.workbook(book), name, XLSX)
        return as_file(cost_book_files.csv_text(cost_book_files.book_rows(book)), name, CSV)


class PricesGiven(Given):
    file = serializers.FileField(help_text="CSV, XLSX or ODS in the columns that the file of prices has")
    take_good = serializers.BooleanField(
        default=False, help_text="Leave refused rows out; else one refuses all"
    )


class RefusedPrice(serializers.Serializer):
    sheet = serializers.CharField()
    row = serializers.IntegerField()
    why = serializers.CharField()


class PricesTaken(serializers.Serializer):
    lines = serializers.IntegerField()
    items = serializers.IntegerField()
    rates = serializers.IntegerField()
    refused = RefusedPrice(many=True)


class CostBookImportView(ApiView):
    @operation(
        Need.PLAN, "Take prices from a file into today's version.", takes=PricesGiven, gives=PricesTaken, form=True,
        tag="prices",
    )  # fmt: skip
    def post(self, request: Any) -> HttpResponse:
        sent = self.given["file"]
        if (sent.size or 0) > settings.IMPORT_MAX_BYTES:
            raise Problem("too-large", f"Send at most {settings.IMPORT_MAX_BYTES // 2**20} MB.")
        taken = cost_book_files.import_prices(
            self.caller.organisation, sent.read(), sent.name or "", self.given.get("take_good", False)
        )
        refused = [{"sheet": one.sheet, "row": one.row, "why": one.why} for one in taken.refused]
        return self.answer(
            {"lines": taken.lines, "items": taken.items, "rates": taken.rates, "refused": refused}
        )


urlpatterns = [
    path("cost-book", CostBookView.as_view(), name="cost_book"),
    path("cost-book/prices.<str:file_format>", CostBookFileView.as_view(), name="cost_book_file"),
    path("cost-book/import", CostBookImportView.as_view(), name="cost_book_import"),
]
