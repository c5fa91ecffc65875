"""The import pages, from the upload to the fetched refused rows, through the client."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from fleet.estate.background import work_off
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters.models import Heater, ImportBatch
from fleet.heaters.retention import forget_import_files
from tests.conftest import Cast

SHEET = (
    b"Site,Bldg,Location,WH #,Type,Fuel,Size,Install date\n"
    b"Willow Bend,1,Closet 1,W-1,tank,NG,50 gal,2012?\n"
    b"Willow Bend,1,Closet 2,W-2,dishwasher,,50 gal,2015\n"
)


@pytest.fixture(autouse=True)
def files_folder(settings: Any, tmp_path: Any) -> None:
    settings.MEDIA_ROOT = tmp_path


def send(client: Client, content: bytes, name: str = "list.csv") -> Any:
    return client.post(reverse("heaters:import_start"), {"file": SimpleUploadedFile(name, content)})


def tags(cast: Cast) -> set[str]:
    with scoped(scope_of_organisation(cast.house)):
        return set(Heater.objects.values_list("tag", flat=True))


def test_from_the_upload_to_the_refused_rows(cast: Cast) -> None:
    client = cast.client(cast.planner)
    columns = send(client, SHEET)
    page = client.get(columns.url)
    assert b"Install date" in page.content
    assert b'value="installed" selected' in page.content
    assert b"Nothing is taken from" not in page.content
    preview = client.post(columns.url, follow=True)
    assert b"dishwasher" in preview.content
    assert tags(cast) == {"H-1"}
    batch_page = preview.redirect_chain[-1][0]
    accepted = client.post(batch_page + "accept/", {"take": "good_rows"}, follow=True)
    assert b"Closing the page stops nothing" in accepted.content
    assert work_off() >= 1
    done = client.get(batch_page)
    assert b"Taken in" in done.content
    assert reverse("planning:plan").encode() in done.content.split(b"<main", 1)[1], "what comes next is said"
    assert tags(cast) == {"H-1", "W-1"}
    refused = client.get(batch_page + "refused/0/").content.decode("utf-8-sig").splitlines()
    assert refused[0].startswith("Site,Bldg,Location,WH #,Type,Fuel,Size,Install date,")
    assert refused[1].startswith("Willow Bend,1,Closet 2,W-2,dishwasher,,50 gal,2015,3,")


def test_each_column_shows_a_few_of_its_values_until_the_file_is_forgotten(cast: Cast) -> None:
    client = cast.client(cast.planner)
    head, *rows = SHEET.splitlines(keepends=True)
    more = b"".join(
        b"Willow Bend,1,Closet %d,V-%d,tank,,%d gal,%s\n" % (n, n, n, b"9" * 50) for n in range(300)
    )
    address = send(
        client, head.replace(b"Fuel", b"Vent").replace(b"date", b"date,Paint") + rows[0] + more
    ).url
    page = client.get(address).content.decode()
    assert "Such as 50 gal; 0 gal; 1 gal<" in page, "three different ones, the first that stand there"
    assert "Such as 2012?; " + "9" * 39 + "…<" in page, (
        "a long one is cut, and the same one is not shown twice"
    )
    assert page.count("Empty in the first rows") == 1
    client.post(address, {"column-0-5": ""})
    assert "Such as 50 gal" in client.get(address).content.decode(), "mending a column keeps them"
    with scoped(scope_of_organisation(cast.house)):
        batch = ImportBatch.objects.get()
        assert forget_import_files(cast.house.pk, batch.created_at + timedelta(days=1)) == 1
    assert "Such as" not in client.get(address).content.decode()


def test_columns_that_nothing_is_taken_from_are_named(cast: Cast) -> None:
    client = cast.client(cast.planner)
    content = SHEET.replace(b"Install date", b"Install date,Paint,Hoses").replace(b"\n", b",x,x\n")
    page = client.get(send(client, content.replace(b"Hoses,x,x", b"Hoses")).url).content.decode()
    assert "Nothing is taken from: Paint, Hoses." in page


def test_words_of_a_heading_that_are_no_unit_are_not_shown_as_one(cast: Cast) -> None:
    client = cast.client(cast.planner)
    content = SHEET.replace(b"Install date", b"Install date,Why out").replace(b"\n", b",x\n")
    page = client.get(send(client, content.replace(b"Why out,x", b"Why out")).url).content.decode()
    assert re.search(r"selected>why it left service<", page)
    assert "why it left service, out" not in page


def test_all_or_nothing_takes_nothing_when_a_row_is_refused(cast: Cast) -> None:
    client = cast.client(cast.planner)
    batch_page = client.post(send(client, SHEET).url).url
    client.post(batch_page + "accept/", {"take": "all_or_nothing"})
    work_off()
    assert b"Nothing was taken in" in client.get(batch_page).content
    assert tags(cast) == {"H-1"}


def test_the_order_of_day_and_month_is_asked_once_on_the_page(cast: Cast) -> None:
    client = cast.client(cast.planner)
    rows = b"Tag,Type,Installed\n" + b"".join(b"W-%d,elec tank,3/4/15\n" % n for n in range(3))
    batch_page = client.post(send(client, rows).url).url
    page = client.get(batch_page).content
    assert page.count(b"can be read two ways") == 1
    assert b"Take it in" not in page
    client.post(batch_page + "columns/", {"date_order": "dmy"})
    client.post(batch_page + "accept/", {"take": "good_rows"})
    work_off()
    with scoped(scope_of_organisation(cast.house)):
        days = {
            str(day) for day in Heater.objects.exclude(tag="H-1").values_list("installed_earliest", flat=True)
        }
    assert days == {"2015-04-03"}


def test_a_mended_column_is_remembered_for_the_next_file(cast: Cast) -> None:
    client = cast.client(cast.planner)
    rows = b"Tag,Type,Zz\nW-1,elec tank,120\n"
    address = send(client, rows).url
    assert b"Zz" in client.get(address).content
    client.post(address, {"column-0-2": "setpoint_f"})
    again = client.get(send(client, rows).url).content
    assert b'value="setpoint_f" selected' in again


def test_an_unreadable_file_is_told_and_nothing_is_kept(cast: Cast) -> None:
    answer = send(cast.client(cast.planner), b"\x89PNG\r\n\x1a\n", "photo.csv")
    assert answer.status_code == 400
    assert b"This is a picture" in answer.content
    with scoped(scope_of_organisation(cast.house)):
        assert not ImportBatch.objects.exists()


def test_another_organisations_file_does_not_exist_and_a_technician_may_not_import(cast: Cast) -> None:
    address = send(cast.client(cast.planner), SHEET).url
    assert cast.client(cast.outsider).get(address).status_code == 404
    assert cast.client(cast.technician).get(address).status_code == 403
