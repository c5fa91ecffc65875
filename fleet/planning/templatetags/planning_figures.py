"""Numbers of the plan as people read them."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import template

register = template.Library()


@register.filter
def tenths(value: Any) -> str:
    return f"{value:,.1f}"


@register.filter
def whole(value: Any) -> str:
    return f"{value:,.0f}"


@register.filter
def to_the_cent(value: Decimal) -> str:
    return f"{value:,.2f}"


@register.filter
def as_typed(value: Decimal | str) -> str:
    """An amount in its field, with its thousands apart; what was typed stays as it was typed."""
    return value if isinstance(value, str) else to_the_cent(value)


@register.filter
def last_day(years: Any) -> Any:
    return years[-1].last_day


@register.filter
def at(values: Any, place: int) -> Any:
    return values[place]


@register.filter
def more_or_less(value: Decimal, currency: str) -> str:
    """`USD 1,200.00 less` in place of a signed amount."""
    return f"{currency} {abs(value):,.2f} {'less' if value < 0 else 'more'}"


@register.filter
def more_or_fewer(value: float) -> str:
    return f"{abs(value):,.1f} {'fewer' if value < 0 else 'more'}"


@register.filter
def less_or_more(saved: Decimal, currency: str) -> str:
    return f"{currency} {abs(saved):,.2f} {'less' if saved >= 0 else 'more'}"
