"""Where things stand on a page: a mark beside its words, opened tables within the window, nothing empty on paper."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from fleet.care import services
from fleet.care.models import Task
from fleet.estate.scope import scope_of_organisation, scoped
from tests.browser.conftest import PHONE, sideways_overflow
from tests.conftest import Cast, make_heater

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
# How far each mark lies left of the end of the words before it, in pixels; one on the next line lies on nothing.
OVER_ITS_WORDS = """() => [...document.querySelectorAll("label > .mark")].map(mark => {
  const words = document.createRange();
  words.selectNode(mark.previousSibling);
  const own = document.createRange();
  own.selectNodeContents(mark);
  const [last, first] = [[...words.getClientRects()].at(-1), own.getClientRects()[0]];
  return first.top >= last.bottom - 4 ? 0 : Math.round(last.right - first.left);
})"""
ALONE = """() => [...document.querySelectorAll("h2")].filter(heading => {
  const next = heading.nextElementSibling;
  return next && heading.offsetHeight && !next.offsetHeight;
}).map(heading => heading.innerText)"""


@pytest.fixture
def task(cast: Cast) -> Task:
    made = date(2024, 1, 10)
    with scoped(scope_of_organisation(cast.house)):
        heater = make_heater(cast.house, tag="Y-1", installed_earliest=made, installed_latest=made)
        services.roll_forward(cast.house)
        found: Task = Task.objects.get(heater=heater, kind="flush", state="open")
    return found


def test_what_stops_a_task_is_said_beside_the_answer_not_over_it(
    cast: Cast, task: Task, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    page = signed_in(cast.technician)
    page.set_viewport_size(PHONE)
    page.goto(f"{live_server.url}/work/tasks/{task.pk}/")
    over = page.evaluate(OVER_ITS_WORDS)
    assert over
    assert max(over) <= 0


@pytest.mark.parametrize("address", ["/work/tasks/{}/", "/plan/successors/", "/reminders/"])
def test_on_paper_no_heading_stands_over_a_form_that_is_not_printed(
    address: str, cast: Cast, task: Task, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    page = signed_in(cast.planner)
    page.goto(live_server.url + address.format(task.pk))
    assert page.evaluate(ALONE) == []
    page.emulate_media(media="print")
    assert page.evaluate(ALONE) == []


def test_an_opened_table_moves_within_itself_on_the_phone(
    cast: Cast, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    page = signed_in(cast.planner)
    page.set_viewport_size(PHONE)
    page.goto(f"{live_server.url}/help/keys/")
    page.evaluate(
        """() => document.querySelector("main").insertAdjacentHTML("beforeend",
        `<details open><summary>The same as a table</summary><table class="list"><tr>${"<th>unbreakable</th>".repeat(9)}</tr></table></details>`)"""
    )
    assert not sideways_overflow(page)


def test_on_paper_there_is_no_empty_box_and_no_way_back(
    cast: Cast, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    page = signed_in(cast.owner)
    for address in ("/work/crews/", "/organisation/settings/"):
        page.goto(live_server.url + address)
        page.emulate_media(media="screen")
        assert page.locator(".trail").is_visible()
        page.emulate_media(media="print")
        assert not page.locator(".trail").is_visible()
        assert not page.locator(".card").filter(visible=True).count()


def test_what_a_row_is_of_stays_in_sight_while_its_figures_move(
    cast: Cast, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    page = signed_in(cast.planner)
    page.set_viewport_size(PHONE)
    page.goto(f"{live_server.url}/help/keys/")
    page.evaluate(
        """() => { document.querySelector("main").insertAdjacentHTML("beforeend",
        `<div class="scroll" id="wide"><table class="list"><tbody><tr><th scope="row">FY 2027</th>${"<td>unbreakable</td>".repeat(9)}</tr></tbody></table></div>`);
        document.querySelector("#wide").scrollLeft = 400; }"""
    )
    box, name = (page.locator(where).bounding_box() for where in ("#wide", "#wide th"))
    assert page.evaluate("document.querySelector('#wide').scrollLeft") == 400
    assert name["x"] == pytest.approx(box["x"], abs=1)


IN_ONE_ROW = """() => {
  const places = [".brand", ".top nav", ".find", ".who"].map(one => document.querySelector(one).getBoundingClientRect());
  return Math.max(...places.map(place => place.top)) < Math.min(...places.map(place => place.bottom));
}"""


@pytest.mark.parametrize("kind", ["owner", "company"])
def test_at_a_desk_the_head_stands_in_one_row(
    kind: str, cast: Cast, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    cast.house.kind, cast.house.name = kind, "Copper Lane Plumbing (invented)"
    cast.house.save()
    page = signed_in(cast.owner)
    page.set_viewport_size({"width": 1280, "height": 800})
    page.goto(f"{live_server.url}/properties/")
    assert page.evaluate(IN_ONE_ROW)


@pytest.mark.parametrize(
    ("seat", "kind"), [("technician", "owner"), ("owner", "owner"), ("owner", "company")]
)
def test_on_a_phone_the_menu_stands_in_one_row_and_nothing_is_lost(
    seat: str, kind: str, cast: Cast, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    cast.house.kind, cast.house.name = kind, "Copper Lane Plumbing (invented)"
    cast.house.save()
    page = signed_in(getattr(cast, seat))
    page.goto(f"{live_server.url}/properties/")
    main = page.get_by_role("navigation", name="Main")
    doors = set(main.get_by_role("link").all_inner_texts())
    page.set_viewport_size({"width": 360, "height": 740})
    tops = """() => [...document.querySelectorAll('.top nav > ul > li')].filter(one => one.checkVisibility())
      .map(one => one.getBoundingClientRect().top)"""
    assert len(set(page.evaluate(tops))) == 1
    main.get_by_text("More").click()
    shown = main.get_by_role("link").all_inner_texts()
    assert doors <= set(shown)
    assert len(shown) == len(set(shown))
    assert not sideways_overflow(page)


def test_a_chart_is_dark_on_a_dark_page_and_paper_is_light_for_everybody(
    cast: Cast, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    page = signed_in(cast.planner)
    page.goto(f"{live_server.url}/help/keys/")
    page.evaluate(
        "document.querySelector('main').insertAdjacentHTML('beforeend', '<figure><picture><img alt=\"\"></picture></figure>')"
    )
    turned = "getComputedStyle(document.querySelector('picture img')).filter"
    page.emulate_media(color_scheme="light")
    assert page.evaluate(turned) == "none"
    page.emulate_media(color_scheme="dark")
    assert "invert" in page.evaluate(turned)
    page.evaluate("document.documentElement.dataset.colours = 'dark'")  # chosen among her reading habits
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate(turned) == "none"
    assert page.evaluate("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"


# What every field of the page's own form holds on paper; nothing for one that is not printed.
ON_PAPER = """() => [...document.querySelectorAll("main form :is(input, select, textarea):not([type=hidden])")]
  .filter(field => field.checkVisibility({visibilityProperty: true}))
  .map(field => field.type === "checkbox" ? field.checked : field.selectedOptions ? field.selectedOptions[0].text : field.value)"""


def test_on_paper_a_setting_shows_what_it_holds(
    cast: Cast, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    page = signed_in(cast.owner)
    page.emulate_media(media="print")
    for address, held in (
        ("/organisation/settings/", cast.house.name),
        (f"/properties/{cast.property.pk}/edit/", cast.property.name),
        ("/account/", cast.owner.name),
        ("/reading-habits/", "US customary: gal, °F, psi, in"),
        ("/reminders/", "7:00"),
    ):
        page.goto(live_server.url + address)
        assert held in page.evaluate(ON_PAPER), address
        assert not page.locator("main button").filter(visible=True).count()


def test_room_to_write_stands_on_paper_only_and_for_a_heater_where_it_was_opened(
    cast: Cast, task: Task, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    page = signed_in(cast.technician)
    room = page.get_by_role("heading", name="To write down on the spot", include_hidden=True)
    for address, opens in ((f"/work/tasks/{task.pk}/", False), (f"/work/heaters/{task.heater_id}/", True)):
        page.emulate_media(media="screen")
        page.goto(live_server.url + address)
        assert not room.is_visible()
        page.emulate_media(media="print")
        assert room.is_visible() is not opens
        if opens:
            page.emulate_media(media="screen")
            page.get_by_text("A sheet to work from without a signal").click()
            assert not room.is_visible()
            page.emulate_media(media="print")
            assert room.is_visible()


def test_on_a_phone_counts_of_nothing_are_left_out_and_that_is_said_once(
    cast: Cast, task: Task, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    cast.client(cast.technician).post(f"/work/tasks/{task.pk}/leave-out/", {"reason": "no way in"})
    page = signed_in(cast.technician)
    page.goto(f"{live_server.url}/work/done/")
    counts = page.locator("table").first.locator("td").filter(visible=True)
    assert {"0", "1"} <= set(counts.all_inner_texts())
    assert not page.get_by_text("A count that is not named is 0").is_visible()
    page.set_viewport_size(PHONE)
    assert "0" not in counts.all_inner_texts()
    assert "1" in counts.all_inner_texts()
    assert page.get_by_text("A count that is not named is 0").is_visible()


def test_of_four_cards_none_stands_alone_in_a_row(
    cast: Cast, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    page = signed_in(cast.planner)
    page.goto(live_server.url)
    tops = (
        "() => [...document.querySelector('.cards').children].map(card => card.getBoundingClientRect().top)"
    )
    assert len(page.evaluate(tops)) == 4
    for width in (700, 960, 1000, 1040, 1100, 1280):
        page.set_viewport_size({"width": width, "height": 900})
        assert len(set(page.evaluate(tops))) in (1, 2), width
        rows = sorted(page.evaluate(tops))
        assert rows[-1] == rows[-2], width
