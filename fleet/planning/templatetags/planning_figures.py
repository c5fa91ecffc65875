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
def last_day(years: Any) -> Any:
    return years[-1].last_day
