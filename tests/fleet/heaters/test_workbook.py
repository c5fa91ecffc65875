"""Files from outside: read where they can be, refused clearly where not, and bounded."""

from __future__ import annotations

import io
import zipfile
from datetime import date
from typing import Any

import openpyxl
import pytest

from fleet.heaters import workbook
from fleet.heaters.headings import guess_columns, guess_kind
from fleet.heaters.importing import compare, guess
from fleet.heaters.workbook import UnreadableFile, open_workbook
from tests.conftest import Cast

ODS_CELL = '<table:table-cell office:value-type="string"><text:p>{}</text:p></table:table-cell>'


def xlsx(rows: list[list[Any]]) -> bytes:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for row in rows:
        sheet.append(row)
    return saved(book)


def saved(book: openpyxl.Workbook) -> bytes:
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def ods(body: str) -> bytes:
    names = "".join(
        f' xmlns:{short}="urn:oasis:names:tc:opendocument:xmlns:{short}:1.0"'
        for short in ("office", "table", "text")
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("META-INF/manifest.xml", "<manifest/>")
        archive.writestr(
            "content.xml",
            f'<?xml version="1.0"?><office:document-content{names}><office:body><office:spreadsheet>'
            f'<table:table table:name="Heaters">{body}</table:table>'
            "</office:spreadsheet></office:body></office:document-content>",
        )
    return out.getvalue()


def ods_row(*cells: str) -> str:
    return "<table:table-row>" + "".join(ODS_CELL.format(cell) for cell in cells) + "</table:table-row>"


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_csv_in_the_encodings_and_separators_offices_use(encoding: str, delimiter: str) -> None:
    text = (
        delimiter.join(["Tag", "Type", "Notes"])
        + "\n"
        + delimiter.join(["W1", "gas tank", "café, côté nord à gauche"])
    )
    if delimiter == ",":
        text = 'Tag,Type,Notes\nW1,gas tank,"café, côté nord à gauche"'
    book = open_workbook(text.encode(encoding), "list.csv")
    assert book.sheets[0].headings == ["Tag", "Type", "Notes"]
    assert book.sheets[0].rows == [["W1", "gas tank", "café, côté nord à gauche"]]


def test_the_heading_row_is_found_below_a_title_and_rows_keep_their_numbers() -> None:
    book = open_workbook(
        xlsx([["Our heaters"], [], ["Tag", "Type", "Size"], ["W1", "NG", 50], [], ["W2", "NG", 40]]), "a.xlsx"
    )
    sheet = book.sheets[0]
    assert (sheet.heading_row, sheet.row_number(0), sheet.row_number(2)) == (3, 4, 6)


def test_dates_come_as_dates_and_formulas_as_their_values() -> None:
    content = xlsx([["Tag", "Type", "Installed", "Size"], ["W1", "NG", date(2015, 4, 3), 50]])
    with_value = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(with_value, "w") as new:
        for entry in old.infolist():
            data = old.read(entry)
            if entry.filename.endswith("sheet1.xml"):
                assert b"<v>50</v>" in data
                data = data.replace(b"<v>50</v>", b"<f>25*2</f><v>50</v>")
            new.writestr(entry, data)
    row = open_workbook(with_value.getvalue(), "a.xlsx").sheets[0].rows[0]
    assert row == ["W1", "NG", date(2015, 4, 3), 50.0]


def test_ods_is_read_and_its_empty_repeats_are_dropped() -> None:
    tail = (
        '<table:table-row table:number-rows-repeated="1048570"><table:table-cell table:number-columns-repeated="16384"/>'
        "</table:table-row>"
    )
    book = open_workbook(ods(ods_row("Tag", "Type") + ods_row("W1", "NG") + tail), "a.ods")
    assert book.sheets[0].rows == [["W1", "NG"]]


def zip_bomb() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", "<x/>")
        for number in range(9):
            archive.writestr(f"xl/worksheets/sheet{number}.xml", b"0" * 50_000_000)
    return out.getvalue()


def far_cell() -> bytes:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet["A1"], sheet["XFD1048576"] = 1, 3
    return saved(book)


@pytest.mark.parametrize(
    ("content", "name", "words"),
    [
        (b"", "a.csv", "empty"),
        (b"  \n", "a.csv", "empty"),
        (b"\xef\xbb\xbf", "a.csv", "No sheet of the file has a row of headings"),
        (b"\x89PNG\r\n\x1a\n", "a.csv", "picture"),
        (b"PK\x03\x04....", "a.csv", "workbook"),
        (b"%PDF-1.7", "a.csv", "PDF"),
        (bytes(range(256)) * 40, "a.csv", "not a text file"),
        (b"\x01\x02\x03\x04\x05" * 100, "a.csv", "not a text file"),
        (b"," * 2_000_000, "a.csv", "columns"),
        (b"a,b\n" + b"1," * 5000 + b"2\n", "a.csv", "Row 2 has 5,001 columns"),
        (b"x", "a.xls", "Save it as XLSX"),
        (b"x", "a.docx", "CSV, XLSX or ODS"),
        (b"not a zip", "a.xlsx", "not a workbook"),
        (xlsx([["Tag", "Type"], ["W1", "NG"]])[:-400], "a.xlsx", "not a workbook"),
        (far_cell(), "a.xlsx", "at most"),
        (
            ods(
                ods_row("x").replace(
                    "<table:table-row>", '<table:table-row table:number-rows-repeated="1000000">'
                )
            ),
            "a.ods",
            "rows",
        ),
        (
            ods(
                ods_row("x").replace("cell office", 'cell table:number-columns-repeated="1000000" office', 1)
            ),
            "a.ods",
            "columns",
        ),
        (b"one column only\n", "a.csv", "No sheet"),
    ],
)
def test_what_cannot_be_read_is_refused_with_the_reason(content: bytes, name: str, words: str) -> None:
    with pytest.raises(UnreadableFile, match=words):
        open_workbook(content, name)


def test_a_small_file_that_unpacks_to_a_huge_one_is_refused() -> None:
    with pytest.raises(UnreadableFile, match="unpacks to more than"):
        open_workbook(zip_bomb(), "a.xlsx")


def test_a_file_beyond_the_bounds_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook, "MAX_BYTES", 10)
    with pytest.raises(UnreadableFile, match="at most"):
        open_workbook(b"Tag,Type\nW1,NG\n", "a.csv")
    monkeypatch.undo()
    monkeypatch.setattr(workbook, "MAX_ROWS", 3)
    with pytest.raises(UnreadableFile, match="more than 3 rows"):
        open_workbook(b"Tag,Type\n" + b"W1,NG\n" * 5, "a.csv")


