"""What goes wrong in a basement: values that cannot be, tasks that the office closed, heaters that are gone, photos that
are none or far too large. Each is told plainly, and everything else is kept."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from fleet.care import services, visits
from fleet.care.models import Finding, SentEntry, Task, TaskPhoto
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.heaters.models import Heater, ServiceRecord
from tests.browser.conftest import PHONE, accessibility_problems, sideways_overflow
from tests.browser.test_phone import open_task, record_flush, rows
from tests.conftest import Cast, make_heater

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
SHOTS = os.environ.get("CARE_SHOTS", "")
TODAY = date(2026, 6, 1)
FLUSH = {"drained_gal": "20", "colour": "clear", "drain_valve": "closes tight", "tank_body": "dry"}
EIGHTY_MEGABYTES = 80 * 2**20


def shot(page: Any, name: str) -> None:
    if SHOTS:
        page.screenshot(path=f"{SHOTS}/bad-{name}.png", full_page=True)


@pytest.fixture
def crew(cast: Cast) -> Cast:
    cast.house.calendar_stands_at = TODAY
    cast.house.save()
    with scoped(scope_of_organisation(cast.house)):
        made = date(2024, 1, 10)
        for tag in ("Y-1", "Y-2"):
            make_heater(cast.house, tag=tag, installed_earliest=made, installed_latest=made)
        services.roll_forward(cast.house)
        visits.visit_on(cast.building, TODAY, horizon_days=400)
    return cast


@pytest.fixture
def page(crew: Cast, live_server: Any, signed_in: Callable[..., Any]) -> Any:
    page = signed_in(crew.technician)
    page.set_viewport_size(PHONE)
    page.goto(f"{live_server.url}/work/phone/")
    page.get_by_text("It works without a signal.").wait_for()
    page.get_by_text("Everything is sent").wait_for()
    return page


@pytest.fixture
def office(crew: Cast) -> Iterator[Callable[[str], Task]]:
    """The office at work while the phone is in the basement: gives a heater's flush."""

    def flush_of(tag: str) -> Task:
        found: Task = Task.objects.get(heater__tag=tag, kind="flush", state="open")
        return found

    with scoped(scope_of_organisation(crew.house, actor="office")):
        yield flush_of


def flushed() -> list[str]:
    with unscoped("reading what the server holds"):
        found = ServiceRecord.objects.filter(kind="flush").values_list("heater__tag", flat=True)
        return sorted(found)


def flush_both_without_signal(page: Any) -> None:
    page.context.set_offline(True)
    for tag in ("Y-1", "Y-2"):
        open_task(page, tag, "Flush sediment")
        record_flush(page, "12")
        page.get_by_text("Done, not sent yet.").wait_for()


def back_in_signal(page: Any) -> None:
    page.context.set_offline(False)
    page.evaluate("window.dispatchEvent(new Event('online'))")


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("99999", "99999 gal cannot be; 0 to 1000 gal can. Usual is 2 to 120 gal."),
        ("a bucket", "'a bucket' is not a number. Usual is 2 to 120 gal."),
        ("1,200", "can be read in two ways. Write it without the comma."),
        ("400", "400 gal? Usual is 2 to 120 gal."),
        ("", "Nothing entered."),
    ],
)
def test_a_finding_that_cannot_be_or_is_unusual_is_asked_again(page: Any, typed: str, told: str) -> None:
    open_task(page, "Y-1", "Flush sediment")
    record_flush(page, typed)
    page.get_by_role("alert").get_by_text(f"Water drained: {told}").wait_for()
    shot(page, "finding")
    assert page.get_by_role("alert").evaluate("one => one === document.activeElement")
    assert page.get_by_label("Water drained, gal").input_value() == typed, "what was typed stays"
    assert page.get_by_label("cloudy", exact=True).is_checked()
    assert (page.get_by_label("I looked again").count() == 1) == (typed == "400")
    assert accessibility_problems(page) == []
    assert sideways_overflow(page) == 0
    assert rows(SentEntry) == []
    page.get_by_label("Water drained, gal").fill("12")
    page.get_by_role("button", name="Record as done").click()
    sent(page, 1)
    assert [row.number for row in rows(Finding, name="drained_gal")] == [12]


