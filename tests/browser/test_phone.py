"""A whole visit with the network off, the browser killed in the middle and opened again, then on again: the server
holds each finding once. Axe and the keyboard on the phone's screens."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.test import Client

from fleet.care import labels, services, visits
from fleet.care.models import Finding, SentEntry, Task, TaskPhoto, UnsafeFinding, Visit
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.heaters.models import Heater, ServiceRecord
from tests.browser.conftest import CHROMIUM, PHONE, QUIET, accessibility_problems, sideways_overflow
from tests.conftest import Cast, make_heater

pytestmark = pytest.mark.browser
SHOTS = os.environ.get("CARE_SHOTS", "")
TODAY = date(2026, 6, 1)


def shot(page: Any, name: str) -> None:
    if SHOTS:
        page.screenshot(path=f"{SHOTS}/phone-{name}.png", full_page=True)


def rows(model: Any, **only: Any) -> list[Any]:
    with unscoped("reading what the server holds"):
        return list(model.objects.filter(**only))


class Phone:
    """A browser of its own with a folder of its own, so that it can be killed and opened again."""

    def __init__(self, driver: Any, folder: Path, cookie: dict[str, str]) -> None:
        self.driver, self.folder, self.cookie = driver, folder, cookie

    def open(self) -> Any:
        port_file = self.folder / "DevToolsActivePort"
        port_file.unlink(missing_ok=True)
        assert CHROMIUM is not None
        self.process = subprocess.Popen(
            [CHROMIUM, *QUIET, "--headless=new", "--remote-debugging-port=0", f"--user-data-dir={self.folder}",
             "--window-size=390,844", "about:blank"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
        for _ in range(200):
            if port_file.exists() and port_file.read_text().count("\n"):
                break
            time.sleep(0.05)
        port = port_file.read_text().split("\n")[0]
        self.browser = self.driver.chromium.connect_over_cdp(f"http://127.0.0.1:{port}")
        self.context = self.browser.contexts[0]
        self.context.add_cookies([self.cookie])
        page = self.context.new_page()
        page.set_default_timeout(15_000)
        page.set_viewport_size(PHONE)
        return page

    def kill(self) -> None:
        """As when the battery dies: nothing is closed, nothing is asked."""
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()


@pytest.fixture
def crew(cast: Cast) -> Cast:
    cast.house.calendar_stands_at = TODAY
    cast.house.save()
    with scoped(scope_of_organisation(cast.house)):
        made = date(2024, 1, 10)
        heaters = [
            make_heater(cast.house, tag=tag, installed_earliest=made, installed_latest=made)
            for tag in ("Y-1", "Y-2")
        ]
        services.roll_forward(cast.house)
        labels.label_heaters(heaters)
        visits.visit_on(cast.building, TODAY, horizon_days=400)
    return cast


@pytest.fixture
def phone(crew: Cast, live_server: Any, driver: Any, tmp_path: Path) -> Iterator[Phone]:
    client = Client()
    client.force_login(crew.technician)
    name = settings.SESSION_COOKIE_NAME
    cookie = {"name": name, "value": client.cookies[name].value, "url": live_server.url}
    one = Phone(driver, tmp_path / "profile", cookie)
    yield one
    one.kill()


def open_task(page: Any, tag: str, name: str) -> None:
    page.evaluate("location.hash = '#/'")
    page.get_by_role("link", name="Alder Court, A").click()
    page.get_by_role("link", name=tag, exact=True).click()
    page.get_by_role("link", name=name).click()
    page.get_by_role("heading", name="Before you start").wait_for()


def record_flush(page: Any, litres: str = "12") -> None:
    page.get_by_label("Water drained, gal").fill(litres)
    for choice in ("cloudy", "closes tight", "dry"):
        page.get_by_label(choice, exact=True).check()
    page.get_by_role("button", name="Record as done").click()


@pytest.mark.django_db(transaction=True)
def test_a_visit_without_a_signal_and_a_dead_battery(
    crew: Cast, live_server: Any, phone: Phone, tmp_path: Path
) -> None:
    address = f"{live_server.url}/work/phone/"
    page = phone.open()
    page.goto(address)
    page.get_by_text("It works without a signal.").wait_for()

    phone.context.set_offline(True)
    page.reload()
    page.get_by_role("heading", name="Work for 1 Jun 2026").wait_for()
    page.get_by_role("link", name="Alder Court, A").click()
    page.get_by_role("button", name="Begin this visit").click()
    page.get_by_text("1 entry on this phone, not sent yet").wait_for()
    open_task(page, "Y-1", "Flush sediment")
    picture = tmp_path / "photo.png"
    draw_picture(picture)
    page.get_by_label("Photo (may stay empty)").set_input_files(str(picture))
    page.get_by_text("1 photo chosen").wait_for()
    record_flush(page, "400")
    page.get_by_text("Usual is 2 to 120 gal").first.wait_for()
    page.get_by_label("I looked again").check()
    page.get_by_role("button", name="Record as done").click()
    page.get_by_text("Done, not sent yet.").wait_for()
    open_task(page, "Y-2", "Flush sediment")
    page.get_by_label("Water drained, gal").fill("7")  # half filled in when the battery dies
    page.get_by_label("Note (may stay empty)").fill("drain valve stiff")
    while not any("note" in row["values"] for row in page.evaluate("phoneStore.all('drafts')")):
        page.wait_for_timeout(20)  # the half-filled form reaches the disk
    assert rows(Finding) == []
    phone.kill()

    page = phone.open()
    phone.context.set_offline(True)
    page.goto(address)
    page.get_by_text("3 entries on this phone, not sent yet").wait_for()
    open_task(page, "Y-2", "Flush sediment")
    assert page.get_by_label("Note (may stay empty)").input_value() == "drain valve stiff"
    record_flush(page, "7")
    page.get_by_text("Done, not sent yet.").wait_for()
    page.get_by_role("link", name="Today", exact=True).click()
    page.get_by_text("4 entries on this phone, not sent yet").wait_for()
    shot(page, "waiting")
    assert rows(SentEntry) == []

    phone.context.set_offline(False)
    page.evaluate("window.dispatchEvent(new Event('online'))")
    page.get_by_text("Everything is sent").wait_for()
    drained = sorted(row.number for row in rows(Finding, name="drained_gal"))
    assert drained == [7, 400]
    assert len(rows(ServiceRecord, kind="flush")) == 2
    assert [row.task.heater.tag for row in rows(TaskPhoto)] == ["Y-1"]
    assert rows(Visit)[0].started_at is not None
    assert len(rows(SentEntry)) == 4
    page.reload()
    page.get_by_text("Everything is sent").wait_for()
    assert len(rows(Finding, name="drained_gal")) == 2
    assert len(rows(SentEntry)) == 4


@pytest.mark.django_db(transaction=True)
def test_an_answer_lost_on_the_way_is_sent_again_and_counts_once(
    crew: Cast, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    page = signed_in(crew.technician)
    page.set_viewport_size(PHONE)
    page.goto(f"{live_server.url}/work/phone/")
    page.get_by_text("Everything is sent").wait_for()
    lost = []

    def swallow(route: Any) -> None:
        """The server gets it; its answer is lost."""
        route.fetch()
        lost.append(1)
        route.abort()

    page.context.route("**/work/phone/sync/", swallow)
    open_task(page, "Y-1", "Flush sediment")
    record_flush(page)
    page.get_by_text("No signal.").wait_for()
    assert len(lost) >= 1 and len(rows(SentEntry)) == 1
    page.context.unroute("**/work/phone/sync/")
    page.get_by_role("link", name="not sent yet").click()
    page.get_by_role("button", name="Send now").click()
    page.get_by_text("Everything is sent").wait_for()
    assert len(rows(SentEntry)) == 1 and len(rows(Finding, name="drained_gal")) == 1


@pytest.mark.django_db(transaction=True)
def test_something_unsafe_without_a_signal_says_that_nobody_has_heard(
    crew: Cast, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    page = signed_in(crew.technician)
    page.set_viewport_size(PHONE)
    page.emulate_media(color_scheme="dark")
    page.goto(f"{live_server.url}/work/phone/")
    page.get_by_text("It works without a signal.").wait_for()
    page.context.set_offline(True)
    open_task(page, "Y-1", "Try the relief valve")
    page.get_by_label("not at all").check()
    page.get_by_role("button", name="Record as done").click()
    page.get_by_role("heading", name="Unsafe: out of service").wait_for()
    page.get_by_text("Nobody has heard of it yet").wait_for()
    shot(page, "unsafe")
    assert accessibility_problems(page) == []
    page.context.set_offline(False)
    page.evaluate("window.dispatchEvent(new Event('online'))")
    page.get_by_text("Everything is sent").wait_for()
    page.get_by_text("It is sent and the alert is raised.").wait_for()
    page.get_by_text("Nobody has heard of it yet").wait_for(state="hidden")
    assert page.get_by_label("Unsafe", exact=True).locator("ul li").count() == 1
    words = page.get_by_label("Unsafe", exact=True).inner_text()
    assert words.index("do not touch; keep out") < words.index("Only if it is safe, in this order")
    assert len(rows(UnsafeFinding)) == 1


@pytest.mark.django_db(transaction=True)
def test_every_screen_by_axe_width_and_keyboard(
    crew: Cast, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    page = signed_in(crew.technician)
    page.set_viewport_size(PHONE)
    page.goto(f"{live_server.url}/work/phone/")
    page.get_by_text("It works without a signal.").wait_for()
    with scoped(scope_of_organisation(crew.house)):
        heater = Heater.objects.get(tag="Y-1")
        task = Task.objects.get(heater=heater, kind="flush")
        visit = Visit.objects.get()
        code = heater.label.code
    for name, where in (
        ("day", ""),
        ("visit", f"v/{visit.pk}"),
        ("heater", f"h/{heater.pk}"),
        ("task", f"t/{task.pk}"),
        ("sent", "sent"),
        ("gone", "h/999999"),
    ):
        page.evaluate(f"location.hash = '#/{where}'")
        page.locator("h1:focus").wait_for()
        shot(page, name)
        assert accessibility_problems(page) == [], name
        assert sideways_overflow(page) == 0, name
    page.evaluate("location.hash = '#/'")
    page.locator("h1:focus").wait_for()
    tab_to(page, "Alder Court, A")
    page.keyboard.press("Enter")
    page.locator("h1:focus").wait_for()
    tab_to(page, "Begin this visit")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="End this visit").wait_for()
    page.evaluate("location.hash = '#/'")
    page.locator("h1:focus").wait_for()
    tab_to(page, "Next heater")
    page.keyboard.type(code.lower().replace("-", ""))
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Y-1").wait_for()
    tab_to(page, "Flush sediment")
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Before you start").wait_for()
    tab_to(page, "Water drained, gal")
    page.keyboard.type("12")
    for choice in ("cloudy", "closes tight", "dry"):
        choose(page, choice)
    tab_to(page, "Record as done")
    page.keyboard.press("Enter")
    for _ in range(500):
        if sum(bool(one.get("said")) for one in page.evaluate("phoneStore.all('sent')")) == 2:
            break
        page.wait_for_timeout(20)
    page.get_by_text("Everything is sent").wait_for()
    assert len(rows(ServiceRecord, kind="flush")) == 1
    assert rows(Visit)[0].started_at is not None


SAID = """(() => { const one = document.activeElement;
  return [one.labels && one.labels.length ? one.labels[0].textContent : "", one.textContent].join(" "); })()"""


def tab_to(page: Any, words: str, most: int = 60) -> None:
    """Only the Tab key, as somebody without a mouse; where it stands must be seen."""
    for _ in range(most):
        page.keyboard.press("Tab")
        if words in page.evaluate(SAID):
            assert page.evaluate("document.activeElement.matches(':focus-visible')")
            assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") != "none"
            return
    raise AssertionError(f"The Tab key never came to {words!r}.")


def choose(page: Any, words: str) -> None:
    """Tab into the group of choices that holds these words, then the arrow keys."""
    group = page.get_by_label(words, exact=True).first.get_attribute("name")
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.name") == group:
            break
    page.keyboard.press("Space")
    for _ in range(12):
        if page.evaluate(SAID).strip() == words:
            return
        page.keyboard.press("ArrowDown")
    raise AssertionError(f"The arrow keys never came to {words!r}.")


def draw_picture(place: Path) -> None:
    from PIL import Image

    Image.new("RGB", (2400, 1800), "brown").save(place)
