"""Importing through the command, as an office does it: preview, accept, again, mended, changed."""

from __future__ import annotations

import io
from datetime import date
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from django.core.management import CommandError, call_command
from django.db import DatabaseError, transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleet.estate.history_rows import HistoryEntry
from fleet.estate.models import Building, Organisation, Position, Property
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters import services
from fleet.heaters.models import Heater, ServiceRecord, WaterTest
from tests.fleet.heaters.conftest import Run

HEAD = "Site,Bldg,Location,Tag,Type,Fuel,Size,Installed,Removed,Why removed,Pressure\n"


def rows(*lines: str) -> str:
    return HEAD + "".join(line + "," * (10 - line.count(",")) + "\n" for line in lines)


GOOD = "Willow Bend,1,Closet 1,W-1,tank,NG,50 gal,2012?"


def test_a_preview_writes_nothing_and_says_so(run: Run) -> None:
    said = run(rows(GOOD))
    assert "1 new, 0 changed, 0 same, 0 refused" in said
    assert "preview" in said
    assert "Size -> capacity_gal" in said
    assert not Heater.objects.exists()
    assert not Property.objects.exists()


def test_places_are_made_and_the_date_keeps_its_precision(run: Run) -> None:
    run(rows(GOOD, "Willow Bend,1,Closet 2,W-2,HP,,190 L,~2015"), "--accept")
    assert [str(place) for place in Property.objects.all()] == ["Willow Bend"]
    assert Position.objects.count() == 2
    first, second = Heater.objects.order_by("tag")
    assert (first.kind, first.fuel, first.capacity_gal) == ("gas_storage_atmospheric", "natural_gas", 50)
    assert (first.installed_earliest, first.installed_latest) == (date(2011, 1, 1), date(2013, 12, 31))
    assert first.installed_precision == "between"
    assert second.kind == "heat_pump"


@pytest.mark.parametrize("others", [[], ["Willow Bend,1,Closet 2,W-2,HP,,190 L,~2015,,,"]])
def test_rows_may_end_before_their_headings_all_of_them_or_some(run: Run, others: list[str]) -> None:
    run(HEAD + "\n".join([GOOD, *others, GOOD.replace("1,W-1", "3,W-3")]), "--accept")
    assert Heater.objects.count() == 2 + len(others)
    last = Heater.objects.get(tag="W-3")
    assert (last.capacity_gal, last.ending, last.position.label) == (50, "", "Closet 3")


def test_the_same_file_twice_changes_nothing(run: Run) -> None:
    lines = [
        GOOD,
        "Willow Bend,1,Closet 2,,elec tank,,50,12 yrs old",
        "Willow Bend,1,Closet 2,,elec tank,,50,12 yrs old",
    ]
    run(rows(*lines), "--accept")
    entries = HistoryEntry.objects.count()
    before = list(Heater.objects.order_by("id").values())
    assert "0 new, 0 changed, 3 same" in run(rows(*lines), "--accept")
    assert list(Heater.objects.order_by("id").values()) == before
    assert HistoryEntry.objects.count() == entries


def test_an_age_read_a_year_later_does_not_move_the_date(run: Run) -> None:
    run(rows(GOOD.replace("2012?", "12 yrs old")), "--accept")
    before = Heater.objects.get().installed_earliest
    assert "1 same" in run(rows(GOOD.replace("2012?", "12 yrs old")), "--accept", "--as-of", "2027-01-15")
    assert Heater.objects.get().installed_earliest == before


def test_a_changed_row_updates_with_history_and_an_empty_cell_erases_nothing(run: Run) -> None:
    run(rows(GOOD), "--accept")
    assert "1 changed" in run(rows("Willow Bend,1,Closet 1,W-1,tank,NG,40 gal,"), "--accept")
    heater = Heater.objects.get()
    assert heater.capacity_gal == 40
    assert heater.installed_earliest == date(2011, 1, 1)
    assert heater.version == 2
    entry = HistoryEntry.objects.get(subject_kind="heater", subject_id=heater.pk)
    assert entry.changes == {"capacity_gal": [50.0, 40.0]}


