"""The cost book's page: every price with its ground, editable by those who plan."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any, cast

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from fleet.estate.access import GRANTS, MemberRequest, Need, page
from fleet.estate.calendar import today_of
from fleet.estate.models import Organisation
from fleet.estate.row_numbers import row_number
from fleet.heaters import values
from fleet.heaters.dates import UnreadableValue
from fleet.heaters.models import Kind
from fleet.pages import typed_numbers
from fleet.pages.reading import in_my_units, measured, scale
from fleet.pages.typed_numbers import amount_of
from fleet.planning import services
from fleet.planning.cost_item_forms import item_entries, items_shown, read_day, shares_read_as
from fleet.planning.models import CostBook, CostLine

Status = CostLine.Status


@page(Need.READ)
@require_http_methods(["GET", "POST"])
def cost_book(request: HttpRequest) -> HttpResponse:
    member = cast(MemberRequest, request)
    may_edit = Need.PLAN in GRANTS[member.membership.role]
    problems: list[str] = []
    if request.method == "POST":
        if not may_edit:
            return render(request, "pages/error.html", {"status": 403}, status=403)
        read_as = _percents_read_as(services.cost_book_shown(member.organisation), request)
        problems = _save(member.organisation, request)
        if not problems:
            for words in read_as:
                messages.warning(request, words)
            messages.success(request, "The prices are saved. Run the forecast again to plan with them.")
            return redirect("planning:cost_book")
    latest = services.cost_book_shown(member.organisation)
    book = _version_asked(request, latest)
    may_edit = may_edit and book == latest
    lines = book.price_lines()
    if problems:
        _show_typed(lines, request)
    context = {
        "book": book,
        "latest": latest,
        "versions": CostBook.objects.all()[:24],
        "lines": lines,
        "items": items_shown(book, request.POST if problems else None),
        "kinds": Kind.choices,
        "statuses": Status.choices,
        "problems": problems,
        "may_edit": may_edit,
        "size_unit": measured(0, "gal")[1],
        "percent_is_percent": typed_numbers.PERCENT_IS_PERCENT,
        "growth": _growth_shown(book, request if problems else None),
        "today": today_of(member.organisation),
    }
    return render(request, "planning/cost_book.html", context, status=422 if problems else 200)


def _version_asked(request: HttpRequest, latest: CostBook) -> CostBook:
    """An earlier version to read, or the one in force."""
    asked = request.GET.get("version", "")
    if not asked:
        return latest
    return cast(CostBook, get_object_or_404(CostBook.objects, pk=row_number(asked)))


def _growth_shown(book: Any, request: HttpRequest | None) -> list[tuple[str, str, str]]:
    rows = (
        ("growth_mean", "Yearly price growth, %", book.growth_mean),
        ("growth_sd", "Uncertainty of that growth (one standard deviation), %", book.growth_sd),
        ("discount_rate", "Discount rate, %", book.discount_rate),
    )
    return [
        (name, label, request.POST.get(name, "") if request else f"{value * 100:.2f}".rstrip("0").rstrip("."))
        for name, label, value in rows
    ]


def _percents_read_as(book: Any, request: HttpRequest) -> list[str]:
    now = {name: value for name, _, value in _growth_shown(book, request)}
    rates = [
        typed_numbers.read_as(label.removesuffix(", %"), now[name])
        for name, label, value in _growth_shown(book, None)
        if now[name] and not typed_numbers.same(value, now[name])
    ]
    return [words for words in rates if words] + shares_read_as(book, request.POST)


def _show_typed(lines: list[Any], request: HttpRequest) -> None:
    """What she typed stays on the page beside the problems."""
    for line in lines:
        for name in ("planned_cost", "emergency_cost", "status", "quoted_by"):
            typed = request.POST.get(f"{name}_{line.key}")
            if typed is not None:
                setattr(line, name, typed)


def _save(organisation: Organisation, request: HttpRequest) -> list[str]:
    book = services.ensure_cost_book(organisation)
    problems: list[str] = []
    entries = []
    for line in book.lines.all():
        if f"planned_cost_{line.key}" not in request.POST:
            continue
        quoted_on, bad_day = read_day(request.POST.get(f"quoted_on_{line.key}", ""), str(line))
        problems += bad_day
        entries.append(_entry_of(line, request, quoted_on))
    growth, bad_growth = _growth(request)
    items, bad_items = item_entries(book, request.POST)
    problems += bad_growth + bad_items
    if problems:
        return problems
    try:
        services.save_prices(organisation, entries, growth, items=items)
    except services.CostBookRefused as refusal:
        return refusal.problems
    return []


def _entry_of(line: CostLine, request: HttpRequest, quoted_on: date | None) -> services.CostEntry:
    """A changed price without a new status is the person's own: it stops being an illustration."""

    def typed(name: str, default: Any) -> str:
        return request.POST.get(f"{name}_{line.key}", str(default)).strip()

    status = typed("status", line.status)
    prices = {name: typed(name, getattr(line, name)) for name in ("planned_cost", "emergency_cost")}
    touched = any(_differs(prices[name], getattr(line, name)) for name in prices)
    if touched and status == Status.ILLUSTRATION:
        status = Status.ENTERED
    return services.CostEntry(
        line.pk,
        line.kind,
        prices["planned_cost"],
        prices["emergency_cost"],
        line.capacity_from_gal,
        line.capacity_to_gal,
        status,
        typed("quoted_by", line.quoted_by),
        quoted_on,
        "" if touched else line.source,
    )


def _differs(typed: str, kept: Decimal) -> bool:
    return amount_of(typed) != kept


def _growth(request: HttpRequest) -> tuple[dict[str, Decimal], list[str]]:
    found, problems = {}, []
    for name in ("growth_mean", "growth_sd", "discount_rate"):
        written = request.POST.get(name)
        if written is None:
            continue
        rate = amount_of(written.strip().rstrip("%"))
        if rate is None:
            problems.append(f"'{written}' is not a yearly rate; write for instance 3 for 3 %.")
        else:
            found[name] = rate / 100
    return found, problems


@page(Need.PLAN)
@require_POST
def add_line(request: HttpRequest) -> HttpResponse:
    organisation = cast(MemberRequest, request).organisation
    posted = request.POST
    try:
        entry = services.CostEntry(
            None,
            posted.get("kind", ""),
            posted.get("planned_cost", ""),
            posted.get("emergency_cost", ""),
            _size_gal(posted.get("capacity_from_gal", "")) or 0,
            _size_gal(posted.get("capacity_to_gal", "")),
        )
    except UnreadableValue as error:
        messages.error(request, in_my_units(f"{error}. Right would be {error.right}."))
        return redirect("planning:cost_book")
    try:
        services.save_cost_lines(organisation, [entry])
    except services.CostBookRefused as refusal:
        for problem in refusal.problems:
            messages.error(request, in_my_units(problem))
    else:
        messages.success(request, "The line is added.")
    return redirect("planning:cost_book")


def _size_gal(typed: str) -> float | None:
    """A size in the reader's unit or the one she wrote. What her unit cannot tell from a whole gallon is that gallon:
    she was shown 189 L for 50 gal, and means the same size by it."""
    text = typed.strip()
    if text in ("", "0"):
        return None if not text else 0.0
    there = scale("gal")
    kept = values.parse_quantity(text, values.CAPACITY, there.unit if there else "gal")
    blur = there.blur if there else 0.0
    return float(round(kept)) if kept is not None and abs(kept - round(kept)) <= blur else kept
