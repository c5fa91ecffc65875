"""What people type into the forms of this room, read into values; each refusal names the field and what is right."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from decimal import Decimal, InvalidOperation
from typing import Any
from zoneinfo import ZoneInfo

from fleet.care.kinds import task_kinds
from fleet.contracts.models import Offer
from fleet.contracts.offers import Terms
from fleet.contracts.pricing import Wishes, usual_care


class NotUnderstood(ValueError):
    """A field that cannot be read."""


def number(given: Mapping[str, Any], name: str, label: str, default: float | None = None) -> float:
    text = str(given.get(name, "")).strip().replace("%", "").replace("$", "").replace(" ", "")
    if not text:
        if default is None:
            raise NotUnderstood(f"{label}: nothing entered.")
        return default
    text = text.replace(",", "") if "." in text or len(text.split(",")[-1]) == 3 else text.replace(",", ".")
    try:
        value = float(text)
    except ValueError:
        raise NotUnderstood(f"{label}: {given.get(name)!r} is not a number.") from None
    if value != value or abs(value) > 1e9:
        raise NotUnderstood(f"{label}: {given.get(name)!r} cannot be.")
    return value


def money(given: Mapping[str, Any], name: str, label: str) -> Decimal | None:
    if not str(given.get(name, "")).strip():
        return None
    try:
        return Decimal(repr(number(given, name, label))).quantize(Decimal("0.01"))
    except InvalidOperation:
        raise NotUnderstood(f"{label}: {given.get(name)!r} cannot be.") from None


def day(given: Mapping[str, Any], name: str, label: str, default: date | None = None) -> date:
    text = str(given.get(name, "")).strip()
    if not text and default is not None:
        return default
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise NotUnderstood(f"{label}: {text!r} is not a day. Right would be 2026-11-25.") from None


def moment(given: Mapping[str, Any], name: str, label: str, zone: str) -> datetime:
    text = str(given.get(name, "")).strip()
    try:
        return datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone))
    except ValueError:
        raise NotUnderstood(f"{label}: {text!r} is not a time. Right would be 2026-11-25T14:30.") from None


def wishes(given: Mapping[str, Any], chosen_care: list[str], asked: bool, experience: float = 1.0) -> Wishes:
    """`asked`: the form was sent; else the usual wishes."""
    if not asked:
        return Wishes(care=usual_care(), experience=experience)
    care = {}
    for code in chosen_care:
        kind = task_kinds().get(code)
        if kind is None:
            raise NotUnderstood(f"{code!r} is not a task of the list.")
        months = number(given, f"months_{code}", f"Months between, {kind.name}", kind.interval_months)
        care[code] = int(months)
    limit = str(given.get("limit_a_year", "")).strip()
    return Wishes(
        level=str(given.get("level", Offer.Level.REPAIRS)),
        response=str(given.get("response", Offer.Response.ANY_DAY)),
        years=int(number(given, "years", "Years", 3)),
        price_growth=number(given, "price_growth", "Growth of the price, %", 3.0) / 100,
        limit_a_year=number(given, "limit_a_year", "Yearly limit of replacements") if limit else None,
        margin=number(given, "margin", "Margin, %", 20.0) / 100,
        loss_chance=number(given, "loss_chance", "Chance of loss, %", 10.0) / 100,
        care=care,
        experience=experience,
    )


def terms(given: Mapping[str, Any], starts: date, valid: date) -> Terms:
    return Terms(
        starts_on=day(given, "starts_on", "Start", starts),
        valid_until=day(given, "valid_until", "To be accepted by", valid),
        price=money(given, "price", "Price"),
        below_cost_reason=str(given.get("below_cost_reason", "")),
        exclusions=str(given.get("exclusions", "")),
    )
