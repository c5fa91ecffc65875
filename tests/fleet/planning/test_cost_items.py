"""What a replacement costs beside the heater: due, not due, not known; damage; files in and out; versions."""

from __future__ import annotations

import csv
import io
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook

from fleet.heaters.models import GAS, TANKLESS, Kind
from fleet.planning import cost_book_files, costing
from fleet.planning.code_work import Place, work_due
from fleet.planning.cost_book import cost_book_on, ensure_cost_book
from fleet.planning.cost_items import ItemEntry, save_cost_items
from fleet.planning.models import CostBook, CostItem
from fleet.planning.price_items import ITEMS
from fleet.planning.prices import CostBookRefused
from tests.conftest import Cast

DAY = date(2026, 3, 1)
maybe = st.sampled_from([True, False, None])
places = st.builds(
    Place,
    kind=st.sampled_from(Kind.values),
    capacity_gal=st.sampled_from([None, 30.0, 50.0, 80.0]),
    setpoint_f=st.sampled_from([None, 120.0, 140.0, 160.0]),
    below=st.sampled_from(["", "ground", "unfinished", "finished"]),
    seismic_zone=st.sampled_from(["", "A", "D2", "none"]),
    **{
        name: maybe
        for name in (
            "has_pan", "has_drain", "has_leak_alarm", "closed_system", "has_expansion_tank", "hard_access",
            "has_mixing_valve", "has_sediment_trap", "has_seismic_straps", "vent_lined",
        )
    },
)  # fmt: skip


@pytest.mark.parametrize(
    ("place", "item", "due"),
    [
        (Place("electric_storage", closed_system=True, has_expansion_tank=False), "expansion_tank", True),
        (Place("electric_storage", closed_system=True, has_expansion_tank=True), "expansion_tank", False),
        (Place("electric_storage", closed_system=False), "expansion_tank", False),
        (Place("electric_storage", has_expansion_tank=False), "expansion_tank", None),
        (Place("gas_tankless", closed_system=True, has_expansion_tank=False), "expansion_tank", False),
        (Place("heat_pump", below="finished", has_pan=True, has_drain=False), "pan_and_drain", True),
        (Place("heat_pump", below="ground", has_pan=False), "pan_and_drain", False),
        (Place("heat_pump", below="finished"), "pan_and_drain", None),
        (Place("gas_storage_power_vent", has_sediment_trap=False), "sediment_trap", True),
        (Place("electric_storage", has_sediment_trap=False), "sediment_trap", False),
        (Place("gas_storage_atmospheric", vent_lined=False), "vent_relining", True),
        (Place("gas_storage_power_vent", vent_lined=False), "vent_relining", False),
        (Place("electric_storage", seismic_zone="D1", has_seismic_straps=False), "seismic_straps", True),
        (Place("electric_storage", seismic_zone="B", has_seismic_straps=False), "seismic_straps", False),
        (Place("electric_storage", has_seismic_straps=False), "seismic_straps", None),
        (Place("electric_storage", setpoint_f=140.0, has_mixing_valve=False), "mixing_valve", True),
        (Place("electric_storage", setpoint_f=120.0, has_mixing_valve=False), "mixing_valve", False),
        (Place("electric_storage", has_mixing_valve=False), "mixing_valve", None),
    ],
)
def test_code_work_is_due_not_due_or_not_known(place: Place, item: str, due: bool | None) -> None:
    assert work_due(place)[item] is due


def test_conversion_drops_what_only_the_old_kind_called_for() -> None:
    place = Place("gas_storage_atmospheric", vent_lined=False, has_sediment_trap=False)
    assert work_due(place)["vent_relining"] is True
    assert work_due(place, "heat_pump")["vent_relining"] is False
    assert work_due(place, "heat_pump")["sediment_trap"] is False


@pytest.mark.django_db
def test_the_parts_of_a_price_sum_to_it_and_what_is_not_known_counts_by_its_share(in_house: Cast) -> None:
    prices = costing.price_list(ensure_cost_book(in_house.house, DAY))

    @settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
    @given(place=places)
    def check(place: Place) -> None:
        one = costing.quote(
            place,
            costing.PriceList(prices.lines, prices.amounts, prices.shares, prices.status, {place.kind: 50.0}),
        )
        assert one is not None
        beside = [part for part in one.parts if part.item != "damage"]
        assert one.planned == one.line_planned + sum(part.amount for part in beside)
        assert one.emergency == one.line_emergency + sum(part.amount for part in one.parts)
        assert 0 <= one.damage <= max(prices.amounts[f"damage_{name}"] for name in ("finished", "ground"))
        for part in beside:
            share = 1 if part.due else prices.share(part.item)
            assert part.amount == costing.cents(prices.amount(part.item) * share)
        if place.kind in TANKLESS:
            assert one.damage == 0
        if place.kind not in GAS:
            assert all(part.item != "sediment_trap" for part in one.parts)

    check()


