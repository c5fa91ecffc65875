"""Columns as people keep them: two things in one, the last work beside the heater, other words for a place."""

from __future__ import annotations

from datetime import date

from fleet.estate.models import Position, Property
from fleet.heaters.models import Heater, ServiceRecord
from tests.fleet.heaters.conftest import Run


def test_a_list_that_names_no_property_is_told_what_is_made_of_it(run: Run) -> None:
    text = "Bldg,Location,Tag,Type,Gallons\nA,Closet 1,M-1,gas tank,50\nA,Closet 2,M-2,gas tank,50\n"
    said = run(text)
    assert said.count("no property is named: a new one is made and named 'list' after the file") == 1
    run(text, "--accept")
    assert Property.objects.get().name == "list"
    assert "no property is named" not in run(text.replace("M-2", "M-3").replace("Closet 2", "Closet 3"))


def test_one_column_may_say_kind_and_fuel(run: Run) -> None:
    kinds = {
        "Heat pump": ("heat_pump", "electricity"),
        "gas commercial": ("commercial_gas_storage", "natural_gas"),
        "tankless": ("gas_tankless", ""),
        "E": ("electric_storage", "electricity"),
        "NG": ("gas_storage_atmospheric", "natural_gas"),
    }
    lines = [f"Mill Yard,A,Closet {n},M-{n},{word},50" for n, word in enumerate((*kinds, "wood"))]
    said = run("Site,Bldg,Location,Tag,Gas/Elec,Gallons\n" + "\n".join(lines), "--accept")
    assert "5 new, 0 changed, 0 same, 1 refused" in said
    assert "'wood'" in said
    assert list(Heater.objects.order_by("tag").values_list("kind", "fuel")) == list(kinds.values())


def test_short_words_of_the_trade_are_read(run: Run) -> None:
    said = run(
        "Site,Bldg,Location,Tag,Type,Fuel,Gal,Put in,Anode chkd\n"
        "Mill Yard,A,1,M-1,std,E,50,2016,2024\nMill Yard,A,2,M-2,std,NG,40,2016,\n",
        "--accept",
    )
    assert "2 new, 0 changed, 0 same, 0 refused" in said
    assert list(Heater.objects.order_by("tag").values_list("kind", flat=True)) == [
        "electric_storage",
        "gas_storage_atmospheric",
    ]
    assert ServiceRecord.objects.get().kind == "anode_inspected"


def test_a_list_of_heaters_may_name_the_last_work_of_a_kind(run: Run) -> None:
    head = "Complex,Bldg,Unit,WH #,Gas/Elec,Gallons,Date in,Last flushed,Anode replaced,T&P test OK?\n"
    text = head + (
        "Mill Yard,A,101,M-1,gas,40,3/2014,2022,6/2019,yes\n"
        "Mill Yard,A,102,M-2,gas,40,2016,never,n/a,\n"
        "Mill Yard,A,103,M-3,electric,50,2018-05-12,2017,,\n"
    )
    said = run(text, "--accept")
    assert "3 new, 0 changed, 0 same, 0 refused" in said
    assert "heater M-3 was not in service on 2017: left out" in said
    assert "'yes'" in said
    assert sorted(Position.objects.values_list("label", flat=True)) == ["101", "102", "103"]
    found = ServiceRecord.objects.order_by("kind").values_list(
        "heater__tag", "kind", "done_earliest", "done_latest", "done_precision"
    )
    assert list(found) == [
        ("M-1", "anode_renewed", date(2019, 6, 1), date(2019, 6, 30), "month"),
        ("M-1", "flush", date(2022, 1, 1), date(2022, 12, 31), "year"),
    ]
    assert "0 new, 0 changed, 3 same, 0 refused" in run(text, "--accept")

    # The day of a work that is known more exactly by now is the same work; a later one is new.
    ServiceRecord.objects.filter(kind="flush").update(
        done_earliest=date(2022, 5, 3), done_latest=date(2022, 5, 3)
    )
    assert "0 new, 0 changed, 3 same" in run(text, "--accept")
    assert "0 new, 1 changed, 2 same" in run(text.replace("2022", "2025"), "--accept")
    assert ServiceRecord.objects.filter(kind="flush").count() == 2
