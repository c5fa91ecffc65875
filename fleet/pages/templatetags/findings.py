"""The titles of pictures, for templates: `{% finding_of "years" years currency as title %}`."""

from __future__ import annotations

from typing import Any

from django import template

from fleet.pages import findings

register = template.Library()
TITLES: dict[str, Any] = {
    "years": findings.of_years,
    "ages": findings.of_ages,
    "queue": findings.of_queue,
    "outlook": findings.of_outlook,
    "survival": findings.of_survival,
    "place": findings.of_place,
    "life": findings.of_life,
    "failures": findings.of_failures,
    "run": findings.of_run,
    "so far": findings.of_so_far,
    "two ways": findings.of_two_ways,
    "ways": findings.of_ways,
    "cap": findings.of_cap,
    "quote": findings.of_quote,
    "contract": findings.of_contract,
}


@register.simple_tag
def finding_of(picture: str, *rows: Any) -> str:
    return str(TITLES[picture](*rows))