@pytest.mark.django_db
def test_a_pan_a_drain_and_an_alarm_lower_the_damage_and_finished_space_raises_it(in_house: Cast) -> None:
    prices = costing.price_list(ensure_cost_book(in_house.house, DAY))

    def damage(**known: Any) -> Decimal:
        return costing.damage_expected(Place("electric_storage", **known), prices).amount

    bare = damage(below="finished", has_pan=False, has_drain=False, has_leak_alarm=False)
    # By hand: 4,444 x 0.69.
    assert bare == Decimal("3066.36")
    assert damage(below="finished", has_pan=True, has_drain=True) == Decimal("919.91")
    assert damage(below="finished", has_pan=False, has_drain=False, has_leak_alarm=True) == Decimal("1839.82")
    assert (
        damage(below="ground", has_pan=False, has_drain=False)
        < damage(below="unfinished", has_pan=False, has_drain=False)
        < bare
    )
    unknown = costing.damage_expected(Place("electric_storage"), prices)
    assert unknown.due is None


@pytest.mark.django_db
def test_items_are_versioned_and_refusals_name_what_would_be_right(in_house: Cast) -> None:
    book = ensure_cost_book(in_house.house, DAY)
    assert {row.item for row in book.items.all()} == {item.key for item in ITEMS}
    later = save_cost_items(in_house.house, [ItemEntry("permit", "$210.00")], "city fee", date(2026, 6, 1))
    assert later.items.get(item="permit").amount == 210
    assert book.items.get(item="permit").amount == 150
    assert later.items.count() == len(ITEMS)
    assert cost_book_on(in_house.house.pk, date(2026, 5, 1)) == book
    for entry, words in (
        (ItemEntry("permit", "-5"), "Permit and inspection, amount: -5 is below zero"),
        (ItemEntry("expansion_tank", "100", "140 %"), "140 % is not between 0 and 100 %"),
        (ItemEntry("leak_alarm_saves", "100", "40 %"), "has no amount"),
        (ItemEntry("moat", "1"), "'moat' is not an item"),
        (ItemEntry("permit", "5", status="quoted"), "who quoted it"),
    ):
        with pytest.raises(CostBookRefused, match=words):
            save_cost_items(in_house.house, [entry], today=date(2026, 6, 1))
    assert CostBook.objects.count() == 2


@pytest.mark.django_db
@pytest.mark.parametrize("file_format", ["csv", "xlsx"])
def test_an_exported_book_sent_back_changes_nothing(in_house: Cast, file_format: str) -> None:
    book = ensure_cost_book(in_house.house, DAY)
    content = (
        cost_book_files.workbook(book)
        if file_format == "xlsx"
        else cost_book_files.csv_text(cost_book_files.book_rows(book)).encode()
    )
    taken = cost_book_files.import_prices(
        in_house.house, content, f"book.{file_format}", today=date(2026, 6, 1)
    )
    assert taken.refused == []
    assert taken.count == book.lines.count() + book.items.count() + 3
    assert list(CostBook.objects.all()) == [book]


@pytest.mark.parametrize(("file_format", "held"), [("csv", "'=1+1 \x01"), ("xlsx", "'=1+1 \ufffd")])
def test_a_source_that_a_spreadsheet_would_run_is_text_in_the_file(
    in_house: Cast, file_format: str, held: str
) -> None:
    save_cost_items(in_house.house, [ItemEntry("permit", "210", source="=1+1 \x01")], "", DAY)
    answer = in_house.client(in_house.planner).get(reverse("planning:cost_book_file", args=[file_format]))
    if file_format == "csv":
        sources = [row["source"] for row in csv.DictReader(io.StringIO(answer.content.decode()))]
    else:
        sheet = load_workbook(io.BytesIO(answer.content)).active
        sources = [row[-1] for row in sheet.iter_rows(values_only=True)]
    assert held in sources


