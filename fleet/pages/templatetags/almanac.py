"""Template tags of the pages: the menu, links that may not exist, and numbers and dates as people read them."""

from __future__ import annotations

from typing import Any

from django import template

from fleet.pages import navigation

register = template.Library()


@register.simple_tag(takes_context=True)
def main_navigation(context: Any) -> list[navigation.Entry]:
    request = context.get("request")
    return navigation.menu(context.get("needs", ()), request.path if request else "")


@register.simple_tag
def address(name: str, *arguments: object) -> str:
    return navigation.address(name, *arguments)
