"""What goes out comes back: an export read into an empty organisation gives the same record."""

from __future__ import annotations

import io
import json
import re
import tempfile
import zipfile
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from django.core.management import CommandError, call_command
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleet.estate.models import Building, HistoryEntry, Organisation, Position, Property
from fleet.estate.scope import ScopeMissing, scope_of_organisation, scoped
from fleet.heaters.export_reading import ExportRefused, import_export
from fleet.heaters.exporting import TABLES, export_records, neutralised, restored
from fleet.heaters.models import Heater, Kind, ServiceRecord, WaterTest
from tests.conftest import Cast

text = st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\x00"), max_size=12)
name = text.filter(lambda words: words != "")
perhaps = st.one_of(st.none(), st.booleans())
days = st.dates(date(1950, 1, 1), date(2026, 10, 1))
finite = st.floats(1, 200, allow_nan=False)


@st.composite
def dated(draw: st.DrawFn, prefix: str) -> dict[str, Any]:
    """A date as it can be known: to the day, between two days, or not at all."""
    how = draw(st.sampled_from(["day", "between", "unknown"]))
    if how == "unknown":
        earliest = latest = None
    else:
        earliest = draw(days)
        latest = earliest if how == "day" else earliest + timedelta(days=draw(st.integers(1, 900)))
    return {f"{prefix}_earliest": earliest, f"{prefix}_latest": latest, f"{prefix}_precision": how}


@st.composite
def heater_values(draw: st.DrawFn) -> dict[str, Any]:
    values = draw(dated("installed")) | draw(dated("made"))
    values |= draw(
        st.fixed_dictionaries(
            {
                "kind": st.sampled_from(Kind.values),
                "capacity_gal": st.one_of(st.none(), finite),
                "setpoint_f": st.one_of(st.none(), st.floats(100, 180)),
                "recirculation": perhaps,
                "serial_number": text,
                "notes": text,
            }
        )
    )
    if draw(st.booleans()):
        start = values["installed_latest"] or date(2000, 1, 1)
        values |= {
            "removed_earliest": start,
            "removed_latest": start + timedelta(days=30),
            "removed_precision": "between",
            "ending": draw(st.sampled_from(["tank_leak", "replaced_as_planned", "removed"])),
        }
    return values


estates = st.lists(
    st.tuples(name, name, st.lists(st.tuples(name, heater_values()), max_size=3)),
    min_size=1,
    max_size=3,
    unique_by=lambda place: place[0],
)


def build(organisation: Organisation, estate: list[Any]) -> None:
    for number, (place, house, heaters) in enumerate(estate):
        property_ = Property.objects.create(organisation=organisation, name=place, code_family="upc")
        building = Building.objects.create(organisation=organisation, property=property_, name=house)
        WaterTest.objects.create(organisation=organisation, property=property_, hardness_mg_l=171.18 + number)
        WaterTest.objects.create(
            organisation=organisation, property=property_, building=building, treatment="softened", ph=7.1
        )
        for count, (label, values) in enumerate(heaters):
            position = Position.objects.create(
                organisation=organisation, building=building, label=f"{label}{count}", has_pan=count == 1
            )
            heater = Heater.objects.create(
                organisation=organisation, position=position, tag=f"{number}-{count}", **values
            )
            ServiceRecord.objects.create(
                organisation=organisation,
                heater=heater,
                kind="flush",
                done_earliest=date(2020, 5, 1),
                done_latest=date(2020, 5, 31),
                done_precision="month",
                anode_left_fraction=0.1 + 0.2,
                cost=Decimal("12.30"),
                notes=label,
            )


def everything(organisation: Organisation) -> dict[str, list[tuple[Any, ...]]]:
    return {table.name: list(table.rows(organisation)) for table in TABLES}


