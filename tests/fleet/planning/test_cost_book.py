"""The cost book: shipped illustrations, edits with history in dated versions, prices that cannot be."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from django.core.exceptions import PermissionDenied
from django.db import IntegrityError, transaction
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st

from fleet.estate.models import HistoryEntry
from fleet.estate.scope import Reach, Scope, scoped
from fleet.heaters.models import Kind
from fleet.planning.models import CostBook, CostLine
from fleet.planning.prices import price_heaters, read_price
from fleet.planning.services import (
    CostBookRefused,
    CostEntry,
    cost_book_on,
    ensure_cost_book,
    save_cost_lines,
    save_price_growth,
    save_prices,
)
from tests.conftest import Cast

DAY = date(2026, 3, 1)


def entry_of(line: CostLine, **changes: Any) -> CostEntry:
    made = CostEntry(
        line.pk,
        line.kind,
        line.planned_cost,
        line.emergency_cost,
        line.capacity_from_gal,
        line.capacity_to_gal,
        line.status,
        line.quoted_by,
        line.quoted_on,
        line.source,
    )
    return replace(made, **changes)


def test_the_first_book_prices_every_kind_and_says_that_it_is_an_illustration(in_house: Cast) -> None:
    book = ensure_cost_book(in_house.house, DAY)
    assert ensure_cost_book(in_house.house, date(2026, 9, 1)) == book
    assert {line.kind for line in book.lines.all()} == set(Kind.values)
    assert {line.status for line in book.lines.all()} == {"illustration"}
    for kind in Kind.values:
        assert price_heaters(book.lines.all(), [kind] * 3, [None, 1.0, 5000.0]).planned


def test_an_edit_on_a_later_day_makes_a_version_and_leaves_the_old_one(in_house: Cast) -> None:
    book = ensure_cost_book(in_house.house, DAY)
    line = book.lines.first()
    old_price = line.planned_cost
    later = save_cost_lines(
        in_house.house,
        [entry_of(line, planned_cost="$3,210.50", status="entered")],
        "new offer",
        date(2026, 6, 1),
    )
    assert later != book
    assert cost_book_on(in_house.house.pk, date(2026, 5, 1)) == book
    assert cost_book_on(in_house.house.pk, date(2026, 6, 1)) == later
    assert book.lines.get(pk=line.pk).planned_cost == old_price
    new = later.lines.get(kind=line.kind, capacity_from_gal=line.capacity_from_gal)
    assert new.planned_cost == Decimal("3210.50")
    entry = HistoryEntry.objects.get(subject_kind="costline", verb="changed")
    assert entry.changes["planned_cost"] == [str(old_price), "3210.50"]
    assert entry.reason == "new offer"


def test_saving_the_same_again_changes_nothing(in_house: Cast) -> None:
    book = ensure_cost_book(in_house.house, DAY)
    same = save_prices(
        in_house.house, [entry_of(line) for line in book.lines.all()], {"growth_mean": Decimal("0.03")}
    )
    assert same == book
    assert CostBook.objects.count() == 1
    assert not HistoryEntry.objects.filter(verb="changed").exists()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"planned_cost": "-5"}, "planned price: -5 is below zero"),
        ({"emergency_cost": "lots"}, "'lots' is not an amount of money"),
        ({"emergency_cost": "nan"}, "below zero|not an amount"),
        ({"planned_cost": "1e12"}, "is it one heater's price"),
        ({"kind": "steam_engine"}, "is not a kind of heater"),
        ({"status": "guess"}, "is not one of: entered, quoted, illustration"),
        ({"status": "quoted"}, "needs who quoted it"),
        ({"capacity_from_gal": 50.0, "capacity_to_gal": 40.0}, "must be above the lower one"),
    ],
)
def test_a_price_that_cannot_be_is_refused_and_nothing_is_saved(
    in_house: Cast, changes: dict[str, Any], words: str
) -> None:
    book = ensure_cost_book(in_house.house, DAY)
    first, second = book.lines.all()[:2]
    with pytest.raises(CostBookRefused, match=words):
        save_cost_lines(in_house.house, [entry_of(first, planned_cost="1"), entry_of(second, **changes)])
    assert CostBook.objects.count() == 1
    assert not CostLine.objects.filter(planned_cost=1).exists()


def test_two_lines_for_one_size_are_refused(in_house: Cast) -> None:
    ensure_cost_book(in_house.house, DAY)
    with pytest.raises(CostBookRefused, match="overlap; end the first at 20 gal"):
        save_cost_lines(in_house.house, [CostEntry(None, "gas_tankless", "1", "2", 20)])
    assert not CostLine.objects.filter(planned_cost=1).exists()


def test_growth_outside_reason_is_refused(in_house: Cast) -> None:
    with pytest.raises(CostBookRefused, match="Yearly price growth: 7 is not possible"):
        save_price_growth(in_house.house, Decimal(7), Decimal("0.01"), Decimal("0.03"))
    book = save_price_growth(in_house.house, Decimal("0.04"), Decimal("0.01"), Decimal("0.03"))
    assert book.growth_status == "entered"
    assert HistoryEntry.objects.filter(subject_kind="costbook", verb="changed").exists()


def test_the_database_itself_refuses_a_negative_price(in_house: Cast) -> None:
    line = ensure_cost_book(in_house.house, DAY).lines.first()
    with pytest.raises(IntegrityError), transaction.atomic():
        CostLine.objects.filter(pk=line.pk).update(planned_cost=Decimal(-1))


def test_a_person_of_some_properties_has_no_part_in_the_prices(cast: Cast) -> None:
    part = Scope((Reach(cast.house.pk, frozenset({cast.property.pk})),))
    with scoped(part), pytest.raises(PermissionDenied):
        ensure_cost_book(cast.house)


def test_who_may_not_change_prices_reads_them_as_a_table_without_fields(cast: Cast) -> None:
    address = reverse("planning:cost_book")
    pages = {
        who: cast.client(getattr(cast, who)).get(address).content.decode()
        for who in ("planner", "technician")
    }
    main = {who: page.split("<main", 1)[1] for who, page in pages.items()}
    assert 'name="planned_cost_' in main["planner"]
    assert "<input" not in main["technician"]
    assert "<select" not in main["technician"]
    assert re.search(r'data-label="Planned">\d{1,2},\d{3}\.\d\d<', main["technician"])


def test_sizes_choose_the_line_and_an_unknown_size_takes_the_usual_one() -> None:
    lines = [
        CostLine(kind="heat_pump", capacity_from_gal=0, capacity_to_gal=50, planned_cost=1, emergency_cost=2),
        CostLine(
            kind="heat_pump", capacity_from_gal=50, capacity_to_gal=70, planned_cost=3, emergency_cost=4
        ),
    ]
    priced = price_heaters(lines, ["heat_pump"] * 4, [49.9, 50.0, 60.0, None])
    assert priced.planned == [1, 3, 3, 3]
    assert priced.size_assumed == 1
    with pytest.raises(CostBookRefused, match="heat pump of 80 gal: 2 in service"):
        price_heaters(lines, ["heat_pump"] * 2, [80.0, 80.0])


@given(st.decimals(0, 9_999_999, places=2))
def test_a_price_is_read_as_people_write_it(price: Decimal) -> None:
    assert read_price(f"$ {price:,}", "x", "y") == price
