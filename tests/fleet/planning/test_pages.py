"""The plan's pages, files and progress, as each person may reach them."""

from __future__ import annotations

import csv
import io
import zipfile
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from openpyxl import load_workbook

from fleet.estate.background import work_off
from fleet.estate.history import record_change
from fleet.estate.models import Membership
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters.models import Heater
from fleet.pages.models import ReadingHabit
from fleet.planning import selectors
from fleet.planning.models import CostBook, CostLine, ForecastRun
from fleet.planning.services import ensure_cost_book, request_run, save_price_growth
from tests.conftest import Cast
from tests.fleet.planning.estates import AS_OF

pytestmark = pytest.mark.django_db
PAGES = [
    reverse("planning:plan"),
    reverse("planning:heaters"),
    reverse("planning:runs"),
    reverse("planning:cost_book"),
    *(reverse("planning:grouped", args=[name]) for name in selectors.GROUPINGS),
]


@pytest.mark.parametrize("address", PAGES)
def test_every_page_shows_the_plan_to_a_member_and_asks_a_stranger_to_sign_in(
    cast: Cast, done_run: ForecastRun, address: str
) -> None:
    shown = cast.client(cast.technician).get(address)
    assert shown.status_code == 200
    assert b"style=" not in shown.content
    assert cast.client(cast.outsider).get(address).content.count(b"Invented 1") == 0
    assert type(cast.client(cast.owner))().get(address).status_code == 302


def test_the_plan_page_shows_the_figures_of_the_run(cast: Cast, done_run: ForecastRun) -> None:
    plan = selectors.plan_tables(done_run)
    text = cast.client(cast.planner).get(reverse("planning:plan")).content.decode()
    for year in plan.total.years:
        assert year.label in text
        assert f"{year.cost.expected:,.2f}" in text
    assert selectors.ranked(done_run)[0].heater.tag in text
    assert "illustration" in text
    assert "As of 1 Nov 2026" in text


def test_before_the_first_forecast_the_page_offers_to_make_one(cast: Cast) -> None:
    text = cast.client(cast.planner).get(reverse("planning:plan")).content.decode()
    assert "Make the first forecast" in text
    assert (
        "Make the first forecast"
        not in cast.client(cast.technician).get(reverse("planning:plan")).content.decode()
    )


def test_the_page_says_when_the_record_or_the_prices_have_moved_on(cast: Cast, done_run: ForecastRun) -> None:
    client = cast.client(cast.planner)
    cast.house.calendar_stands_at = AS_OF
    cast.house.save()

    def shown() -> str:
        return client.get(reverse("planning:plan")).content.decode()

    assert "since this forecast was made" not in shown()
    with scoped(scope_of_organisation(cast.house)):
        record_change(Heater.objects.filter(ending="").first(), "changed", {"setpoint_f": (120, 125)})
    assert "The record has changed since" in shown()
    assert "Prices have changed since" not in shown()
    with scoped(scope_of_organisation(cast.house)):
        save_price_growth(cast.house, Decimal("0.04"), Decimal("0.01"), Decimal("0.03"))
    assert "Prices have changed since" in shown()


def test_files_hold_the_same_money_as_the_page_to_the_cent(cast: Cast, done_run: ForecastRun) -> None:
    client = cast.client(cast.planner)
    total = selectors.plan_tables(done_run).total.total_cost
    answer = client.get(reverse("planning:download", args=["plan", "csv"]))
    assert answer["Content-Disposition"] == 'attachment; filename="plan-2026-11-01.csv"'
    rows = list(csv.DictReader(io.StringIO(answer.getvalue().decode())))
    for grouping in ("portfolio", *selectors.GROUPINGS):
        assert sum(Decimal(row["cost_expected"]) for row in rows if row["grouping"] == grouping) == total
    book = load_workbook(io.BytesIO(client.get(reverse("planning:download", args=["plan", "xlsx"])).content))
    sheet = [[cell.value for cell in row] for row in book["years"]]
    column = sheet[0].index("cost_expected")
    money = [Decimal(str(row[column])) for row in sheet[1:] if row[0] == "portfolio"]
    assert sum(money) == total
    assert book["heaters"].max_row == 1 + selectors.ranked(done_run).count()


@pytest.mark.parametrize(
    ("what", "table"), [("plan", "planning_runtable"), ("heaters", "planning_heateroutlook")]
)
def test_a_file_begins_to_arrive_before_its_rows_are_read(
    cast: Cast, done_run: ForecastRun, what: str, table: str
) -> None:
    client = cast.client(cast.planner)
    with CaptureQueriesContext(connection) as queries:
        arriving = iter(client.get(reverse("planning:download", args=[what, "csv"])).streaming_content)
        headings = next(arriving)
        before = len(queries)
        rows = b"".join(arriving)
    assert headings.count(b"\r\n") == 1 and rows.count(b"\r\n") > 3
    assert not any(table in query["sql"] for query in queries.captured_queries[:before])
    assert any(table in query["sql"] for query in queries.captured_queries[before:])


