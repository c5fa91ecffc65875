"""`{% url %}`, with each pattern looked up once a process: a page of many rows spends a tenth of its time on that."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from django import template
from django.urls import get_script_prefix, reverse

register = template.Library()


@register.simple_tag
def url(name: str, *arguments: Any, **named: Any) -> str:
    if named or not all(type(one) is int for one in arguments):
        return reverse(name, args=arguments, kwargs=named)
    return _pattern(str(name), len(arguments), get_script_prefix()) % arguments


@lru_cache(maxsize=4096)
def _pattern(name: str, numbers: int, _: str) -> str:
    """The address with a place for each number. The numbers that it is found with occur in no address by chance."""
    stand_in = [718_281_828 + 11 * at for at in range(numbers)]
    pattern = reverse(name, args=stand_in).replace("%", "%%")
    for number in stand_in:
        before, there, after = pattern.partition(str(number))
        assert there and str(number) not in after
        pattern = f"{before}%d{after}"
    return pattern