@pytest.mark.django_db
@pytest.mark.parametrize("file_format", ["json", "csv"])
@given(estate=estates)
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_an_export_read_into_an_empty_organisation_is_the_same_record(
    file_format: str, estate: list[Any]
) -> None:
    number = Organisation.objects.count()
    here = Organisation.objects.create(name=f"here {number}")
    there = Organisation.objects.create(name=f"there {number}")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "record"
        with scoped(scope_of_organisation(here)):
            build(here, estate)
            counts = export_records(here, file_format, path)
            before = everything(here)
        with scoped(scope_of_organisation(there)):
            assert import_export(there, path) == counts
            assert everything(there) == before


@given(text)
def test_neutralising_is_undone_exactly(words: str) -> None:
    assert restored(neutralised(words)) == words
    assert neutralised(words)[:1] not in ("=", "+", "-", "@", "\t", "\r")


@pytest.fixture
def record(in_house: Cast, tmp_path: Path) -> Path:
    """The cast's record as a JSON export with one nasty note."""
    Heater.objects.filter(pk=in_house.heater.pk).update(notes='=HYPERLINK("http://evil.example")')
    path = tmp_path / "record.json"
    export_records(in_house.house, "json", path)
    return path


@pytest.fixture
def empty(in_house: Cast) -> Organisation:
    return Organisation.objects.create(name="Empty Homes (invented)")


def mended(path: Path, table: str, **changes: Any) -> Path:
    content = json.loads(path.read_text())
    content["tables"][table][0] |= changes
    path.write_text(json.dumps(content))
    return path


def take(organisation: Organisation, path: Path) -> dict[str, int]:
    with scoped(scope_of_organisation(organisation)):
        return import_export(organisation, path)


def test_a_spreadsheet_gets_text_and_no_formula(in_house: Cast, record: Path, tmp_path: Path) -> None:
    path = tmp_path / "record.xlsx"
    export_records(in_house.house, "xlsx", path)
    sheet = openpyxl.load_workbook(path)["heaters"]
    column = [cell.value for cell in sheet[1]].index("notes")
    assert sheet[2][column].data_type == "s"
    assert sheet[2][column].value == '\'=HYPERLINK("http://evil.example")'


def test_csv_cells_are_neutralised_too(in_house: Cast, record: Path, tmp_path: Path) -> None:
    path = tmp_path / "record.zip"
    export_records(in_house.house, "csv", path)
    with zipfile.ZipFile(path) as package:
        assert "'=HYPERLINK" in package.read("heaters.csv").decode()


def test_a_workbook_comes_back_the_same(
    in_house: Cast, record: Path, empty: Organisation, tmp_path: Path
) -> None:
    path = tmp_path / "whatever its name"
    counts = export_records(in_house.house, "xlsx", path)
    assert take(empty, path) == counts
    with scoped(scope_of_organisation(empty)):
        assert everything(empty)["heaters"][0][3:] == _seen(in_house)["heaters"][0][3:]


def _seen(cast: Cast) -> dict[str, list[tuple[Any, ...]]]:
    with scoped(scope_of_organisation(cast.house)):
        return everything(cast.house)


def test_what_was_taken_in_stands_in_the_history(record: Path, empty: Organisation) -> None:
    take(empty, record)
    with scoped(scope_of_organisation(empty)):
        entries = HistoryEntry.objects.filter(verb="taken in from an export")
        assert {entry.subject_kind for entry in entries} == {"property", "heater"}
        assert all(entry.property_id for entry in entries)


def test_a_record_that_exists_is_not_written_over(in_house: Cast, record: Path) -> None:
    with pytest.raises(ExportRefused, match="already has properties"):
        import_export(in_house.house, record)


def test_another_organisation_is_out_of_reach(in_house: Cast, record: Path) -> None:
    with pytest.raises(ScopeMissing):
        import_export(in_house.other_house, record)


