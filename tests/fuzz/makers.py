"""Hostile and broken files of each kind that the program reads, made from valid ones and from nothing."""

from __future__ import annotations

import io
import json
import zipfile
from typing import Any

from hypothesis import strategies as st
from openpyxl import Workbook
from PIL import Image

HEADINGS = [
    "Property",
    "Building",
    "Position",
    "Tag",
    "Kind",
    "Capacity gal",
    "Installed",
    "Hardness",
    "Done",
    "Work",
]
CELLS = st.one_of(
    st.text(max_size=40),
    st.sampled_from(
        ["", "=1+1", "n/a", "1e999", "-0", "31/02/2016", "2016", "9" * 400, "\x00", "50 gal", "№"]
    ),
    st.integers(-(10**20), 10**20).map(str),
    st.floats(allow_nan=True, allow_infinity=True).map(str),
    st.dates().map(str),
)
ROWS = st.lists(st.lists(CELLS, max_size=12), max_size=8)


def csv_bytes(rows: list[list[str]], delimiter: str, encoding: str) -> bytes:
    text = "\r\n".join(delimiter.join(row) for row in [HEADINGS, *rows])
    return text.encode(encoding, "replace")


CSV_FILES = st.one_of(
    st.builds(
        csv_bytes,
        ROWS,
        st.sampled_from([",", ";", "\t", "|", '"']),
        st.sampled_from(["utf-8", "cp1252", "utf-16", "utf-7"]),
    ),
    st.binary(max_size=2000),
)


def xlsx_bytes(rows: list[list[str]]) -> bytes:
    book = Workbook()
    sheet = book.active
    for row in [HEADINGS, *rows]:
        sheet.append([_sheet_text(cell) for cell in row])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _sheet_text(cell: str) -> str:
    return "".join(character if character.isprintable() else "?" for character in cell)[:32_000]


def zip_bytes(parts: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        for name, content in parts.items():
            package.writestr(name, content)
    return out.getvalue()


def ods_bytes(rows: list[list[str]], repeat: int) -> bytes:
    cells = "".join(
        "<table:table-row>"
        + "".join(
            f'<table:table-cell office:value-type="string" table:number-columns-repeated="{repeat}">'
            f"<text:p>{_xml(cell)}</text:p></table:table-cell>"
            for cell in row
        )
        + "</table:table-row>"
        for row in [HEADINGS, *rows]
    )
    content = (
        '<?xml version="1.0"?><office:document-content '
        'xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
        'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
        'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0"><office:body><office:spreadsheet>'
        f'<table:table table:name="heaters">{cells}</table:table></office:spreadsheet></office:body>'
        "</office:document-content>"
    )
    kind = b"application/vnd.oasis.opendocument.spreadsheet"
    return zip_bytes({"mimetype": kind, "content.xml": content.encode("utf-8", "replace")})


def _xml(text: str) -> str:
    kept = "".join(character for character in text if character.isprintable())
    return kept.replace("&", "&amp;").replace("<", "&lt;")


def bent(content: bytes, places: list[tuple[int, int]], cut: int) -> bytes:
    """Some bytes changed, the end cut off."""
    broken = bytearray(content)
    for place, value in places:
        if broken:
            broken[place % len(broken)] = value
    return bytes(broken[: len(broken) - cut % (len(broken) or 1)]) if cut else bytes(broken)


BENDS = st.lists(st.tuples(st.integers(0, 10**6), st.integers(0, 255)), max_size=8)
CUTS = st.one_of(st.just(0), st.integers(0, 3000))
XLSX_FILES = st.builds(bent, st.builds(xlsx_bytes, ROWS), BENDS, CUTS)
ODS_FILES = st.builds(
    bent, st.builds(ods_bytes, ROWS, st.sampled_from([1, 2, 16_384, 10**9, -1])), BENDS, CUTS
)


def picture_bytes(kind: str, width: int, height: int) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (width, height), (200, 10, 10)).save(out, kind)
    return out.getvalue()


PICTURES = st.one_of(
    st.builds(
        bent,
        st.builds(
            picture_bytes,
            st.sampled_from(["JPEG", "PNG", "WEBP", "GIF"]),
            st.integers(1, 40),
            st.integers(1, 40),
        ),
        BENDS,
        CUTS,
    ),
    st.binary(max_size=600).map(lambda tail: b"%PDF-1.7\n" + tail),
    st.binary(max_size=600),
)
JSON_VALUES: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=12,
)
TABLE_NAMES = ("properties", "buildings", "positions", "heaters", "services", "water_tests")


def record_bytes(version: Any, tables: dict[str, Any]) -> bytes:
    return json.dumps({"format": "tank-almanac-record", "version": version, "tables": tables}).encode()


JSON_FILES = st.one_of(
    st.builds(
        record_bytes,
        st.one_of(st.just(1), JSON_VALUES),
        st.dictionaries(
            st.sampled_from(TABLE_NAMES),
            st.one_of(
                JSON_VALUES,
                st.lists(
                    st.dictionaries(
                        st.sampled_from(
                            ["name", "property", "building", "tag", "kind", "label", "time_zone"]
                        ),
                        JSON_VALUES,
                        max_size=5,
                    ),
                    max_size=3,
                ),
            ),
            max_size=3,
        ),
    ),
    JSON_VALUES.map(lambda value: json.dumps(value).encode()),
    st.binary(max_size=400),
    st.integers(1, 4000).map(lambda depth: b"[" * depth + b"]" * depth),
)


PRICE_HEADINGS = ["price of", "from_gal", "below_gal", "planned", "emergency", "amount", "share", "quoted_on"]
PRICE_CELLS = CELLS | st.sampled_from(
    ["gas_storage_atmospheric", "yearly price growth", "permit", "100", "5 %"]
)


def price_bytes(rows: list[list[str]]) -> bytes:
    return "\r\n".join(",".join(row) for row in [PRICE_HEADINGS, *rows]).encode("utf-8", "replace")


PRICE_FILES = st.builds(price_bytes, st.lists(st.lists(PRICE_CELLS, max_size=9), max_size=6))
PHONE_FIELDS = (
    "key",
    "kind",
    "task",
    "visit",
    "answers",
    "words",
    "claimed_at",
    "fetched_at",
    "offset_ms",
    "base",
)
PHONE_VALUES = JSON_VALUES | st.sampled_from(
    [
        "00000000-0000-4000-8000-000000000001",
        "done",
        "unsafe",
        "started",
        1,
        2**63,
        "2026-01-01T00:00:00Z",
        "9" * 400,
    ]
)
PHONE_FILES = st.one_of(
    st.dictionaries(st.sampled_from(PHONE_FIELDS), PHONE_VALUES).map(lambda raw: json.dumps(raw).encode()),
    st.binary(max_size=200),
)
