"""Template tags of the pages: the menu, links that may not exist, and numbers and dates as people read them."""

from __future__ import annotations

import re
from contextlib import suppress
from datetime import date, datetime
from typing import Any

from django import template
from django.utils.safestring import SafeString

from fleet.estate import background
from fleet.pages import navigation, reading, words

register = template.Library()


@register.simple_tag(takes_context=True)
def menu(context: Any) -> SafeString:
    request = context.get("request")
    kind = getattr(context.get("organisation"), "kind", "owner")
    return navigation.written(context.get("menu_needs", ()), request.path if request else "", kind)


@register.simple_tag
def address(name: str, *arguments: object) -> str:
    return navigation.address(name, *arguments)


@register.filter
def money(amount: Any, currency: str = "USD") -> str:
    return words.money(amount, currency)


@register.filter
def count(number: Any) -> str:
    """A whole number with its thousands apart."""
    return f"{number:,}"


@register.filter
def how_long(minutes: int) -> str:
    return words.how_long(minutes)


@register.filter
def a_wait(minutes: int) -> str:
    return words.a_wait(minutes)


@register.filter
def percent(fraction: float | None) -> str:
    return words.percent(fraction)


@register.filter
def measure(value: Any, unit: str) -> str:
    """A measured value in the reader's units: `heater.capacity_gal|measure:"gal"`."""
    return words.a_number(value, unit)


@register.filter
def in_my_units(text: Any) -> str:
    return reading.in_my_units(str(text))


@register.filter
def in_my_days(text: Any) -> str:
    return reading.in_my_days(str(text))


@register.filter
def points(change: float) -> str:
    """A change of a chance in points of a hundred, with its sign: '−3.4', '+0.2'."""
    return f"{100 * change:+.1f}".replace("-", "−")


@register.filter(expects_localtime=True)
def a_day(day: Any) -> str:
    if isinstance(day, str):
        return str(_as_read(day))
    return words.a_day(day.date() if isinstance(day, datetime) else day) if day else words.NOT_KNOWN


@register.filter(expects_localtime=True)
def a_moment(moment: Any) -> str:
    """Day and time of a moment, the day as the reader writes days."""
    return f"{words.a_day(moment.date())} {moment:%H:%M}" if moment else words.NOT_KNOWN


@register.filter
def sentence(typed: str) -> str:
    """What somebody typed, ended with a point where it has none."""
    text = str(typed).strip()
    return text if not text or text[-1] in ".!?" else f"{text}."


@register.filter
def yes_no(value: bool | None) -> str:
    return words.yes_no(value)


@register.filter
def dated(row: Any, prefix: str) -> str:
    """The imprecise date of a row: `heater|dated:"installed"`."""
    return words.a_date(
        getattr(row, f"{prefix}_earliest"),
        getattr(row, f"{prefix}_latest"),
        getattr(row, f"{prefix}_precision"),
    )


@register.simple_tag(takes_context=True)
def page_link(context: Any, number: int) -> str:
    """The address of another leaf of this list, its filters kept."""
    query = context["request"].GET.copy()
    query["page"] = str(number)
    return f"?{query.urlencode()}"


@register.filter
def before_and_after(changes: dict[str, list[Any]]) -> list[tuple[str, Any, Any]]:
    """Rows of a history entry, without what stayed. Not `changes.items`: a field of that name would stand in its way."""
    return [
        (name, _as_read(old), _as_read(new))
        for name, (old, new) in changes.items()
        if old != new or len(changes) == 1
    ]


def _as_read(value: Any) -> Any:
    """A day that was kept as text, the way this reader writes days."""
    if isinstance(value, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", value):
        with suppress(ValueError):
            return words.a_day(date.fromisoformat(value))
    return value


@register.filter
def few_names(rows: Any) -> str:
    """The first names of a list that may be long: 'Alder Court, Birch Row, Cedar Place and 1,975 more'."""
    names = [str(row) for row in rows]
    rest = f" and {len(names) - 3:,} more" if len(names) > 4 else ""
    return ", ".join(names[:3] if rest else names) + rest


@register.filter
def job_name(kind: str) -> str:
    """What a kind of background work is called on pages."""
    return background.words_of(kind)[0]


@register.filter
def job_does(kind: str) -> str:
    """What it does and for whom."""
    return background.words_of(kind)[1]


@register.filter
def spaced(name: str) -> str:
    return str(name).replace("_", " ")


@register.filter
def plain(number: float) -> str:
    """A number for a drawing: never with a comma or a thousands mark, whatever the language."""
    return f"{number:g}"


@register.filter
def reason_words(reason: Any) -> str:
    return reading.in_my_units(str(reason.get("words", "")) if isinstance(reason, dict) else str(reason))
