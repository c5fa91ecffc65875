"""What axe finds on a page against WCAG 2.2 A and AA, in light and in dark. Put into each page once."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import axe_playwright_python

SCRIPT = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
LEVELS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
ALL = {"runOnly": {"type": "tag", "values": LEVELS}, "resultTypes": ["violations"]}
# What colours alone decide: all that can differ between light and dark.
COLOURS = {
    "runOnly": {"type": "rule", "values": ["color-contrast", "link-in-text-block"]},
    "resultTypes": ["violations"],
}


def problems(page: Any, rules: dict[str, Any] = ALL) -> list[str]:
    if not page.evaluate("Boolean(window.axe)"):
        page.evaluate(SCRIPT)
    found = page.evaluate("rules => axe.run(rules).then(found => found.violations)", rules)
    return [
        f"{page.url}: {rule['id']}: {rule['help']}: {node['html'][:160]}"
        for rule in found
        for node in rule["nodes"][:4]
    ]


def in_both_colours(page: Any) -> list[str]:
    """All rules in light; those of colours again in dark, without loading the page anew."""
    page.emulate_media(color_scheme="light")
    found = problems(page)
    page.emulate_media(color_scheme="dark")
    return found + [f"dark: {line}" for line in problems(page, COLOURS)]


def too_wide(page: Any, widths: tuple[int, ...] = (390, 820, 1280)) -> list[str]:
    """By how much the page is wider than its window, at each width where it is."""
    found = []
    for width in widths:
        page.set_viewport_size({"width": width, "height": 900})
        over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        if over > 0:
            found.append(f"{page.url}: {over} px wider than a window of {width} px")
    return found
