"""The cost book out as CSV or XLSX, and in again."""

from __future__ import annotations

from typing import cast

from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods

from fleet.estate.access import MemberRequest, Need, page
from fleet.heaters.workbook_bounds import UnreadableFile
from fleet.pages.words import how_many
from fleet.planning import cost_book_files, services

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


@page(Need.READ)
@require_GET
def cost_book_file(request: HttpRequest, file_format: str) -> HttpResponse:
    book = services.cost_book_shown(cast(MemberRequest, request).organisation)
    if file_format == "csv":
        text = cost_book_files.csv_text(cost_book_files.book_rows(book))
        response = HttpResponse(text, content_type="text/csv; charset=utf-8")
    elif file_format == "xlsx":
        response = HttpResponse(cost_book_files.workbook(book), content_type=XLSX)
    else:
        raise Http404
    response["Content-Disposition"] = f'attachment; filename="cost-book-{book.valid_from}.{file_format}"'
    return response


@page(Need.PLAN)
@require_http_methods(["GET", "POST"])
def import_cost_book(request: HttpRequest) -> HttpResponse:
    """Take a file whole, take its good rows, or hand its refused rows back."""
    organisation = cast(MemberRequest, request).organisation
    context: dict[str, object] = {"headings": cost_book_files.HEADINGS, "status": 200}
    if request.method == "POST":
        file = request.FILES.get("file")
        what = request.POST.get("what", "all")
        if file is None or file.size is None or file.size > settings.IMPORT_MAX_BYTES:
            context |= {"problems": ["Choose a CSV, XLSX or ODS file of a usual size."], "status": 422}
            return render(request, "planning/cost_book_import.html", context, status=422)
        content, name = file.read(), str(file.name)
        try:
            if what == "refused":
                return _refused_rows(content, name)
            taken = cost_book_files.import_prices(organisation, content, name, take_good=what == "good")
        except cost_book_files.FileRefused as refusal:
            context |= {"refused": refusal.refused, "status": 422}
        except services.CostBookRefused as refusal:
            context |= {"problems": refusal.problems, "status": 422}
        except UnreadableFile as problem:
            context |= {"problems": [str(problem)], "status": 422}
        else:
            left = f" Left out: {how_many(len(taken.refused), 'row')}." if taken.refused else ""
            messages.success(request, f"Read from {name}: {how_many(taken.count, 'price')}.{left}")
            return redirect("planning:cost_book")
    return render(request, "planning/cost_book_import.html", context, status=cast(int, context["status"]))


def _refused_rows(content: bytes, name: str) -> HttpResponse:
    found = cost_book_files.read_prices(content, name)
    response = HttpResponse(
        cost_book_files.refused_csv(found.refused), content_type="text/csv; charset=utf-8"
    )
    response["Content-Disposition"] = 'attachment; filename="cost-book-refused.csv"'
    return response
