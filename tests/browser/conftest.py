"""A headless Chromium against the live pages, where one is installed; skipped where none is."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.conf import settings
from django.core.signals import request_finished, request_started
from django.test import Client

from fleet.estate.models import Person
from tests.browser.axe import problems as accessibility_problems
from tests.browser.chromium import CHROMIUM, DESK, PHONE, QUIET

__all__ = ["CHROMIUM", "DESK", "PHONE", "QUIET", "accessibility_problems", "sideways_overflow"]

# The browser's driver keeps an event loop in this thread, which Django would take for asynchronous code.
os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")


@pytest.fixture(scope="session")
def driver() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("no Chromium is installed")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as found:
        yield found


@pytest.fixture(scope="session")
def chromium(driver: Any) -> Iterator[Any]:
    browser = driver.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
    yield browser
    browser.close()


class Unanswered:
    """Requests that the server has begun and not ended: while there is one, the tables cannot be emptied."""

    def __init__(self) -> None:
        self.count, self.changed = 0, threading.Condition()

    def began(self, **_: Any) -> None:
        with self.changed:
            self.count += 1

    def ended(self, **_: Any) -> None:
        with self.changed:
            self.count -= 1
            self.changed.notify_all()

    def wait(self) -> None:
        with self.changed:
            self.changed.wait_for(lambda: self.count <= 0, timeout=5)


@pytest.fixture
def unanswered() -> Iterator[Unanswered]:
    requests = Unanswered()
    request_started.connect(requests.began)
    request_finished.connect(requests.ended)
    yield requests
    request_started.disconnect(requests.began)
    request_finished.disconnect(requests.ended)


@pytest.fixture
def browser_page(chromium: Any, unanswered: Unanswered) -> Iterator[Any]:
    """A page at desktop width; `browser_page.set_viewport_size(PHONE)` makes it a phone. Script errors fail the test."""
    context = chromium.new_context(viewport=DESK)
    page = context.new_page()
    page.set_default_timeout(15_000)
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on(
        "console", lambda said: wrong.append(said.text) if "Content Security Policy" in said.text else None
    )
    yield page
    context.close()
    unanswered.wait()
    assert wrong == []


@pytest.fixture
def signed_in(browser_page: Any, live_server: Any) -> Callable[[Person], Any]:
    """Gives the page a person's session without going through the form each time."""

    def enter(person: Person) -> Any:
        client = Client()
        client.force_login(person)
        cookie = client.cookies[settings.SESSION_COOKIE_NAME].value
        browser_page.context.add_cookies(
            [{"name": settings.SESSION_COOKIE_NAME, "value": cookie, "url": live_server.url}]
        )
        return browser_page

    return enter


def sideways_overflow(page: Any) -> int:
    """How many pixels the page is wider than its window: 0 when nothing has to be moved sideways to be read."""
    return int(page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))