def test_a_task_that_the_office_closed_meanwhile_is_told_with_both_values(
    page: Any, office: Callable[[str], Task]
) -> None:
    flush_both_without_signal(page)
    services.complete_task(office("Y-1"), FLUSH, datetime(2026, 6, 1, 15, tzinfo=UTC))
    back_in_signal(page)
    page.get_by_text("1 with a question").wait_for()
    page.get_by_role("link", name="Everything is sent").click()
    page.get_by_role("heading", name="Sent and waiting").wait_for()
    card = page.get_by_role("listitem").filter(has=page.get_by_role("heading", name="Flush sediment, Y-1"))
    shot(page, "closed")
    said = card.inner_text()
    assert "on record clear; yours cloudy" in said
    assert said.startswith("Flush sediment, Y-1\n\nThis task was already closed on 1 Jun 2026: done.")
    assert "on record done on 1 Jun 2026; yours work done on 1 Jun 2026" in said
    assert "the office sees both and decides" in said
    assert accessibility_problems(page) == []
    assert flushed() == ["Y-1", "Y-2"], "the other heater's entry is kept"


def test_a_heater_replaced_meanwhile_is_told_and_the_rest_is_kept(
    page: Any, office: Callable[[str], Task]
) -> None:
    flush_both_without_signal(page)
    old: Heater = office("Y-1").heater
    old.ending, old.removed_precision = "replaced_as_planned", "day"
    old.removed_earliest = old.removed_latest = TODAY
    old.save()
    services.roll_forward(old.organisation)
    back_in_signal(page)
    page.get_by_text("1 with a question").wait_for()
    page.get_by_role("link", name="Everything is sent").click()
    card = page.get_by_role("listitem").filter(has=page.get_by_role("heading", name="Flush sediment, Y-1"))
    card.wait_for()
    shot(page, "replaced")
    assert (
        "no longer needed on 1 Jun 2026: The heater left service (replaced as planned); yours"
        in card.inner_text()
    )
    assert flushed() == ["Y-2"]
    page.evaluate(f"location.hash = '#/h/{old.pk}'")
    page.get_by_role("heading", name="Not in today's work").wait_for()
    shot(page, "gone")


def sent(page: Any, count: int) -> None:
    """Waits until the server has answered for so many entries and this phone has put them away."""
    for _ in range(1500):
        if len(page.evaluate("phoneStore.all('sent')")) == count:
            return
        page.wait_for_timeout(20)
    raise AssertionError(f"{count} entries were never answered")


def choose_photo(page: Any, place: Path) -> Any:
    page.get_by_label("Photo (may stay empty)").set_input_files(str(place))
    return page.locator("#h-photo")


def test_a_photo_of_eighty_megabytes_and_none_at_all(page: Any, tmp_path: Path) -> None:
    """One that the phone can draw is made small; one that it cannot is refused before it is kept."""
    broken, large = tmp_path / "broken.jpg", tmp_path / "large.jpg"
    with broken.open("wb") as file:
        file.truncate(EIGHTY_MEGABYTES)
    Image.effect_noise((3000, 2000), 90).convert("RGB").save(large)
    with large.open("ab") as file:
        file.truncate(EIGHTY_MEGABYTES)
    open_task(page, "Y-1", "Flush sediment")
    told = choose_photo(page, broken)
    told.get_by_text("The photo has 80 MB; 15 MB is the most.").wait_for()
    shot(page, "photo")
    assert accessibility_problems(page) == []
    choose_photo(page, large)
    told.get_by_text("1 photo chosen").wait_for(timeout=60_000)
    page.reload()  # a photo once chosen is on the disk, as what was typed is
    page.locator("#h-photo").get_by_text("1 photo chosen").wait_for()
    record_flush(page)
    sent(page, 2)
    (photo,) = rows(TaskPhoto)
    with unscoped("reading what the server holds"):
        assert photo.attachment.size_bytes < 2**20
    open_task(page, "Y-2", "Flush sediment")
    record_flush(page)
    sent(page, 3)
    assert flushed() == ["Y-1", "Y-2"], "no photo at all is no hindrance"


def test_what_is_no_photo_is_refused_by_the_server_and_the_finding_is_kept(page: Any, tmp_path: Path) -> None:
    nonsense, paper = tmp_path / "nonsense.jpg", tmp_path / "paper.pdf"
    nonsense.write_bytes(b"not a picture at all")
    paper.write_bytes(b"%PDF-1.7")
    open_task(page, "Y-1", "Flush sediment")
    choose_photo(page, paper).get_by_text("This is not a photo. Everything else is kept.").wait_for()
    choose_photo(page, nonsense).get_by_text("1 photo chosen").wait_for()
    record_flush(page)
    page.get_by_text("1 with a question").wait_for()
    page.get_by_role("link", name="Everything is sent").click()
    card = page.get_by_role("listitem").filter(
        has=page.get_by_role("heading", name="Photo, Flush sediment, Y-1")
    )
    card.wait_for()
    shot(page, "no-photo")
    assert "Send a photo" in card.inner_text() and "everything else is kept" in card.inner_text().lower()
    assert flushed() == ["Y-1"] and rows(TaskPhoto) == []
