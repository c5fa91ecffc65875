"""One way of using a page: by mouse, by the keyboard alone, or with a finger on a phone."""

from __future__ import annotations

import re
from typing import Any


class Hand:
    """One way of using a page: everything goes through `press` and `write`, found by the names that people read."""

    def __init__(self, page: Any, way: str) -> None:
        self.page, self.way = page, way

    def press(self, role: str, name: str | re.Pattern[str]) -> None:
        self._use(self.page.get_by_role(role, name=name).first, "Enter")

    def tick(self, name: str) -> None:
        self._use(self.page.get_by_label(name, exact=True).first, "Space")

    def write(self, name: str, words: str) -> None:
        field = self.page.get_by_label(name).first
        self._use(field, "Control+A")
        field.press("Control+A")
        self.page.keyboard.type(words)

    def choose(self, name: str, words: str) -> None:
        """In a list: by typing its first letters, as keyboards do."""
        field = self.page.get_by_label(name, exact=True).first
        field.wait_for()
        if self.way == "keyboard":
            self._tab_to(field, "")
            self.page.keyboard.type(words)
        else:
            field.select_option(label=words)

    def open(self, words: str) -> None:
        """What is folded."""
        self._use(self.page.locator("summary", has_text=words).first, "Enter")

    def _use(self, found: Any, key: str) -> None:
        found.wait_for()  # on the page that the last step leads to
        if self.way == "mouse":
            found.click()
        elif self.way == "phone":
            found.tap()
        else:
            self._tab_to(found, key)

    def _tab_to(self, found: Any, key: str) -> None:
        """By Tab alone, past the head by its own first link; within a group of choices by the arrows, as keyboards do."""
        self.page.keyboard.press("Tab")
        if self.page.evaluate("document.activeElement.className") == "skip":
            at = found.evaluate("one => Boolean(one.closest('main'))")
            self.page.keyboard.press("Enter" if at else "Tab")
        for _ in range(200):
            if found.evaluate("one => one === document.activeElement"):
                if key:
                    self.page.keyboard.press(key)
                return
            if found.evaluate("one => one.type === 'radio' && one.name === document.activeElement.name"):
                self.page.keyboard.press("ArrowDown")
            else:
                self.page.keyboard.press("Tab")
        raise AssertionError(f"{found} cannot be reached by keyboard on {self.page.url}")
