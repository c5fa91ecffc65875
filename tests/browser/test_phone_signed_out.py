"""What stays on a crew's phone: while she is signed in the day alone, without secrets; after that what was not sent."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from fleet.care.models import SentEntry
from tests.browser.conftest import PHONE
from tests.browser.test_phone import crew, open_task, record_flush, rows  # noqa: F401 (a fixture)
from tests.conftest import Cast

pytestmark = pytest.mark.browser


@pytest.mark.django_db(transaction=True)
def test_signing_out_leaves_on_the_phone_only_what_was_not_sent(
    crew: Cast,  # noqa: F811
    live_server: Any,
    signed_in: Callable[..., Any],
) -> None:
    page = signed_in(crew.technician)
    page.set_viewport_size(PHONE)
    phone = f"{live_server.url}/work/phone/"
    page.goto(phone)
    page.get_by_text("It works without a signal.").wait_for()
    open_task(page, "Y-1", "Flush sediment")
    record_flush(page)
    while not page.evaluate("phoneStore.all('sent')"):
        page.wait_for_timeout(20)  # the server's answer reaches the disk
    page.context.route("**/work/phone/sync/", lambda route: route.abort())
    open_task(page, "Y-2", "Flush sediment")
    record_flush(page, "7")
    page.get_by_text("1 entry on this phone, not sent yet").wait_for()
    page.evaluate("caches.open('almanac-pictures').then((kept) => kept.put('/x', new Response('x')))")
    everything = page.evaluate("phoneStore.get('meta', 'day').then(JSON.stringify)")
    assert "Alder Court" in everything
    assert "csrf" not in everything and "@" not in everything

    page.goto(live_server.url)
    page.get_by_role("button", name="Sign out").click()
    page.locator("html[data-forgotten=yes]").wait_for()
    assert page.evaluate("phoneStore.get('meta', 'day')") is None
    assert page.evaluate("phoneStore.all('sent')") == []
    assert len(page.evaluate("phoneStore.all('queue')")) == 1
    assert "almanac-pictures" not in page.evaluate("caches.keys()")

    page.goto(phone)
    page.get_by_text("Sign in again to send.").wait_for()
    page.get_by_text("1 entry on this phone, not sent yet").wait_for()
    assert "Alder Court" not in page.content()
    assert len(rows(SentEntry)) == 1
    page.context.unroute("**/work/phone/sync/")
    signed_in(crew.technician)
    page.goto(phone)
    page.get_by_text("Everything is sent").wait_for()
    assert len(rows(SentEntry)) == 2


@pytest.mark.django_db(transaction=True)
def test_a_browser_that_never_was_a_phone_gets_no_store(browser_page: Any, live_server: Any) -> None:
    browser_page.goto(f"{live_server.url}/sign-in/")
    browser_page.locator("html[data-forgotten=yes]").wait_for()
    assert browser_page.evaluate("indexedDB.databases()") == []
