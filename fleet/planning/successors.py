"""Which kind goes in next, by date and place: the verbs of the rules, and what they say for many heaters at once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from django.db import transaction

from fleet.estate.history import record_change
from fleet.estate.models import Organisation, Property
from fleet.heaters.models import GAS, Kind
from fleet.planning.cost_book import require_whole_organisation
from fleet.planning.models import SuccessorRule
from fleet.planning.prices import kind_words

LARGE = frozenset({Kind.COMMERCIAL_GAS_STORAGE, Kind.COMMERCIAL_ELECTRIC_STORAGE, Kind.BOILER_WITH_TANK})


class SuccessorRefused(ValueError):
    """A rule that cannot be; the message says what would be right."""


@dataclass(frozen=True)
class Rule:
    """A rule in plain values."""

    property_id: int | None
    from_kind: str
    to_kind: str
    starts_on: date


@transaction.atomic
def save_successor_rule(
    organisation: Organisation,
    from_kind: str,
    to_kind: str,
    starts_on: date,
    property_id: int | None = None,
    why: str = "",
) -> SuccessorRule:
    """Write a rule; one of the same kind, place and day is replaced. Same kind to same kind ends an earlier rule."""
    require_whole_organisation(organisation.pk)
    for kind in (from_kind, to_kind):
        if kind not in Kind.values:
            raise SuccessorRefused(f"'{kind}' is not a kind of heater; use one of: {', '.join(Kind.values)}.")
    if property_id is not None and not Property.objects.filter(pk=property_id).exists():
        raise SuccessorRefused(f"There is no property {property_id}.")
    if (from_kind in LARGE) != (to_kind in LARGE):
        raise SuccessorRefused(
            f"{kind_words(from_kind)} to {kind_words(to_kind)}: a central plant and a unit heater do not follow one "
            "another by rule; plan such a change as a project."
        )
    if not date(2000, 1, 1) <= starts_on <= date(2100, 1, 1):
        raise SuccessorRefused(f"The day {starts_on} is not possible; give one from 2000 to 2100.")
    rule, _ = SuccessorRule.objects.update_or_create(
        organisation=organisation,
        property_id=property_id,
        from_kind=from_kind,
        starts_on=starts_on,
        defaults={"to_kind": to_kind, "why": why[:300]},
    )
    record_change(rule, "saved", {"to_kind": (None, to_kind), "starts_on": (None, str(starts_on))})
    return rule  # type: ignore[no-any-return]


@transaction.atomic
def remove_successor_rule(rule: SuccessorRule) -> None:
    require_whole_organisation(rule.organisation_id)
    record_change(rule, "removed")
    rule.delete()


def rules_of(organisation_id: int) -> tuple[Rule, ...]:
    rows = SuccessorRule.objects.filter(organisation_id=organisation_id)
    return tuple(Rule(*row) for row in rows.values_list("property_id", "from_kind", "to_kind", "starts_on"))


def going_in(rules: Iterable[Rule], kind: str, property_id: int, day: date) -> str:
    """The kind that follows `kind` at a property when it is replaced on that day."""
    fitting = [
        rule
        for rule in rules
        if rule.from_kind == kind and rule.starts_on <= day and rule.property_id in (None, property_id)
    ]
    if not fitting:
        return kind
    return max(fitting, key=lambda rule: (rule.property_id is not None, rule.starts_on)).to_kind


def turning_days(rules: Sequence[Rule], as_of: date) -> list[date]:
    """`as_of` and each later day on which a rule begins."""
    return [as_of, *sorted({rule.starts_on for rule in rules if rule.starts_on > as_of})]


def conversion_work(kind: str, to_kind: str, has_240v_circuit: bool | None) -> dict[str, bool | None]:
    """Electrical and vent work that a change of kind brings: due, not due, not known."""
    if to_kind == kind:
        return {}
    electric = to_kind in (Kind.ELECTRIC_STORAGE, Kind.HEAT_PUMP, Kind.ELECTRIC_TANKLESS)
    had_circuit = True if kind in (Kind.ELECTRIC_STORAGE, Kind.HEAT_PUMP) else has_240v_circuit
    circuit = None if had_circuit is None else not had_circuit
    return {
        "new_circuit": circuit if electric else False,
        "condensate_drain": to_kind == Kind.HEAT_PUMP and kind != Kind.HEAT_PUMP,
        "new_vent": to_kind in (Kind.GAS_STORAGE_CONDENSING, Kind.GAS_TANKLESS, Kind.GAS_STORAGE_POWER_VENT),
    }


def change_cautions(kind: str, to_kind: str) -> list[str]:
    """What to mind when the kind changes. Common practice, no source where none stands."""
    words = []
    if kind in GAS and to_kind not in GAS:
        words.append(
            "The gas line is capped and tested by a licensed person; what stays on the old vent can be too small for it "
            "and may need relining."
        )
    if to_kind == Kind.ELECTRIC_TANKLESS:
        words.append(
            "Electric tankless takes several large circuits; the building's service is often too small."
        )
    if to_kind == Kind.HEAT_PUMP:
        words.append(
            "A heat pump cools and moves air and makes some noise: about 700 to 1,000 cubic feet of room air or ducts, "
            "as its label says (from memory, not verified)."
        )
    if to_kind in GAS and kind not in GAS:
        words.append("A new gas line, vent and air supply are a project with a permit of their own.")
    return words


def successor_words(organisation_id: int) -> str:
    """What goes in next, as an assumption of a plan."""
    rules = rules_of(organisation_id)
    if not rules:
        return "like for like: the same kind and size at the same price"
    names = dict(Property.objects.values_list("pk", "name"))
    parts = [
        f"{kind_words(rule.from_kind)} to {kind_words(rule.to_kind)} from {rule.starts_on}"
        + (f" at {names.get(rule.property_id, 'a property')}" if rule.property_id else "")
        for rule in sorted(rules, key=lambda rule: (rule.starts_on, rule.from_kind))
    ]
    return (
        f"by rule: {'; '.join(parts)}; else like for like. Lifetimes are those of the kind that most places of a kind "
        "get at mid-horizon, and a change of kind is priced at every renewal of the place"
    )
