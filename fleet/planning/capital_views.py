"""The capital plan's pages: ask with a cap, see which heater goes in which year, compare, take away."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from typing import Any, cast

from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fleet.estate.access import MemberRequest, Need, may, page
from fleet.pages import charts
from fleet.planning import capital as _verbs
from fleet.planning import capital_files, capital_words, making, plan_charts, selectors
from fleet.planning.capital_rows import CapitalPlan, with_their_runs

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
FIELDS = {
    "cap": ("Cap a fiscal year", "40000", "Money for planned replacements, without emergencies."),
    "years": ("Whole fiscal years", "", "Empty: as many as the forecast has."),
    "crew": ("Heaters the crew can do a year", "", "Empty: as many as the money allows."),
    "visit_cost": (
        "Saved on each further heater of one building in one year",
        "0",
        "Money: what a shared trip spares of a planned price.",
    ),
    "must": ("Must be replaced", "", "Tags with commas between them."),
    "must_not": ("Must not be replaced", "", "Tags with commas between them."),
    "property_caps": (
        "Caps of single properties a fiscal year",
        "",
        "One line each, as: Alder Court = 12000. They bind beside the cap over all.",
    ),
    "compare_age_years": ("Compare with replacing at age, years", "12", ""),
    "opening_balance": ("Reserve fund today", "0", "Money in the fund."),
    "contribution": ("Paid into the fund a year", "", "Empty: what the limit below needs."),
    "interest": ("Interest of the fund a year, %", "2", ""),
    "other_draws": ("Other money the fund pays a year", "0", "What is not for water heaters."),
    "shortfall_limit": ("Highest chance of a shortfall, %", "10", "From 0 to 99."),
}
LONG_FIELDS = frozenset({"property_caps"})
# A plan needs the cap alone; what is seldom wished for is folded.
SECTIONS = (
    ("", ("cap",)),
    (
        "The reserve fund",
        ("opening_balance", "contribution", "interest", "other_draws", "shortfall_limit"),
    ),
)
FOLDED = ("years", "crew", "visit_cost", "must", "must_not", "property_caps", "compare_age_years")


def _amount(written: str, name: str) -> Decimal:
    try:
        return Decimal(written.replace(",", "").replace("$", "").replace(" ", "") or "0")
    except InvalidOperation:
        raise _verbs.CapitalRefused(
            f"{FIELDS[name][0]}: '{written}' is not a number; write for instance 40000 or 40,000.50."
        ) from None


def _whole(written: str, name: str) -> int | None:
    if not written:
        return None
    if not written.isdecimal() or len(written) > 6:
        raise _verbs.CapitalRefused(
            f"{FIELDS[name][0]}: '{written}' is not a whole number; write for instance 10."
        )
    return int(written)


def wishes_from(typed: dict[str, str]) -> dict[str, Any]:
    """What was typed as the verb takes it. Raises CapitalRefused naming the field and what would be right."""
    return {
        "cap": _amount(typed["cap"], "cap"),
        "horizon_years": _whole(typed["years"], "years"),
        "crew": _whole(typed["crew"], "crew"),
        "visit_cost": _amount(typed["visit_cost"], "visit_cost"),
        "must": _verbs.heaters_by_tag(typed["must"].split(",")),
        "must_not": _verbs.heaters_by_tag(typed["must_not"].split(",")),
        "opening_balance": _amount(typed["opening_balance"], "opening_balance"),
        "shortfall_limit": _amount(typed["shortfall_limit"], "shortfall_limit") / 100,
        "property_caps": _verbs.caps_by_name(typed["property_caps"].splitlines()),
        "compare_age_years": _whole(typed["compare_age_years"], "compare_age_years") or 0,
        "contribution": _amount(typed["contribution"], "contribution") if typed["contribution"] else None,
        "interest": _amount(typed["interest"], "interest") / 100,
        "other_draws": _amount(typed["other_draws"], "other_draws"),
    }


def _fields(names: tuple[str, ...], typed: dict[str, str]) -> list[tuple[Any, ...]]:
    return [(name, *FIELDS[name][::2], typed[name], name in LONG_FIELDS) for name in names]


@page(Need.READ)
@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def capital(request: HttpRequest) -> HttpResponse:
    """The form, the last plans, and a plan asked for."""
    from django.core.exceptions import PermissionDenied

    organisation = cast(MemberRequest, request).organisation
    run = selectors.latest_run(organisation.pk)
    typed = {name: request.POST.get(name, FIELDS[name][1]).strip() for name in FIELDS}
    problem = ""
    if request.method == "POST":
        if not may(request, Need.PLAN):
            raise PermissionDenied
        if run is None:
            raise Http404
        try:
            plan = _verbs.request_capital_plan(organisation, run, **wishes_from(typed))
            return redirect("planning:capital_plan", plan.pk)
        except _verbs.CapitalRefused as refusal:
            problem = str(refusal)
    context = {
        "run": run,
        "problem": problem,
        "sections": [(title, _fields(names, typed)) for title, names in SECTIONS],
        "folded": _fields(FOLDED, typed),
        "plans": with_their_runs().defer("result")[:10],
        "may_plan": may(request, Need.PLAN),
    }
    return render(request, "planning/capital.html", context, status=422 if problem else 200)


@page(Need.READ)
@require_GET
@never_cache
def capital_plan(request: HttpRequest, pk: int) -> HttpResponse:
    plan = get_object_or_404(with_their_runs().select_related("job"), pk=pk)
    context: dict[str, Any] = {
        "plan": plan,
        "currency": capital_words.currency_of(plan),
        "is_open": plan.state in making.OPEN,
    }
    if plan.state == CapitalPlan.State.DONE:
        lines = capital_words.shown_lines(plan)
        context |= {
            "planned_total": Decimal(plan.result["planned_total"]),
            "saving": capital_words.saving_words(plan),
            "years": list(capital_words.year_rows(plan)),
            "scenarios": capital_words.scenarios(plan),
            "leaf": Paginator(lines, 100).get_page(request.GET.get("page")),
            "reserve": capital_words.reserve_lines(plan),
            "reserve_years": capital_words.reserve_rows(plan),
            "properties": capital_words.property_rows(plan, lines),
            "best_ages": capital_words.best_age_lines(plan),
            "notes": capital_words.notes(plan),
            "reports": plan.reports.defer("pdf", "xlsx", "content"),
            "may_plan": may(request, Need.PLAN),
        }
    return render(request, "planning/capital_plan.html", context)


@page(Need.PLAN)
@require_POST
def cancel(request: HttpRequest, pk: int) -> HttpResponse:
    making.call_off(get_object_or_404(CapitalPlan.objects.select_related("job"), pk=pk))
    return redirect("planning:capital_plan", pk)


@page(Need.READ)
@require_GET
def download(request: HttpRequest, pk: int, file_format: str) -> HttpResponse:
    plan = _done(pk)
    if file_format == "xlsx":
        response = HttpResponse(capital_files.workbook(plan), content_type=XLSX)
    elif file_format == "csv":
        response = HttpResponse(capital_files.csv_text(plan), content_type="text/csv; charset=utf-8")
    else:
        raise Http404
    response["Content-Disposition"] = f'attachment; filename="capital-plan-{plan.run.as_of}.{file_format}"'
    return response


def _done(pk: int) -> CapitalPlan:
    return cast(CapitalPlan, get_object_or_404(with_their_runs(), pk=pk, state=CapitalPlan.State.DONE))


def _figures(plan: CapitalPlan) -> dict[str, Any]:
    return plan.result or {}


@page(Need.READ)
@require_GET
def compare(request: HttpRequest, pk: int) -> HttpResponse:
    """Two ways side by side: what the first costs more than the second, on the same draws."""
    plan = _done(pk)
    names = [row["name"] for row in _figures(plan)["scenarios"]]
    first, second = request.GET.get("first", names[0]), request.GET.get("second", names[1])
    if first not in names or second not in names:
        raise Http404
    rows = {row["name"]: row for row in capital_words.scenarios(plan)}
    context = {
        "plan": plan,
        "ways": list(rows.values()),
        "first": rows[first],
        "second": rows[second],
        "pair": capital_words.compared(plan, first, second),
        "years": zip(_figures(plan)["years"], _years(rows[first]), _years(rows[second]), strict=True),
        "currency": capital_words.currency_of(plan),
        "pair_query": f"first={first}&second={second}",
    }
    return render(request, "planning/capital_compare.html", context)


def _years(row: dict[str, Any]) -> list[Decimal]:
    return [Decimal(value) for value in row["years"]]


@page(Need.READ)
@require_GET
def picture(request: HttpRequest, pk: int, what: str) -> HttpResponse:
    plan = _done(pk)
    narrow = request.GET.get("narrow") == "1"
    currency = capital_words.currency_of(plan)
    rows = {row["name"]: row for row in capital_words.scenarios(plan)}
    if what == "ways":
        spec = plan_charts.ways_compared(list(rows.values()), currency, narrow)
    elif what == "plan":
        spec = plan_charts.planned_money(_figures(plan)["years"], currency, narrow)
    elif what == "years":
        chosen = [rows.get(request.GET.get(name, "")) for name in ("first", "second")]
        if None in chosen:
            raise Http404
        labels = [year["label"] for year in _figures(plan)["years"]]
        spec = plan_charts.two_ways(labels, cast(list[dict[str, Any]], chosen), currency, narrow)
    else:
        raise Http404
    response = HttpResponse(charts.svg(spec), content_type="image/svg+xml")
    response["X-Content-Type-Options"] = "nosniff"
    return response