def test_the_ranked_list_is_whole_however_it_is_cut(
    cast: Cast, done_run: ForecastRun, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fleet.planning.downloads.HEATERS_AT_A_TIME", 2)
    monkeypatch.setattr("fleet.planning.downloads.GROUPS_AT_A_TIME", 1)
    client = cast.client(cast.planner)
    text = client.get(reverse("planning:download", args=["heaters", "csv"])).getvalue().decode()
    tags = [row["heater"] for row in csv.DictReader(io.StringIO(text))]
    assert tags == [row.heater.tag for row in selectors.ranked(done_run)] and len(tags) > 2
    text = client.get(reverse("planning:download", args=["plan", "csv"])).getvalue().decode()
    shown = {(row["grouping"], row["group"]) for row in csv.DictReader(io.StringIO(text))}
    plan = selectors.plan_tables(done_run)
    assert {(name, table.name) for name in selectors.GROUPINGS for table in plan.by(name)} < shown


def test_a_workbook_holds_the_likeliest_heaters_and_says_how_many_there_are(
    cast: Cast, done_run: ForecastRun, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fleet.planning.downloads.MOST_IN_A_WORKBOOK", 2)
    client = cast.client(cast.planner)
    book = load_workbook(io.BytesIO(client.get(reverse("planning:download", args=["plan", "xlsx"])).content))
    likeliest = [row.heater.tag for row in selectors.ranked(done_run)[:2]]
    tags = [row[1].value for row in book["heaters"]]
    assert tags == ["heater", *likeliest]
    said = book["how sure"]["A2"].value
    assert f"the 2 likeliest to fail of {selectors.ranked(done_run).count()}" in said
    rows = csv.DictReader(
        io.StringIO(client.get(reverse("planning:download", args=["heaters", "csv"])).getvalue().decode())
    )
    assert len(list(rows)) == selectors.ranked(done_run).count()


def test_a_name_that_a_spreadsheet_would_run_is_neutralised_in_every_file(
    cast: Cast, done_run: ForecastRun
) -> None:
    first = selectors.ranked(done_run)[0].heater
    Heater.objects.filter(pk=first.pk).update(tag='=HYPERLINK("http://x.example")')
    client = cast.client(cast.planner)
    text = client.get(reverse("planning:download", args=["heaters", "csv"])).getvalue().decode()
    row = next(csv.DictReader(io.StringIO(text)))
    assert row["heater"] == '\'=HYPERLINK("http://x.example")'
    package = client.get(reverse("planning:download", args=["plan", "xlsx"])).content
    with zipfile.ZipFile(io.BytesIO(package)) as opened:
        assert not any(b"<f>" in opened.read(name) for name in opened.namelist())


@pytest.mark.parametrize(("what", "ending"), [("plan", "pdf"), ("heaters", "xlsx"), ("secrets", "csv")])
def test_a_file_that_does_not_exist_is_not_found(
    cast: Cast, done_run: ForecastRun, what: str, ending: str
) -> None:
    address = reverse("planning:download", args=[what, ending])
    assert cast.client(cast.planner).get(address).status_code == 404


def test_asking_shows_progress_then_the_plan(cast: Cast) -> None:
    client = cast.client(cast.planner)
    asked = client.post(reverse("planning:ask"))
    assert asked.status_code == 302
    waiting = client.get(asked["Location"]).content.decode()
    assert "<progress" in waiting
    assert "pages/again.js" in waiting
    plan = client.get(reverse("planning:plan")).content.decode()
    assert "pages/again.js" in plan
    assert "Make the first forecast" not in plan  # one is being made
    assert work_off() >= 1  # the forecast, and the check it asks for
    done = client.get(asked["Location"]).content.decode()
    assert "<progress" not in done
    assert "pages/again.js" not in done
    assert "To the plan" in done


def test_bad_wishes_are_told_on_the_page(cast: Cast) -> None:
    client = cast.client(cast.planner)
    for posted, words in (
        ({"as_of": "yesterday"}, "Give the day as 2026-11-25"),
        ({"years": "0"}, "give 1 to 40 years"),
        ({"as_of": "2999-01-01"}, "lies in the future"),
    ):
        answer = client.post(reverse("planning:ask"), posted, follow=True)
        assert words in answer.content.decode()


def test_roles_and_foreign_runs(cast: Cast) -> None:
    with scoped(scope_of_organisation(cast.house)):
        run = request_run(cast.house)
    address = reverse("planning:run", args=[run.pk])
    assert cast.client(cast.technician).get(address).status_code == 200
    assert cast.client(cast.outsider).get(address).status_code == 404
    assert cast.client(cast.technician).post(reverse("planning:ask")).status_code == 403
    assert cast.client(cast.technician).post(reverse("planning:cancel", args=[run.pk])).status_code == 403
    assert cast.client(cast.outsider).post(reverse("planning:cancel", args=[run.pk])).status_code == 404
    assert cast.client(cast.planner).post(reverse("planning:cancel", args=[run.pk])).status_code == 302


def test_prices_edited_on_the_page_are_the_persons_own(cast: Cast) -> None:
    with scoped(scope_of_organisation(cast.house)):
        line = ensure_cost_book(cast.house, AS_OF).lines.first()
    client = cast.client(cast.planner)
    posted = {f"planned_cost_{line.key}": "4,321", f"emergency_cost_{line.key}": "5000", "growth_mean": "4"}
    assert client.post(reverse("planning:cost_book"), posted).status_code == 302
    with scoped(scope_of_organisation(cast.house)):
        saved = CostLine.objects.get(planned_cost=4321)
        assert saved.status == "entered"
        assert saved.book.growth_mean == Decimal("0.04")
    assert cast.client(cast.technician).post(reverse("planning:cost_book"), posted).status_code == 403


def test_reading_prices_writes_nothing_and_the_first_saving_opens_the_book(cast: Cast) -> None:
    client = cast.client(cast.planner)
    page = client.get(reverse("planning:cost_book"))
    assert b"None is kept yet" in page.content
    assert b'name="planned_cost_electric_storage-0"' in page.content
    assert client.get(reverse("planning:cost_book_file", args=["csv"])).content.count(b"illustration") > 20
    assert client.get(reverse("planning:heater_successor", args=[cast.heater.pk])).status_code == 200
    with scoped(scope_of_organisation(cast.house)):
        assert not CostBook.objects.exists()
    posted = {"planned_cost_electric_storage-0": "999", "emergency_cost_electric_storage-0": "1999"}
    assert client.post(reverse("planning:cost_book"), posted).status_code == 302
    with scoped(scope_of_organisation(cast.house)):
        line = CostBook.objects.get().lines.get(kind="electric_storage", capacity_from_gal=0)
        assert (line.planned_cost, line.status) == (Decimal(999), "entered")


def test_a_refused_price_keeps_what_was_typed_and_says_why(cast: Cast) -> None:
    with scoped(scope_of_organisation(cast.house)):
        line = ensure_cost_book(cast.house).lines.first()
    posted = {f"planned_cost_{line.key}": "-17", f"emergency_cost_{line.key}": "5000"}
    answer = cast.client(cast.planner).post(reverse("planning:cost_book"), posted)
    text = answer.content.decode()
    assert answer.status_code == 422
    assert "-17 is below zero" in text
    assert 'value="-17"' in text
    assert not CostLine._base_manager.filter(emergency_cost=5000, planned_cost=-17).exists()


def test_a_line_is_added_from_the_page_or_refused_in_words(cast: Cast) -> None:
    client = cast.client(cast.planner)
    address = reverse("planning:add_cost_line")
    posted = {"kind": "gas_tankless", "planned_cost": "1", "emergency_cost": "2", "capacity_from_gal": "9"}
    assert "overlap" in client.post(address, posted, follow=True).content.decode()
    posted["capacity_from_gal"] = "wide"
    assert "Right would be" in client.post(address, posted, follow=True).content.decode()


def test_a_metric_reader_sees_and_gives_the_sizes_of_the_book_in_litres(cast: Cast) -> None:
    """50 gal are 189.27 L: shown as 189 L, and 189 L given back is the same size (NIST SP 811, appendix B.8)."""
    ReadingHabit.objects.create(person=cast.planner, units="metric")
    client = cast.client(cast.planner)
    address = reverse("planning:add_cost_line")
    posted = {"kind": "indirect_tank", "planned_cost": "1", "emergency_cost": "2"}
    with scoped(scope_of_organisation(cast.house)):
        ensure_cost_book(cast.house).lines.filter(kind="indirect_tank").delete()
    client.post(address, posted | {"capacity_from_gal": "0", "capacity_to_gal": "189"})
    client.post(address, posted | {"capacity_from_gal": "189", "capacity_to_gal": "80 gal"})
    with scoped(scope_of_organisation(cast.house)):
        sizes = CostLine.objects.filter(kind="indirect_tank").order_by("-book_id", "capacity_from_gal")
        assert list(sizes.values_list("capacity_from_gal", "capacity_to_gal"))[:2] == [(0, 50), (50, 80)]
    page = client.get(reverse("planning:cost_book")).content.decode()
    assert "indirect tank, 189 to under 303 L" in page and "From, L" in page


def test_a_member_of_some_properties_sees_no_plan_of_all(cast: Cast, done_run: ForecastRun) -> None:
    Membership.objects.filter(person=cast.planner).update(all_properties=False)
    client = cast.client(cast.planner)
    assert "No forecast has been made yet" in client.get(reverse("planning:plan")).content.decode()
    assert client.get(reverse("planning:cost_book")).status_code == 403
    assert client.get(reverse("planning:run", args=[done_run.pk])).status_code == 404