def test_refused_rows_name_their_place_and_the_rest_is_taken(run: Run, tmp_path: Path) -> None:
    refused = tmp_path / "refused.csv"
    said = run(
        rows(
            GOOD, "Willow Bend,1,Closet 2,W-2,tank,NG,big,2015", "Willow Bend,1,=Closet 3,W-3,tank,NG,50,2031"
        ),
        "--accept",
        "--refused",
        str(refused),
    )
    assert (
        "Sheet 'list', row 3, column 'Size': 'big' is not a capacity. Right would be: 50 gal or 190 L."
        in said
    )
    assert "row 4, column 'Installed': '2031' is in the future" in said
    assert Heater.objects.get().tag == "W-1"
    text = refused.read_text(encoding="utf-8-sig")
    assert text.startswith(HEAD.strip())
    assert ",'=Closet 3," in text
    mended = text.replace("big", "40 gal").replace("2031", "2016")
    assert "2 new" in run(mended, "--accept", name="refused.csv")
    assert Position.objects.filter(label="=Closet 3").exists()


def test_a_cell_that_the_file_of_refused_rows_guards_is_read_as_it_was(run: Run, tmp_path: Path) -> None:
    """A dash for an unknown day gets an apostrophe on its way out, so that no spreadsheet runs it."""
    refused = tmp_path / "refused.csv"
    run(rows("Willow Bend,1,Closet 2,W-2,tank,NG,big,-"), "--accept", "--refused", str(refused))
    text = refused.read_text(encoding="utf-8-sig")
    assert ",'-," in text
    assert "1 new" in run(text.replace("big", "40 gal"), "--accept", name="refused.csv")
    assert Heater.objects.get().installed_earliest is None


def test_all_or_nothing(run: Run) -> None:
    with pytest.raises(CommandError, match="nothing was imported"):
        run(rows(GOOD, "Willow Bend,1,Closet 2,W-2,tank,NG,big,2015"), "--accept", "--all-or-nothing")
    assert not Heater.objects.exists()


def test_an_ambiguous_order_of_day_and_month_is_asked_for_the_column(run: Run) -> None:
    lines = rows(GOOD.replace("2012?", "3/4/15"))
    with pytest.raises(CommandError, match=r"column 'Installed'.*can be read two ways"):
        run(lines, "--accept")
    assert not Heater.objects.exists()
    run(lines, "--accept", "--date-order", "dmy")
    assert Heater.objects.get().installed_earliest == date(2015, 4, 3)


def test_an_ending_and_its_successor_share_a_position(run: Run) -> None:
    run(rows(GOOD), "--accept")
    said = run(
        rows(GOOD + ",2024-05-02,leaked", "Willow Bend,1,Closet 1,W-2,tank,NG,50 gal,2024-05-03"),
        "--accept",
    )
    assert "1 new, 1 changed" in said
    assert "Look twice" not in said
    position = Position.objects.get()
    old, new = Heater.objects.order_by("tag")
    assert old.position == new.position == position
    assert (old.ending, old.removed_earliest) == ("tank_leak", date(2024, 5, 2))
    assert new.in_service


def test_successors_without_tags_are_understood_and_stay_the_same(run: Run) -> None:
    lines = rows(
        "Willow Bend,1,Closet 1,,elec tank,,50,2004,2016,leaked",
        "Willow Bend,1,Closet 1,,elec tank,,50,2016-06-01",
    )
    assert "2 new" in run(lines, "--accept")
    assert Position.objects.count() == 1
    assert "2 same" in run(lines, "--accept")


def test_two_heaters_in_service_in_one_position_are_kept_apart_with_a_warning(run: Run) -> None:
    lines = rows(GOOD, GOOD.replace("W-1", "W-2"))
    assert "two heaters in one position" in run(lines, "--accept")
    assert sorted(Position.objects.values_list("label", flat=True)) == ["Closet 1", "Closet 1 (2)"]
    assert "2 same" in run(lines, "--accept")


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("Willow Bend,1,C,W-9,tank,NG,50,1962", "a heater from 1962"),
        ("Willow Bend,1,C,W-9,tank,NG,50,2015,,,400 psi", "400 psi is improbable"),
        ("Willow Bend,1,C,W-9,tankless,NG,50 gal,2015", "a tankless heater of 50 gal"),
        ("Willow Bend,1,C,W-9,tank,NG,5000,2015", "a tank of 5,000 gal is improbable"),
    ],
)
def test_the_improbable_is_warned_of_and_taken(run: Run, line: str, words: str) -> None:
    assert words in run(rows(line), "--accept")
    assert Heater.objects.filter(tag="W-9").exists()


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("Willow Bend,1,C,W-9,tank,NG,50,2018-06-01,2011-06-01,leaked", "before it was put in"),
        ("Willow Bend,1,C,W-9,dishwasher,,50,2015", "not a kind of water heater"),
        ("Willow Bend,1,C,W-9,tank,,50,2015", "does not say what kind"),
        ("Willow Bend,1,,,tank,NG,50,2015", "neither a tag nor a place"),
    ],
)
def test_what_cannot_be_is_refused(run: Run, line: str, words: str) -> None:
    assert words in run(rows(line), "--accept")
    assert not Heater.objects.exists()