@pytest.mark.django_db
def test_refused_rows_refuse_the_file_or_are_left_out_and_can_be_mended(cast: Cast) -> None:
    text = (
        "price of,from_gal,below_gal,planned,emergency,amount,share,ground\r\n"
        "permit,,,,,199,,entered\r\n"
        "heat_pump,0,45,-3,5000,,,entered\r\n"
        "mixing_valve,,,,,lots,30 %,entered\r\n"
    )
    client = cast.client(cast.planner)
    address = reverse("planning:import_cost_book")

    def send(what: str) -> Any:
        return client.post(address, {"file": SimpleUploadedFile("new.csv", text.encode()), "what": what})

    answer = send("all")
    assert answer.status_code == 422
    shown = answer.content.decode()
    assert "-3 is below zero" in shown
    assert "&#x27;lots&#x27; is not an amount of money" in shown
    rows = list(csv.DictReader(io.StringIO(send("refused").content.decode())))
    assert [row["price of"] for row in rows] == ["heat_pump", "mixing_valve"]
    assert "row 3" in rows[0]["why it was refused"]
    assert send("good").status_code == 302
    page = client.get(reverse("planning:cost_book")).content.decode()
    assert "199.00" in page
    book = client.get(reverse("planning:cost_book_file", args=["xlsx"])).content
    values = {row[0]: row for row in load_workbook(io.BytesIO(book)).active.iter_rows(values_only=True)}
    assert values["permit"][5] == 199
    assert cast.client(cast.technician).get(address).status_code == 403
    assert cast.client(cast.planner).get(reverse("planning:cost_book_file", args=["exe"])).status_code == 404


@pytest.mark.django_db
def test_the_page_saves_an_item_as_the_persons_own_and_shows_earlier_versions(in_house: Cast) -> None:
    client = in_house.client(in_house.planner)
    old = ensure_cost_book(in_house.house, DAY)
    address = reverse("planning:cost_book")
    answer = client.post(address, {"amount_permit": "222.50", "ground_permit": "illustration"})
    assert answer.status_code == 302
    row = CostItem.objects.exclude(book=old).get(item="permit")
    assert (row.amount, row.status) == (Decimal("222.5"), "entered")
    wrong = client.post(address, {"amount_permit": "-1"})
    assert wrong.status_code == 422
    assert "below zero" in wrong.content.decode()
    earlier = client.get(address, {"version": old.pk}).content.decode()
    assert "earlier version" in earlier
    assert "150.00" in earlier
    assert "222.50" not in earlier
    assert 'name="amount_permit"' not in earlier  # what was is not written over
    assert client.get(address, {"version": "x"}).status_code == 404


@pytest.mark.django_db
def test_the_page_shows_thousands_apart_and_takes_both(in_house: Cast) -> None:
    client, address = in_house.client(in_house.planner), reverse("planning:cost_book")
    book = ensure_cost_book(in_house.house, DAY)
    line = book.lines.get(kind="boiler_with_tank")
    name = f"planned_cost_{line.key}"
    shown = f'name="{name}" value="{line.planned_cost:,.2f}"'
    assert "," in shown
    page = client.get(address).content.decode()
    assert shown in page
    assert "0.5 is half a per cent" in page
    # The same amounts written in the other way are no change: nothing becomes the person's own.
    client.post(
        address, {name: f"{line.planned_cost:.2f}", "amount_permit": "150", "share_expansion_tank": "40 %"}
    )
    assert CostBook.objects.count() == 1
    assert book.lines.get(pk=line.pk).status == "illustration"
    assert CostItem.objects.get(item="permit").status == "illustration"
    client.post(address, {name: "12,345.50", "amount_permit": "1,150"})
    latest = CostBook.objects.latest("valid_from")
    assert latest.lines.get(kind="boiler_with_tank").planned_cost == Decimal("12345.5")
    assert latest.items.get(item="permit").amount == 1150


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("typed", "kept", "said"),
    [
        ("3", "0.03", ""),
        ("3 %", "0.03", ""),
        ("0.03", "0.0003", "If 3 % was meant"),
        ("0.5", "0.005", "If 50 % was meant"),
    ],
)
def test_a_share_is_always_in_per_cent_and_a_small_one_is_said_back(
    in_house: Cast, typed: str, kept: str, said: str
) -> None:
    client, address = in_house.client(in_house.planner), reverse("planning:cost_book")
    page = client.post(
        address, {"share_expansion_tank": typed, "growth_mean": "4"}, follow=True
    ).content.decode()
    assert CostItem.objects.filter(item="expansion_tank").latest("id").share == Decimal(kept)
    assert (said in page) if said else ("was read as" not in page)
    again = client.post(address, {"share_expansion_tank": f"{Decimal(kept) * 100:f}"}, follow=True)
    assert "was read as" not in again.content.decode()