@pytest.mark.parametrize(
    ("table", "changes", "words"),
    [
        ("heaters", {"kind": "kettle"}, "heaters, row 1, column kind: 'kettle'"),
        ("heaters", {"capacity_gal": "many"}, "heaters, row 1, column capacity_gal: 'many'"),
        ("heaters", {"capacity_gal": -5}, "the record cannot hold them together"),
        ("heaters", {"position": "nowhere"}, "nowhere' is not among the positions"),
        ("heaters", {"removed_latest": "2001-01-01"}, "the record cannot hold them together"),
        ("heaters", {"colour": "red"}, "no column is called 'colour'"),
        ("properties", {"time_zone": "Mars/Olympus"}, "column time_zone: 'Mars/Olympus'"),
    ],
)
def test_a_wrong_row_is_named_and_nothing_is_taken(
    record: Path, empty: Organisation, table: str, changes: dict[str, Any], words: str
) -> None:
    with pytest.raises(ExportRefused, match=words.replace("(", r"\(")):
        take(empty, mended(record, table, **changes))
    with scoped(scope_of_organisation(empty)):
        assert not Property.objects.exists()


@pytest.mark.parametrize(
    "content", [b"", b"not json", b"[1, 2]", b'{"format": "something else"}', b"PK\x03\x04junk"]
)
def test_a_foreign_file_is_refused(empty: Organisation, tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "foreign.json"
    path.write_bytes(content)
    with pytest.raises(ExportRefused, match="export"):
        take(empty, path)


@pytest.mark.parametrize("file_format", ["csv", "xlsx"])
def test_a_damaged_package_is_refused(
    in_house: Cast, empty: Organisation, tmp_path: Path, file_format: str
) -> None:
    path = tmp_path / "record"
    export_records(in_house.house, file_format, path)
    content = bytearray(path.read_bytes())
    with zipfile.ZipFile(path) as package:
        name = "properties.csv" if file_format == "csv" else "xl/worksheets/sheet1.xml"
        start = package.getinfo(name).header_offset + 30 + len(name)
    content[start + 4 : start + 24] = b"\xff" * 20
    path.write_bytes(bytes(content))
    with pytest.raises(ExportRefused, match="damaged"):
        take(empty, path)


def test_a_failed_export_leaves_no_half_file(
    in_house: Cast, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full_disk(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    path = tmp_path / "record.xlsx"
    path.write_bytes(b"the export of yesterday")
    monkeypatch.setattr("os.replace", full_disk)
    with pytest.raises(OSError, match="No space"):
        export_records(in_house.house, "xlsx", path)
    assert path.read_bytes() == b"the export of yesterday"
    assert [entry.name for entry in tmp_path.iterdir()] == ["record.xlsx"]


def test_the_commands_carry_a_record_from_one_organisation_to_another(
    in_house: Cast, empty: Organisation, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = str(tmp_path / "record.json")
    call_command("export_records", format="json", out=Path(path), organisation=in_house.house.name)
    call_command("import_export", path, organisation=empty.name)
    assert "1 heaters" in capsys.readouterr().out
    with pytest.raises(CommandError, match="already has properties"):
        call_command("import_export", path, organisation=empty.name)


def test_a_buildings_file_is_chosen_from_a_list_or_where_they_are_many_on_its_own_page(
    cast: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = cast.client(cast.technician)
    page = client.get("/export/").content.decode()
    assert '<select id="building"' in page
    monkeypatch.setattr("fleet.heaters.export_views.MOST_BUILDINGS", 0)
    page = client.get("/export/").content.decode()
    assert '<select id="building"' not in page and "own page leads to the file" in page
    page = client.get(f"/buildings/{cast.building.pk}/").content.decode()
    link = re.search(r'href="([^"]*cobie[^"]*)"', page)
    assert link is not None
    sheets = b"".join(client.get(link[1]).streaming_content)  # type: ignore[attr-defined]
    assert "Component" in openpyxl.load_workbook(io.BytesIO(sheets)).sheetnames


def test_the_page_gives_the_file_of_ones_own_organisation(cast: Cast) -> None:
    client = cast.client(cast.technician)
    assert "Spreadsheet" in client.get("/export/").content.decode()
    answer = client.get("/export/record.json")
    content = json.loads(b"".join(answer.streaming_content))  # type: ignore[attr-defined]
    assert [row["tag"] for row in content["tables"]["heaters"]] == [cast.heater.tag]
    assert client.get("/export/record.exe").status_code == 404