def test_a_tag_in_two_rows(run: Run) -> None:
    said = run(rows(GOOD, GOOD, GOOD.replace("50 gal", "40 gal")), "--accept")
    assert "1 new, 0 changed, 1 same, 1 refused" in said
    assert "stands in row 2 already, with other values" in said


def test_service_and_water_come_in_the_same_workbook(run: Run) -> None:
    book = openpyxl.Workbook()
    heaters, service, water = book.active, book.create_sheet("past work"), book.create_sheet("water")
    assert heaters is not None
    for line in (
        ["Site", "Bldg", "Location", "Tag", "Type", "Size"],
        ["Willow Bend", 1, "Closet 1", "W-1", "gas tank", 50],
    ):
        heaters.append(line)
    for line in (
        ["Tag", "Site", "Bldg", "Location", "Date", "Work done", "Anode left"],
        ["W-1", "", "", "", date(2020, 3, 4), "new anode", ""],
        ["", "Willow Bend", 1, "Closet 1", "2021", "checked anode", "60%"],
        ["W-404", "", "", "", "2021", "flush", ""],
    ):
        service.append(line)
    for line in (["Site", "Sampled", "Hardness (gpg)", "pH"], ["Willow Bend", "2020-01-05", 10, 7.5]):
        water.append(line)
    out = io.BytesIO()
    book.save(out)
    said = run(out.getvalue(), "--accept", name="book.xlsx")
    assert "there is no heater 'W-404'" in said
    assert sorted(ServiceRecord.objects.values_list("kind", "anode_left_fraction")) == [
        ("anode_inspected", 0.6),
        ("anode_renewed", None),
    ]
    assert WaterTest.objects.get().hardness_mg_l == pytest.approx(171.18)
    assert "0 new, 0 changed, 4 same, 1 refused" in run(out.getvalue(), "--accept", name="book.xlsx")


def test_work_on_a_refused_heater_names_the_row_to_mend_and_what_is_refused_is_not_looked_at_twice(
    run: Run,
) -> None:
    book = openpyxl.Workbook()
    heaters, service = book.active, book.create_sheet("past work")
    assert heaters is not None
    for line in (
        ["Site", "Bldg", "Location", "Tag", "Type", "Size", "T&P tested"],
        ["Willow Bend", 1, "Closet 1", "W-1", "gas tank", 50, ""],
        ["Willow Bend", 1, "Closet 2", "W-2", "gas tank", "big", "ok then"],
    ):
        heaters.append(line)
    for line in (["Tag", "Date", "Work done"], ["W-2", "2021", "flush"], ["W-1", "2021", "flush"]):
        service.append(line)
    out = io.BytesIO()
    book.save(out)
    said = run(out.getvalue(), name="book.xlsx")
    assert "heater 'W-2' is refused in row 3 of 'Sheet'" in said
    assert "there is no heater" not in said
    assert "ok then" not in said


def test_a_list_of_service_finds_its_heaters_whatever_the_spelling(run: Run, office: Organisation) -> None:
    """Case and spaces make no other heater, also where a database's own upper case would; another office's are none."""
    tags = ("Straße 1", "w  2", "W-3", "\u00c5-4", "W-5")
    run(rows(*(f"Willow Bend,1,Closet {n},T-{n},tank,NG,50 gal,2012" for n in range(5))), "--accept")
    for number, tag in enumerate(tags):
        Heater.objects.filter(tag=f"T-{number}").update(tag=tag)
    work = "Tag,Work,Date\n" + "".join(
        f"{tag},flush,2020-05-0{n}\n"
        for n, tag in enumerate(("STRASSE 1", "W 2", "w-3", "\u00e5-4", "W-6"), start=1)
    )
    said = run(work, "--accept", name="work.csv")
    assert "4 new, 0 changed, 0 same, 1 refused" in said
    assert "there is no heater 'W-6'" in said
    found = ServiceRecord.objects.order_by("done_latest").values_list("heater__tag", flat=True)
    assert list(found) == ["Straße 1", "w  2", "W-3", "\u00c5-4"]
    assert "0 new, 0 changed, 4 same, 1 refused" in run(work, "--accept", name="work.csv")


