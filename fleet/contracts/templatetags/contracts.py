"""Figures of this room as people read them."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import template

from fleet.pages import words
from fleet.pages.typed_numbers import grouped

register = template.Library()


@register.filter
def times_100(fraction: float) -> str:
    """A fraction as a bare number of percent."""
    return f"{100 * float(fraction):.4g}"


@register.filter
def chance(fraction: float) -> str:
    return words.chance(float(fraction))


@register.filter
def signed_money(amount: float, currency: str = "USD") -> str:
    sign = "+" if amount > 0 else "−" if amount < 0 else ""
    return f"{sign}{words.money(abs(amount), currency)}"


@register.filter
def without_sign(number: float) -> float:
    return abs(float(number))


@register.filter
def bare(amount: Any) -> str:
    """A decimal as one would type it: 95 and 1,500, not 9.5E+1."""
    return grouped(amount) if isinstance(amount, Decimal) else str(amount)