def test_an_encoding_that_is_told_but_does_not_exist_or_fit() -> None:
    with pytest.raises(UnreadableFile, match="no encoding 'klingon'"):
        open_workbook(b"Tag,Type\nW1,NG", "a.csv", "klingon")
    with pytest.raises(UnreadableFile, match="not utf-8 throughout"):
        open_workbook(b"Tag,Type\nW1,\xff\x81", "a.csv", "utf-8")


def test_headings_are_guessed_by_trade_words() -> None:
    headings = [
        "WH #",
        "Site",
        "Bldg",
        "Size (L)",
        "BTU Input",
        "Mfg date",
        "Year installed",
        "T&P",
        "Hardness",
    ]
    guessed = {heading: str(match) for heading, match in guess_columns(headings, "heaters").items()}
    assert guessed == {
        "WH #": "tag",
        "Site": "property",
        "Bldg": "building",
        "Size (L)": "capacity_gal:l",
        "BTU Input": "input_btu_h",
        "Mfg date": "made",
        "Year installed": "installed",
        "T&P": "relief_valve_psi",
        "Hardness": "",
    }


def test_the_kind_of_a_sheet_is_told_by_its_headings() -> None:
    assert guess_kind("Sheet1", ["Tag", "Type", "Size"]) == "heaters"
    assert guess_kind("Sheet2", ["Heater", "Date", "Work done"]) == "service"
    assert guess_kind("Sheet3", ["Site", "Sampled", "Hardness gpg"]) == "water"
    assert guess_kind("Sheet4", ["Employee", "Salary"]) is None


def test_a_row_that_is_too_short_is_refused_with_its_reason(in_house: Cast) -> None:
    """A file found by the fuzz: the refused field lay beyond the end of the row."""
    book = open_workbook(b"Property,Building,Position,Tag,Kind\r\nAlder Court", "short.csv")
    found = compare(book, in_house.house.pk, guess(book, in_house.house.pk), date(2026, 1, 1))
    assert {remark.row for remark in found.refusals} == {2}
    assert all(remark.problem for remark in found.refusals)