def test_a_list_of_properties(run: Run) -> None:
    run(rows(GOOD), "--accept")
    run(
        "Property,Address,Time zone,Fiscal year starts,Softened since\n"
        "willow bend,1 Invented Way,America/Denver,July,2019-02-01\n",
        "--accept",
        name="properties.csv",
    )
    place = Property.objects.get()
    assert (place.name, place.time_zone, place.fiscal_year_start_month) == (
        "Willow Bend",
        "America/Denver",
        7,
    )
    assert Building.objects.get().softened_since == date(2019, 2, 1)


def test_a_mapping_is_used_and_remembered(run: Run) -> None:
    text = "Zap,Type,Flub\nW-1,elec tank,190\n"
    run(text, "--map", "Zap=tag", "--map", "Flub=capacity_gal:L", "--accept")
    assert Heater.objects.get().capacity_gal == pytest.approx(50.1927)
    assert "Flub -> capacity_gal:L" in run(text)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--map", "Nope=tag"], "no sheet has a column 'Nope'"),
        (["--map", "Tag=nonsense"], "'nonsense' is not a field"),
        (["--map", "Tag"], "HEADING=FIELD"),
        (["--organisation", "Nobody"], "There is no organisation called 'Nobody'"),
        (["--encoding", "klingon"], "no encoding 'klingon'"),
        (["--accept", "--refused", "/nowhere/at/all.csv"], "cannot be written"),
    ],
)
def test_wrong_options_are_told_and_nothing_is_taken(run: Run, options: list[str], words: str) -> None:
    with pytest.raises(CommandError, match=words):
        run(rows(GOOD, GOOD.replace("50 gal", "big").replace("W-1", "W-2")), *options)
    assert not Heater.objects.exists()


@pytest.mark.parametrize(
    ("content", "name", "words"),
    [
        (b"", "a.csv", "empty"),
        (b"\x00\x01\x02", "a.csv", "not a text file"),
        (b"Employee,Salary\nA,1\n", "a.csv", "No sheet of this file"),
    ],
)
def test_a_wrong_file_is_told(run: Run, content: bytes, name: str, words: str) -> None:
    with pytest.raises(CommandError, match=words):
        run(content, name=name)


def test_a_file_that_is_not_there(office: Organisation) -> None:
    with pytest.raises(CommandError, match="cannot be read: No such file"):
        call_command("import_records", "/nowhere/list.csv")


def test_a_database_that_fails_half_way_leaves_nothing(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: Any, **__: Any) -> None:
        raise DatabaseError("database or disk is full")

    monkeypatch.setattr(services, "record_change", full)
    with pytest.raises(CommandError, match=r"disk is full.*nothing was imported"):
        run(rows(GOOD), "--accept")
    assert not Heater.objects.exists()
    assert not Property.objects.exists()


def test_another_organisations_heaters_are_never_matched(run: Run) -> None:
    run(rows(GOOD), "--accept", "--organisation", "Fir Homes (invented)")
    other = Organisation.objects.create(name="Larch Homes (invented)")
    assert "1 new" in run(rows(GOOD), "--accept", "--organisation", other.name)
    assert Heater.objects.count() == 1
    with scoped(scope_of_organisation(other)):
        assert Heater.objects.get().tag == "W-1"


ROWS = st.lists(
    st.tuples(
        st.sampled_from(["Closet 1", "Closet 2"]),
        st.sampled_from(["", "", "W-1", "W-2", "W-3"]),
        st.sampled_from(["elec tank", "gas tank", "HP"]),
        st.sampled_from(["", "2004", "~2010", "2016-06-01", "12 yrs old", "spring 2019"]),
        st.sampled_from(["", "", "2016", "2020-02-03", "unknown"]),
        st.sampled_from(["", "leaked", "planned"]),
    ),
    max_size=8,
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(ROWS)
def test_whatever_the_sheet_says_a_second_import_changes_nothing(
    run: Run, lines: list[tuple[str, ...]]
) -> None:
    with transaction.atomic():
        text = rows(
            *(
                f"Willow Bend,1,{place},{tag},{kind},,50,{on},{off},{why}"
                for place, tag, kind, on, off, why in lines
            )
        )
        if lines:
            run(text, "--accept")
            before = list(Heater.objects.order_by("id").values())
            assert " 0 new, 0 changed," in run(text, "--accept").replace("Imported:", "")
            assert list(Heater.objects.order_by("id").values()) == before
        transaction.set_rollback(True)
