"""What goes in next: the rules for all, and the choices at one heater."""

from __future__ import annotations

from datetime import date
from typing import cast

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from fleet.estate.access import MemberRequest, Need, may, page
from fleet.estate.calendar import today_of
from fleet.estate.choice_fields import WhereForm, one_property
from fleet.heaters.models import Heater, Kind
from fleet.planning import next_unit
from fleet.planning import successors as _verbs
from fleet.planning.cost_book import cost_book_shown, require_whole_organisation
from fleet.planning.efficiency import efficiency_rules
from fleet.planning.models import SuccessorRule


@page(Need.READ)
@require_http_methods(["GET", "HEAD", "POST"])
def successor_rules(request: HttpRequest) -> HttpResponse:
    from django.core.exceptions import PermissionDenied

    organisation = cast(MemberRequest, request).organisation
    problem = ""
    posted = request.POST
    where = WhereForm(
        posted if request.method == "POST" else None, "property", one_property("Where", "everywhere")
    )
    if request.method == "POST":
        if not may(request, Need.PLAN):
            raise PermissionDenied
        try:
            if where.problems:
                raise _verbs.SuccessorRefused(f"Where: {where.problems['property']}")
            _verbs.save_successor_rule(
                organisation,
                posted.get("from_kind", ""),
                posted.get("to_kind", ""),
                _day(posted.get("starts_on", "")),
                where.chosen.pk if where.chosen else None,
                posted.get("why", "").strip(),
            )
        except _verbs.SuccessorRefused as refusal:
            problem = str(refusal)
        else:
            messages.success(request, "The rule is saved. Make the forecast and the plan again to use it.")
            return redirect("planning:successors")
    context = {
        "rules": SuccessorRule.objects.select_related("property"),
        "kinds": Kind.choices,
        "where": where["property"],
        "federal": efficiency_rules(),
        "kind_names": dict(Kind.choices),
        "problem": problem,
        "typed": posted,
        "may_plan": may(request, Need.PLAN),
    }
    return render(request, "planning/successors.html", context, status=422 if problem else 200)


def _day(written: str) -> date:
    try:
        return date.fromisoformat(written.strip())
    except ValueError:
        raise _verbs.SuccessorRefused(
            f"From which day: '{written}' is not a day; write it as 2029-05-06."
        ) from None


@page(Need.PLAN)
@require_POST
def remove_rule(request: HttpRequest, pk: int) -> HttpResponse:
    _verbs.remove_successor_rule(get_object_or_404(SuccessorRule.objects, pk=pk))
    messages.success(request, "The rule is removed.")
    return redirect("planning:successors")


@page(Need.READ)
@require_http_methods(["GET", "HEAD"])
def heater_successor(request: HttpRequest, pk: int) -> HttpResponse:
    organisation = cast(MemberRequest, request).organisation
    # Prices are the whole house's: who sees a part of it is told so before any heater is looked up.
    require_whole_organisation(organisation.pk)
    heater = get_object_or_404(
        Heater.objects.select_related("position__building__property"), pk=pk, ending=""
    )
    book = cost_book_shown(organisation)
    context = {
        "heater": heater,
        "book": book,
        "units": next_unit.next_units(
            heater, book, today_of(organisation, heater.position.building.property)
        ),
        "energy_note": next_unit.energy_note(heater),
    }
    return render(request, "planning/heater_successor.html", context)
